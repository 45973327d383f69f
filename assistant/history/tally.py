"""How sure a share or a mean of many rings or calls is: counts, and the interval that they give."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

_Z = 1.959963984540054  # 97.5 % of the normal distribution lies below
_LEAST_FOR_MEAN = 4  # of fewer, the interval of a mean tells nothing


@dataclass(frozen=True, slots=True)
class Tally:
    """What was counted. n: of how many; total: their sum, or how many of them were so.

    squares: sum of the squares where each can be more than one (a mean), None for a share of n.
    """

    n: int
    total: float
    squares: float | None = None

    @property
    def value(self) -> float:
        """The share, 0..1, or the mean. n must be 1 or more."""
        return self.total / self.n

    @property
    def interval(self) -> tuple[float, float] | None:
        """The 95 % confidence interval; None where too few were counted for one.

        A share: Wilson (1927). A mean: Student's t, its quantile by the expansion 26.7.5 of
        Abramowitz and Stegun, Handbook of Mathematical Functions.
        """
        if self.squares is None:
            return self._wilson()
        if self.n < _LEAST_FOR_MEAN:
            return None
        variance = max(0.0, self.squares - self.n * self.value**2) / (self.n - 1)
        half = _student(self.n - 1) * sqrt(variance / self.n)
        return self.value - half, self.value + half

    def _wilson(self) -> tuple[float, float]:
        share, z2n = self.value, _Z**2 / self.n
        middle = (share + z2n / 2) / (1 + z2n)
        half = _Z / (1 + z2n) * sqrt(share * (1 - share) / self.n + z2n / (4 * self.n))
        return max(0.0, middle - half), min(1.0, middle + half)


def _student(freedom: int) -> float:
    """97.5 % quantile of Student's t, within 1 % from 3 degrees of freedom on."""
    z, f = _Z, freedom
    return (
        z
        + (z**3 + z) / (4 * f)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * f**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * f**3)
    )


def pooled(tallies: Sequence[Tally]) -> Tally:
    """All of one kind as one; at least one must be given."""
    squares = [tally.squares for tally in tallies if tally.squares is not None]
    return Tally(
        sum(tally.n for tally in tallies),
        sum(tally.total for tally in tallies),
        sum(squares) if squares else None,
    )


def change(tallies: Sequence[Tally]) -> str:
    """What the later half shows against the earlier, in words: only what the counts can bear."""
    half = len(tallies) // 2
    if not half:
        return ""
    early, late = pooled(tallies[:half]).interval, pooled(tallies[-half:]).interval
    if early is None or late is None:
        return "too few to tell a change"
    if late[1] < early[0]:
        return "clearly lower in the later half"
    if late[0] > early[1]:
        return "clearly higher in the later half"
    return "no clear change"
