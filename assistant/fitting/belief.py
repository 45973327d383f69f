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
from math import ceil, floor, log, sqrt

import numpy as np

from assistant.fitting.bench import Bench
from assistant.fitting.facts import Cut, Fact, Feel, Reading, Reseated
from assistant.fitting.feel import TILTED, Floats, readings_chance
from assistant.fitting.normal import chance_below
from assistant.fitting.targets import HAIR_NM, Window
from assistant.units import NM_PER_THOU

GRID_NM = NM_PER_THOU // 10
"""Distance of two columns, nm: a tenth of a thou, in inch and metric jobs alike."""

# Before the first reading: a quarter of the rings butt (overlap up to 40 thou), the rest lie evenly
# up to the most allowed gap and thin out above it. Only wide, plain guesses; readings decide.
_OVERLAP_NM = 40 * NM_PER_THOU
_BUTTING_SHARE = 0.25
_ABOVE_SCALE_NM = 4 * NM_PER_THOU
_UNKNOWN_TOP_NM = 60 * NM_PER_THOU
_RAIL_SPREAD_NM = 40 * NM_PER_THOU
_FLOOR = 1e-7

# By how many columns a tilted ring reads large, and how common that is among tilted ones.
_TILTS = tuple((round(excess_nm / GRID_NM), share) for excess_nm, share in TILTED)
_TILT_IF_RESEATED = 0.5

_FINE_WORDS = (Feel.ALMOST, Feel.SNUG)
ONLY_GOES_REFUTED = 0.02
"""Chance of coarse speech that is left for a person who has said "almost" or "snug"."""

WRONG_BEFORE = 0.001
"""Chance that what was called of a ring before a cut is wrong as a whole, unnoticed (no source)."""
_NOT_WRONG = 1e-4
_SURPRISE = 0.01

_NEGLIGIBLE = 1e-12
_IMPOSSIBLE = 1e-9


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
    return _state(tuple(facts), _as_spoken(facts, bench), window).log_evidence


@lru_cache(maxsize=64)
def _believe(facts: tuple[Fact, ...], bench: Bench, window: Window | None) -> Belief:
    return _finish(_state(facts, bench, window), bench)


def _as_spoken(facts: Sequence[Fact], bench: Bench) -> Bench:
    """``bench``, less likely to be one of a coarse speaker if a fine word was said of the ring."""
    if not any(isinstance(fact, Reading) and fact.feel in _FINE_WORDS for fact in facts):
        return bench
    only_goes = min(bench.person.only_goes, ONLY_GOES_REFUTED)
    return replace(bench, person=replace(bench.person, only_goes=only_goes))


def _state(facts: tuple[Fact, ...], bench: Bench, window: Window | None) -> "_State":
    closed, seat = _split(facts)
    # Laid down from the front, so that no ring has more seatings than Python has levels of calls.
    for end in range(_LEVELS, len(closed), _LEVELS):
        _closed_state(_split(closed[:end])[0], bench, window)
    state = _closed_state(closed, bench, window)
    if seat:
        # A second seating after "set square again" is taken for square.
        tilt = 0.1 * bench.tilt_share if _reseated(closed) else bench.tilt_share
        state = _feel_seat(state, seat, bench, window, tilt)
    return state


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """Fold so far: column j of ``weights`` is the felt gap (first + j) x GRID_NM."""

    first: int
    weights: Floats
    tried: tuple[Reading, ...] = ()
    cuts: int = 0
    butting: bool = False
    seen: bool = False
    before_cut: tuple[Floats, Floats] | None = None
    spent_risk: float = 0.0
    log_evidence: float = 0.0

    @property
    def felt_nm(self) -> Floats:
        columns = np.arange(self.weights.shape[1], dtype=np.float64)
        return np.asarray((self.first + columns) * GRID_NM, dtype=np.float64)


_LEVELS = 100
"""Facts folded in one recursion."""


def _split(facts: Sequence[Fact]) -> tuple[tuple[Fact, ...], tuple[Reading, ...]]:
    """Facts up to the last cut or re-seating, and the readings after it."""
    end = len(facts)
    while end and isinstance(facts[end - 1], Reading):
        end -= 1
    return tuple(facts[:end]), tuple(f for f in facts[end:] if isinstance(f, Reading))


def _reseated(closed: Sequence[Fact]) -> bool:
    return bool(closed) and isinstance(closed[-1], Reseated)


@lru_cache(maxsize=512)
def _closed_state(closed: tuple[Fact, ...], bench: Bench, window: Window | None) -> _State:
    """Fold of whole seatings; remembered, since a ring's facts only grow."""
    if not closed:
        return _prior(window)
    start, seat = _split(closed[:-1])
    state = _closed_state(start, bench, window)
    last = closed[-1]
    if isinstance(last, Reseated):
        if not seat:
            return state
        state = _feel_seat(state, seat, bench, window, _TILT_IF_RESEATED)
        return replace(state, tried=())
    if seat:
        tilt = 0.1 * bench.tilt_share if _reseated(start) else bench.tilt_share
        state = _feel_seat(state, seat, bench, window, tilt)
    if isinstance(last, Cut):
        return _cut(state, last, bench, window)
    return state


