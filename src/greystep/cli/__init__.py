"""The commands: each parses, calls and prints."""
