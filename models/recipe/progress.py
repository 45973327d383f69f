"""Tells how far a step has come."""

import sys


def say(text: str) -> None:
    """One line of progress on the terminal's error stream, at once."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()
