"""From words to a logged and answered turn. Pure."""
