"""What is believed of one ring's gap: a distribution, never a single number.

The belief is a joint table over the rate of the grinder (rows) and the gap (columns, 0.1 thou
apart). Facts are folded in the order in which they happened:

- readings of one seating multiply the columns by their chance (feel.py); a seating that was not
  square reads LARGE by pi D t^2 / 4 (geometry.py), so with some probability the true gap is
  smaller than what was felt;
- a cut moves every row by its own rate x feed and smears it by the spread of a cut;
- readings that cannot be true together with what was known (and were confirmed all the same) make
  it start again from the readings themselves.

What is felt and what is true differ by the person's offset. It is the same for all readings, so
the fold runs in felt gaps and the offset's uncertainty is added once, at the end: more readings do
not make it smaller. Nothing here reads a clock or a file, and undoing a fact is leaving it out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import ceil, floor, sqrt

import numpy as np

from assistant.fitting.bench import Bench
from assistant.fitting.facts import Fact, Feel, Reading
from assistant.fitting.feel import Floats
from assistant.fitting.fold import GRID_NM, State, folded, row_rates
from assistant.fitting.targets import Window

_FINE_WORDS = (Feel.ALMOST, Feel.SNUG)
ONLY_GOES_REFUTED = 0.02
"""Chance of coarse speech that is left for a person who has said "almost" or "snug"."""


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is known of one ring's gap; all lengths nm.

    felt_nm: columns of felt gaps. weights: chance of each (rate, felt gap), sums to 1.
    rates: removal in nm per unit of cutting of each row. felt: chance of each felt gap.
    gap_nm, chances: columns of true gaps and their chances.
    tried: readings since the last cut or re-seating. cuts: how many since the last reading.
    seen: True if there was any reading at all. before_cut: felt columns and chances before those
    cuts, if there was a reading before them.
    spent_risk: sum, over the cuts so far, of the chance that each would pass the most allowed.
    doubles, counted_cuts: as in Grinder, with the cuts of this ring counted.
    log_evidence: natural logarithm of the chance of all facts, for learning.
    """

    felt_nm: Floats
    weights: Floats
    felt: Floats
    gap_nm: Floats
    chances: Floats
    rates: Floats
    bench: Bench
    tried: tuple[Reading, ...] = ()
    cuts: int = 0
    butting: bool = False
    seen: bool = False
    before_cut: tuple[Floats, Floats] | None = None
    spent_risk: float = 0.0
    log_evidence: float = 0.0
    doubles: float = 0.0
    counted_cuts: float = 1.0
    _cdf: Floats = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_cdf", np.concatenate(([0.0], np.cumsum(self.chances))))

    @property
    def readings(self) -> int:
        """How many readings since the last cut or re-seating."""
        return len(self.tried)

    @property
    def known(self) -> bool:
        """True if the gap as it is now has been felt: a leaf since the last cut, and no butting."""
        return self.readings > 0 and not self.butting

    @property
    def double_chance(self) -> float:
        """Chance that the next cut takes about twice what is set."""
        return self.doubles / self.counted_cuts

    @property
    def best_nm(self) -> int:
        """Median on the grid of feel; negative = overlap."""
        half_nm = self.bench.half_nm
        return floor(self.quantile(0.5) / half_nm + 0.5) * half_nm

    @property
    def low_nm(self) -> int:
        """Worst case downwards: the gap is below it with at most the risk allowed; on the grid."""
        half_nm = self.bench.half_nm
        return floor(self.quantile(self.bench.over_risk) / half_nm) * half_nm

    @property
    def high_nm(self) -> int:
        """Worst case upwards: the gap is above it with at most the risk allowed; on the grid."""
        half_nm = self.bench.half_nm
        return ceil(self.quantile(1 - self.bench.over_risk) / half_nm) * half_nm

    @property
    def mean_nm(self) -> float:
        """Mean gap."""
        return float(self.chances @ self.gap_nm)

    @property
    def sd_nm(self) -> float:
        """Standard deviation of the gap."""
        return sqrt(max(float(self.chances @ (self.gap_nm - self.mean_nm) ** 2), 0.0))

    def quantile(self, share: float) -> float:
        """Gap that is not exceeded with chance ``share`` (0..1)."""
        edges = np.concatenate((self.gap_nm - GRID_NM / 2, [self.gap_nm[-1] + GRID_NM / 2]))
        return float(np.interp(share, self._cdf, edges))

    def interval_nm(self, confidence: float) -> tuple[int, int]:
        """Central interval that holds the gap with ``confidence``, widened to the grid of feel."""
        half_nm = self.bench.half_nm
        tail = (1 - confidence) / 2
        return (
            floor(self.quantile(tail) / half_nm) * half_nm,
            ceil(self.quantile(1 - tail) / half_nm) * half_nm,
        )

    def p_below(self, limit_nm: float) -> float:
        """Chance that the gap is below ``limit_nm``."""
        position = (limit_nm - float(self.gap_nm[0])) / GRID_NM + 0.5
        place = floor(position)
        if place < 0:
            return 0.0
        if place >= len(self._cdf) - 1:
            return 1.0
        low, high = float(self._cdf[place]), float(self._cdf[place + 1])
        return min(low + (position - place) * (high - low), 1.0)

    def p_above(self, limit_nm: float) -> float:
        """Chance that the gap is above ``limit_nm``."""
        return max(1.0 - self.p_below(limit_nm), 0.0)

    def p_inside(self, window: Window) -> float:
        """Chance that the gap is inside ``window``."""
        above = 0.0 if window.most_nm is None else self.p_above(window.most_nm)
        return max(1.0 - self.p_below(window.least_nm) - above, 0.0)


