"""Chances as a person says them; never surer than they are."""

from math import ceil, floor

_HARDLY = 0.0005


def told_share(chance: float) -> str:
    """A chance of one half or more, in tenths, rounded down: ``9 in ten``."""
    return f"{floor(10 * chance + 1e-9)} in ten"


def told_risk(chance: float) -> str:
    """A chance that something goes wrong, rounded up: ``12 in a hundred``, ``1 in a thousand``."""
    if chance < _HARDLY:
        return "less than 1 in a thousand"
    if chance < 0.01:
        return f"{ceil(1000 * chance - 1e-9)} in a thousand"
    return f"{min(100, ceil(100 * chance - 1e-9))} in a hundred"
