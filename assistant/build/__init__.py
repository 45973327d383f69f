"""Builds the parts into a whole. Only this and the cli know adapters."""