def _prior(window: Window | None) -> _State:
    if window is None:
        flat_top_nm = _UNKNOWN_TOP_NM
    elif window.most_nm is None:
        flat_top_nm = window.least_nm + _RAIL_SPREAD_NM
    else:
        flat_top_nm = window.most_nm
    first = -_OVERLAP_NM // GRID_NM
    last = (flat_top_nm + 15 * _ABOVE_SCALE_NM) // GRID_NM
    felt_nm = np.arange(first, last + 1) * float(GRID_NM)
    overlap = felt_nm < 0
    density = np.exp(-np.maximum(felt_nm - flat_top_nm, 0.0) / _ABOVE_SCALE_NM) + _FLOOR
    density[overlap] = _BUTTING_SHARE / overlap.sum()
    density[~overlap] *= (1 - _BUTTING_SHARE) / density[~overlap].sum()
    return _State(first, density[np.newaxis, :])


def _feel_seat(
    state: _State,
    seat: tuple[Reading, ...],
    bench: Bench,
    window: Window | None,
    tilt_share: float,
) -> _State:
    """Fold the readings of one seating, which may have been tilted."""
    seat = _agreeing(seat)
    chance = _seat_chance(state, seat, bench, tilt_share)
    weights = state.weights * chance
    evidence = float(weights.sum())
    if state.cuts and state.seen and evidence < _SURPRISE:
        weights, state = _or_all_wrong(weights, state, seat, bench, window, tilt_share)
        evidence = float(weights.sum())
    if evidence < _IMPOSSIBLE:
        # Confirmed against all that was known: what was known was wrong, so it is dropped.
        state = replace(
            _prior(window), spent_risk=state.spent_risk, log_evidence=state.log_evidence
        )
        weights = state.weights * _seat_chance(state, seat, bench, tilt_share)
        while not weights.any() and len(seat) > 1:
            # They cannot be true together, and each was confirmed: the later ones count.
            seat = seat[1:]
            weights = state.weights * _seat_chance(state, seat, bench, tilt_share)
        evidence = max(float(weights.sum()), 1e-300)
    felt = _State(state.first, weights / evidence)
    return replace(
        _cropped(felt),
        tried=seat,
        butting=any(reading.feel is Feel.BUTTS for reading in seat),
        seen=True,
        spent_risk=state.spent_risk,
        log_evidence=state.log_evidence + log(evidence),
    )


def _or_all_wrong(
    weights: Floats,
    state: _State,
    seat: tuple[Reading, ...],
    bench: Bench,
    window: Window | None,
    tilt_share: float,
) -> tuple[Floats, _State]:
    """``weights`` of a seating after a cut, with what it says if all before the cut was wrong.

    A leaf misheard or miscalled before a cut ("no go" for "goes") leaves a belief that ends where
    the ring does not; leaf after leaf that goes must be able to say so. Nothing changes unless
    the readings suit a ring of which nothing is known far better than this one.
    """
    fresh = _prior(window)
    other = fresh.weights * _seat_chance(fresh, seat, bench, tilt_share) * WRONG_BEFORE
    if float(other.sum()) < _NOT_WRONG * float(weights.sum()):
        return weights, state
    first = min(state.first, fresh.first)
    last = max(state.first + weights.shape[1], fresh.first + other.shape[1])
    mixed = np.zeros((weights.shape[0], last - first))
    mixed[:, state.first - first :][:, : weights.shape[1]] = (1 - WRONG_BEFORE) * weights
    rows = _row_shares(_row_step(bench))[:, np.newaxis] if weights.shape[0] > 1 else 1.0
    mixed[:, fresh.first - first :][:, : other.shape[1]] += rows * other
    return mixed, replace(state, first=first)


def _agreeing(seat: tuple[Reading, ...]) -> tuple[Reading, ...]:
    """The readings since the builder last changed between "butts" and a leaf that goes in.

    Both cannot be, and the later one was confirmed; a mean of the two would be a gap that nobody
    has felt.
    """
    butts: bool | None = None
    for back, reading in enumerate(reversed(seat)):
        if reading.feel in (Feel.ALMOST, Feel.NO_GO):
            continue
        says_butts = reading.feel is Feel.BUTTS
        if butts is not None and says_butts != butts:
            return seat[len(seat) - back :]
        butts = says_butts
    return seat


def _seat_chance(
    state: _State, seat: tuple[Reading, ...], bench: Bench, tilt_share: float
) -> Floats:
    columns = state.weights.shape[1]
    reach = _TILTS[-1][0]
    felt_nm = (state.first + np.arange(columns + reach)) * float(GRID_NM)
    square = readings_chance(seat, felt_nm, bench)
    chance = (1 - tilt_share) * square[:columns]
    for shift, share in _TILTS:
        chance = chance + tilt_share * share * square[shift : shift + columns]
    return chance


