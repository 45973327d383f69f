"""What lies on disk."""