def believe(facts: Sequence[Fact], bench: Bench, *, window: Window | None = None) -> Belief:
    """Belief of one ring after ``facts``, oldest first.

    ``window`` only shapes what is expected before the first reading. Readings of one seating may
    come in any order.
    """
    return _believe(tuple(facts), _as_spoken(facts, bench), window)


def log_evidence(facts: Sequence[Fact], bench: Bench, *, window: Window | None = None) -> float:
    """Natural logarithm of the chance of all ``facts`` on this bench, for comparing benches."""
    return folded(tuple(facts), _as_spoken(facts, bench), window).log_evidence


@lru_cache(maxsize=64)
def _believe(facts: tuple[Fact, ...], bench: Bench, window: Window | None) -> Belief:
    return _finish(folded(facts, bench, window), bench)


def _as_spoken(facts: Sequence[Fact], bench: Bench) -> Bench:
    """``bench``, less likely to be one of a coarse speaker if a fine word was said of the ring."""
    if not any(isinstance(fact, Reading) and fact.feel in _FINE_WORDS for fact in facts):
        return bench
    only_goes = min(bench.person.only_goes, ONLY_GOES_REFUTED)
    return replace(bench, person=replace(bench.person, only_goes=only_goes))


def _finish(state: State, bench: Bench) -> Belief:
    """From felt to true gaps: take off the offset and add its uncertainty."""
    person = bench.person
    felt_nm = state.felt_nm
    felt = state.weights.sum(axis=0)
    gap_nm, chances = felt_nm - person.offset_nm, felt
    reach = ceil(4 * person.offset_sd_nm / GRID_NM)
    if reach > 0:
        steps = np.arange(-reach, reach + 1)
        kernel = np.exp(-0.5 * (steps * GRID_NM / person.offset_sd_nm) ** 2)
        chances = np.convolve(felt, kernel / kernel.sum())
        gap_nm = gap_nm[0] + (np.arange(len(chances)) - reach) * float(GRID_NM)
    doubles, counted_cuts = state.count()
    return Belief(
        felt_nm=felt_nm,
        weights=state.joined(bench),
        felt=felt,
        gap_nm=gap_nm,
        chances=chances,
        rates=row_rates(bench),
        bench=bench,
        tried=state.tried,
        cuts=state.cuts,
        butting=state.butting,
        seen=state.seen,
        before_cut=state.before_cut,
        spent_risk=state.spent_risk,
        log_evidence=state.log_evidence,
        doubles=doubles,
        counted_cuts=counted_cuts,
    )
