"""From sound or typed text to words."""
