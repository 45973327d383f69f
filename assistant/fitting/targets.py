"""What gap a ring should have: from a rule per bore, or from the ring maker's sheet. All exact.

Lengths are whole nanometres. The maker's sheet is used as it stands. A rule per bore is brought
to the grid of feel (half a thou, half a hundredth), so that what is shown is what is used:

- least = factor x bore, rounded UP to the grid: a tight gap butts hot, a loose one leaks a little.
- most = that least + the builder's tolerance, so that the tolerance keeps its full width. It may
  lie less than one grid step above factor x bore + tolerance.
- target = middle of the window, rounded down to the grid, but never below the least.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

from assistant.units import NM_PER_THOU

HAIR_NM = NM_PER_THOU // 4
"""A quarter of a thou, half of the practical resolution of feel: by less, nobody can tell whether a
ring is above its most (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Window:
    """Least and most gap allowed and the gap to aim at, nm; ``most_nm`` None = a least only."""

    least_nm: int
    most_nm: int | None
    target_nm: int

    @property
    def width_nm(self) -> int | None:
        """Most minus least, nm; None for a least only."""
        return None if self.most_nm is None else self.most_nm - self.least_nm

    def holds(self, gap_nm: int) -> bool:
        """True if ``gap_nm`` is inside, limits included."""
        return gap_nm >= self.least_nm and (self.most_nm is None or gap_nm <= self.most_nm)


def per_bore_window(factor: Decimal, over_nm: int, *, bore_nm: int, half_nm: int) -> Window:
    """Window of a rule per bore: least gap = ``factor`` x bore, most = least + ``over_nm``.

    factor: inch per inch, mm per mm. Usual are 0.003 to 0.007 (rule of thumb 0.004 in an engine
        textbook, 0.0045 and 0.0055 common practice; iron 0.002 to PTFE 0.017 in a compressor
        handbook).
    over_nm: the builder's tolerance above the least, nm.
    bore_nm: the bore that counts, nm. half_nm: the grid of feel, nm.
    What may be asked for at all is checked where a job is made (bench/job.py), and only there.
    """
    exact_nm = factor * bore_nm
    least_nm = int((exact_nm / half_nm).to_integral_value(rounding=ROUND_CEILING)) * half_nm
    return sheet_window(least_nm, least_nm + over_nm, half_nm=half_nm)


def sheet_window(least_nm: int, most_nm: int | None, *, half_nm: int) -> Window:
    """Window of the ring maker's least and most gap, nm; ``most_nm`` None = a least only.

    half_nm: the grid of feel, nm, to which the target is brought.
    """
    if most_nm is None:
        target_nm = -(-least_nm // half_nm) * half_nm
    else:
        target_nm = max((least_nm + most_nm) // 2 // half_nm * half_nm, least_nm)
    return Window(least_nm, most_nm, target_nm)


def smallest_bore_nm(nominal_nm: int, measured_nm: Iterable[int] = ()) -> int:
    """The bore that counts, nm: the smallest measured one, else the nominal one.

    A ring travels through the whole bore, and its gap is smallest where the bore is (NAVEDTRA
    14076, Engineman 3, ch. 3: measure at two places because of taper).
    """
    return min(measured_nm, default=nominal_nm)
