"""The live page of a shoot, served on this machine."""
