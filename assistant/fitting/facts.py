"""What is known of one ring, in the order in which it happened: the input of all estimates."""

from dataclasses import dataclass
from enum import StrEnum


class Feel(StrEnum):
    """How a leaf felt in the gap, from loosest to tightest."""

    DROPS = "drops"  # falls through by its own weight
    GOES = "goes"  # passes easily
    SNUG = "snug"  # passes with slight drag
    ALMOST = "almost"  # starts, will not pass without force
    NO_GO = "no go"  # does not enter
    BUTTS = "butts"  # the ring ends touch: no leaf at all goes


@dataclass(frozen=True, slots=True)
class Reading:
    """One leaf (or stack) tried: its thickness in nm (0 for BUTTS) and how it felt.

    leaves: how many leaves were stacked to make the thickness (their errors add).
    """

    leaf_nm: int
    feel: Feel
    leaves: int = 1


@dataclass(frozen=True, slots=True)
class Cut:
    """One cut: feed in nm on a dial grinder, or a number of file strokes (the other is 0).

    dressing: not called out as a cut; it stands for what dressing the ends took off.
    """

    feed_nm: int = 0
    strokes: int = 0
    dressing: bool = False


@dataclass(frozen=True, slots=True)
class Reseated:
    """The ring was set square in its bore again; the readings before it may have been tilted."""


Fact = Reading | Cut | Reseated
