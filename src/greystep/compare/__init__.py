"""Drift, differences and the verdict."""
