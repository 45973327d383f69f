"""What many sessions tell. Pure."""
