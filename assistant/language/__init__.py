"""What can be said: the grammar, its numbers and its sentences. Pure."""
