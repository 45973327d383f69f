"""Before work: is the machine ready, is the builder understood? Pure."""
