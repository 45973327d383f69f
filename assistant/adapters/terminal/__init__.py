"""Screen and keys."""
