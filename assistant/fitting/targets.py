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
from math import pi

from assistant.errors import LengthError

SMALLEST_BORE_NM = 10_000_000
LARGEST_BORE_NM = 700_000_000

HAIR_NM = 6_350
"""A quarter of a thou, half of the practical resolution of feel: by less, nobody can tell whether a
ring is above its most (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class PerBore:
    """Least gap = ``factor`` x bore (inch per inch, mm per mm); most = least + ``over_nm``.

    Usual factors are 0.003 to 0.007 (rule of thumb 0.004 in an engine textbook, 0.0045 and 0.0055
    common practice; iron 0.002 to PTFE 0.017 in a compressor handbook).
    """

    factor: Decimal
    over_nm: int


@dataclass(frozen=True, slots=True)
class Limits:
    """Least and most gap from the ring maker's sheet, nm; ``most_nm`` None = a least only."""

    least_nm: int
    most_nm: int | None


Rule = PerBore | Limits


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


def window_for(rule: Rule, *, bore_nm: int, half_nm: int) -> Window:
    """Window of a ring in a bore of ``bore_nm``; ``half_nm`` is the grid of feel (nm).

    Raises LengthError if the bore is not 10..700 mm, if a factor is not 0.0005..0.05, if the least
    is negative, or if the most is below the least.
    """
    if half_nm <= 0:
        raise LengthError(f"A grid of {half_nm} nm is no grid: give a positive number.")
    _check_bore(bore_nm)
    if isinstance(rule, Limits):
        return _window_of_limits(rule, half_nm)
    if not Decimal("0.0005") <= rule.factor <= Decimal("0.05"):
        raise LengthError(
            f"A gap of {rule.factor} x bore is out of range: allowed are 0.0005 to 0.05, "
            "usual are 0.003 to 0.007."
        )
    if rule.over_nm < 0:
        raise LengthError(f"The tolerance above the least is {rule.over_nm} nm: write 0 or more.")
    exact_nm = rule.factor * bore_nm
    least_nm = int((exact_nm / half_nm).to_integral_value(rounding=ROUND_CEILING)) * half_nm
    return _window(least_nm, least_nm + rule.over_nm, half_nm)


def smallest_bore_nm(nominal_nm: int, measured_nm: Iterable[int] = ()) -> int:
    """The bore that counts, nm: the smallest measured one, else the nominal one.

    A ring travels through the whole bore, and its gap is smallest where the bore is (NAVEDTRA
    14076, Engineman 3, ch. 3: measure at two places because of taper).
    """
    bores = tuple(measured_nm) or (nominal_nm,)
    for bore_nm in bores:
        _check_bore(bore_nm)
    return min(bores)


def bore_change_gap_nm(d_bore_nm: float) -> int:
    """Change of the gap, whole nm, when the bore grows by ``d_bore_nm``: pi x d (circumference)."""
    return round(pi * d_bore_nm)


def _check_bore(bore_nm: int) -> None:
    if not SMALLEST_BORE_NM <= bore_nm <= LARGEST_BORE_NM:
        raise LengthError(
            f"A bore of {bore_nm / 1e6:g} mm ({bore_nm / 25.4e6:.4g} in) is out of range: "
            "allowed are 10 to 700 mm (0.394 to 27.56 in)."
        )


def _window_of_limits(rule: Limits, half_nm: int) -> Window:
    if rule.least_nm < 0:
        raise LengthError(f"A least gap of {rule.least_nm} nm is negative: write 0 or more.")
    if rule.most_nm is not None and rule.most_nm < rule.least_nm:
        raise LengthError(
            f"The most gap ({rule.most_nm / 25400:g} thou, {rule.most_nm / 1e6:g} mm) is below the "
            f"least ({rule.least_nm / 25400:g} thou, {rule.least_nm / 1e6:g} mm): swap them."
        )
    return _window(rule.least_nm, rule.most_nm, half_nm)


def _window(least_nm: int, most_nm: int | None, half_nm: int) -> Window:
    if most_nm is None:
        target_nm = -(-least_nm // half_nm) * half_nm
    else:
        target_nm = max((least_nm + most_nm) // 2 // half_nm * half_nm, least_nm)
    return Window(least_nm, most_nm, target_nm)
