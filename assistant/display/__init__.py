"""What is seen at the bench. Pure."""
