"""What a session leaves: review and build sheet. Pure; files are written by adapters."""