def _cut(state: _State, cut: Cut, bench: Bench, window: Window | None) -> _State:
    """Move each row by its own removal and smear it; exact up to rounding (Fourier shift)."""
    grinder = bench.grinder
    units = grinder.units(cut)
    rates = row_rates(bench)
    spread_nm = grinder.cut_sd_nm
    if units is None:
        # The other kind of tool: its rate is not the one learned in the rows.
        if cut.strokes:
            removal_nm = cut.strokes * grinder.per_stroke_nm
            spread_nm = sqrt(spread_nm**2 + (grinder.per_stroke_sd * removal_nm) ** 2)
        else:
            removal_nm = float(cut.feed_nm)
            spread_nm = sqrt(spread_nm**2 + (0.2 * removal_nm) ** 2)
        shifts = np.full(len(rates), removal_nm)
    else:
        shifts = rates * units
        spread_nm = grinder.spread_nm(units)
        # Each row stands for a cell of rates, evenly filled.
        cell_nm = _row_step(bench) * grinder.unit_rate_sd * grinder.unit_rate_nm * units
        spread_nm = sqrt(spread_nm**2 + cell_nm**2 / 12)
    spread_nm = max(spread_nm, GRID_NM)
    rows = state.weights
    if rows.shape[0] == 1:
        rows = _row_shares(_row_step(bench))[:, np.newaxis] * rows
    pad = ceil(8 * spread_nm / GRID_NM)
    least = floor(shifts.min() / GRID_NM) - pad
    columns = rows.shape[1] + ceil(shifts.max() / GRID_NM) + pad - least
    size = 1 << (columns - 1).bit_length()
    wave = np.arange(size // 2 + 1) * (2 * np.pi / size)
    moves = shifts / GRID_NM - least
    smear = np.exp(-0.5 * (wave * spread_nm / GRID_NM) ** 2)
    turned = np.fft.rfft(rows, size, axis=1) * smear * np.exp(-1j * np.outer(moves, wave))
    moved = np.maximum(np.fft.irfft(turned, size, axis=1)[:, :columns], 0.0)
    felt_before = (state.felt_nm, state.weights.sum(axis=0))
    after = _cropped(_State(state.first + least, moved / moved.sum()))
    return replace(
        after,
        cuts=state.cuts + 1,
        seen=state.seen,
        before_cut=felt_before if state.tried else state.before_cut,
        spent_risk=state.spent_risk + _over_chance(after, bench, window),
        log_evidence=state.log_evidence,
    )


def _over_chance(state: _State, bench: Bench, window: Window | None) -> float:
    if window is None or window.most_nm is None:
        return 0.0
    over_nm = state.felt_nm - bench.person.offset_nm - window.most_nm - HAIR_NM
    chance = chance_below(over_nm / max(bench.person.offset_sd_nm, 1.0))
    return float(state.weights.sum(axis=0) @ chance)


def row_rates(bench: Bench) -> Floats:
    """Removal in nm per unit of cutting that each row of a belief stands for, lognormal."""
    grinder = bench.grinder
    deviations = _row_deviations(_row_step(bench))
    return np.asarray(
        grinder.unit_rate_nm * np.exp(grinder.unit_rate_sd * deviations), dtype=np.float64
    )


def _row_step(bench: Bench) -> float:
    """Distance of two rows in standard deviations: fine enough that no lumps show after a cut."""
    grinder = bench.grinder
    return 1.0 if grinder.unit_rate_sd * grinder.largest_cut_nm < 1.2 * grinder.cut_sd_nm else 0.5


@lru_cache(maxsize=2)
def _row_deviations(step: float) -> Floats:
    return np.asarray(np.arange(-4.0, 4.01, step), dtype=np.float64)


@lru_cache(maxsize=2)
def _row_shares(step: float) -> Floats:
    edge = step / 2
    low, high = _row_deviations(step) - edge, _row_deviations(step) + edge
    shares = chance_below(high) - chance_below(low)
    return np.asarray(shares / shares.sum(), dtype=np.float64)


def _cropped(state: _State) -> _State:
    """Drop columns of no weight on both sides."""
    chances = state.weights.sum(axis=0)
    held = np.flatnonzero(chances > _NEGLIGIBLE * chances.max())
    low, high = int(held[0]), int(held[-1]) + 1
    weights = state.weights[:, low:high]
    return _State(state.first + low, weights / weights.sum())


def _finish(state: _State, bench: Bench) -> Belief:
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
    weights = state.weights
    if weights.shape[0] == 1:
        weights = _row_shares(_row_step(bench))[:, np.newaxis] * weights
    return Belief(
        felt_nm=felt_nm,
        weights=weights,
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
    )
