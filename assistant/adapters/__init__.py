"""Everything that touches the world: files, sound, recognisers, screen."""
