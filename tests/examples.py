"""How many examples the property tests try: in shares of the profile that conftest loads."""

from hypothesis import settings

_USUAL = settings().max_examples

FEW = settings(max_examples=max(1, _USUAL * 2 // 5))
"""Each example is a whole session or a whole belief."""

MANY = settings(max_examples=_USUAL * 3)
"""Each example is cheap and the space is large."""
