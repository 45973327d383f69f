"""The fold of facts behind a belief: a joint table over the grinder's rate and the felt gap.

Rows are rates, columns felt gaps 0.1 thou apart. Between a cut and the next cut the rows are there
twice: a cut that took what was set, and one that took about twice that. Readings weigh the two
against each other; what they say of the doubles is kept when the next cut joins the rows again, so
a surprise makes every later cut of this ring shyer, and by learning.py those of later rings.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import ceil, floor, hypot, log, sqrt

import numpy as np
from numpy.typing import NDArray

from assistant.fitting.bench import Bench
from assistant.fitting.facts import Cut, Fact, Feel, Reading, Reseated
from assistant.fitting.feel import TILTED, Floats, readings_chance
from assistant.fitting.normal import chance_below_quick
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

WRONG_BEFORE = 0.001
"""Chance that what was called of a ring before a cut is wrong as a whole, unnoticed (no source)."""
_NOT_WRONG = 1e-4
_SURPRISE = 0.01

DOUBLE_SD = 0.1
"""Spread of what a double cut takes beyond that of two cuts, as a share of one (no source)."""

_NEGLIGIBLE = 1e-12
_IMPOSSIBLE = 1e-9


def folded(facts: tuple[Fact, ...], bench: Bench, window: Window | None) -> "State":
    """All of ``facts``, oldest first."""
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
class State:
    """Fold so far: column j of ``weights`` is the felt gap (first + j) x GRID_NM.

    Rows of ``weights``: one before the first cut; then the rates, and if ``twofold`` the rates
    again, for the share of the last cuts that took double. doubles, counted: cuts that took double,
    and all that tell, before those; the bench's own count is among them. fresh: cuts since then.
    """

    first: int
    weights: Floats
    doubles: float
    counted: float
    fresh: int = 0
    twofold: bool = False
    tried: tuple[Reading, ...] = ()
    cuts: int = 0
    butting: bool = False
    seen: bool = False
    before_cut: tuple[Floats, Floats] | None = None
    spent_risk: float = 0.0
    log_evidence: float = 0.0

    @property
    def felt_nm(self) -> Floats:
        """Felt gap of each column, nm."""
        columns = np.arange(self.weights.shape[1], dtype=np.float64)
        return np.asarray((self.first + columns) * GRID_NM, dtype=np.float64)

    def count(self) -> tuple[float, float]:
        """Cuts that took double, and all cuts that tell, the last ones weighed by readings."""
        if not self.twofold:
            return self.doubles, self.counted
        doubled = float(self.weights[len(self.weights) // 2 :].sum())
        return self.doubles + doubled, self.counted + self.fresh

    def joined(self, bench: Bench) -> Floats:
        """Weights by rate and column, however the last cuts went."""
        rows = self.weights
        if rows.shape[0] == 1:
            return _row_shares(_row_step(bench))[:, np.newaxis] * rows
        half = len(rows) // 2
        return rows[:half] + rows[half:] if self.twofold else rows


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
def _closed_state(closed: tuple[Fact, ...], bench: Bench, window: Window | None) -> State:
    """Fold of whole seatings; remembered, since a ring's facts only grow."""
    if not closed:
        return _prior(bench, window)
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


def _prior(bench: Bench, window: Window | None) -> State:
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
    grinder = bench.grinder
    return State(first, density[np.newaxis, :], grinder.doubles, grinder.counted_cuts)


def _feel_seat(
    state: State,
    seat: tuple[Reading, ...],
    bench: Bench,
    window: Window | None,
    tilt_share: float,
) -> State:
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
            _prior(bench, window),
            doubles=state.doubles,
            counted=state.counted,
            spent_risk=state.spent_risk,
            log_evidence=state.log_evidence,
        )
        weights = state.weights * _seat_chance(state, seat, bench, tilt_share)
        while not weights.any() and len(seat) > 1:
            # They cannot be true together, and each was confirmed: the later ones count.
            seat = seat[1:]
            weights = state.weights * _seat_chance(state, seat, bench, tilt_share)
        evidence = max(float(weights.sum()), 1e-300)
    return replace(
        _cropped(state.first, weights, state),
        tried=seat,
        butting=any(reading.feel is Feel.BUTTS for reading in seat),
        seen=True,
        cuts=0,
        before_cut=None,
        log_evidence=state.log_evidence + log(evidence),
    )


def _or_all_wrong(
    weights: Floats,
    state: State,
    seat: tuple[Reading, ...],
    bench: Bench,
    window: Window | None,
    tilt_share: float,
) -> tuple[Floats, State]:
    """``weights`` of a seating after a cut, with what it says if all before the cut was wrong.

    A leaf misheard or miscalled before a cut ("no go" for "goes") leaves a belief that ends where
    the ring does not; leaf after leaf that goes must be able to say so. Nothing changes unless
    the readings suit a ring of which nothing is known far better than this one.
    """
    fresh = _prior(bench, window)
    other = fresh.weights * _seat_chance(fresh, seat, bench, tilt_share) * WRONG_BEFORE
    if float(other.sum()) < _NOT_WRONG * float(weights.sum()):
        return weights, state
    first = min(state.first, fresh.first)
    last = max(state.first + weights.shape[1], fresh.first + other.shape[1])
    mixed = np.zeros((weights.shape[0], last - first))
    mixed[:, state.first - first :][:, : weights.shape[1]] = (1 - WRONG_BEFORE) * weights
    rows = np.ones((1, 1))
    if weights.shape[0] > 1:
        rows = _row_shares(_row_step(bench))[:, np.newaxis]
    if state.twofold:
        doubled = float(state.weights[len(state.weights) // 2 :].sum())
        rows = np.concatenate(((1 - doubled) * rows, doubled * rows))
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
    state: State, seat: tuple[Reading, ...], bench: Bench, tilt_share: float
) -> Floats:
    columns = state.weights.shape[1]
    reach = _TILTS[-1][0]
    felt_nm = (state.first + np.arange(columns + reach)) * float(GRID_NM)
    square = readings_chance(seat, felt_nm, bench)
    chance = (1 - tilt_share) * square[:columns]
    for shift, share in _TILTS:
        chance = chance + tilt_share * share * square[shift : shift + columns]
    return chance


def _cut(state: State, cut: Cut, bench: Bench, window: Window | None) -> State:
    """Move each row by its own removal and smear it; exact up to rounding (Fourier shift).

    A cut takes what was set, or, with the chance that was learned, about twice that.
    """
    grinder = bench.grinder
    units = grinder.units(cut)
    doubles, counted = state.doubles, state.counted
    fresh, twofold = state.fresh, state.twofold
    if not state.cuts:
        doubles, counted = state.count()
        fresh, twofold = 0, False
    # What dressing took, or the other kind of tool, tells nothing of this tool's double cuts.
    chance = 0.0 if units is None or cut.dressing else doubles / counted
    rows, doubled = state.joined(bench), None
    if twofold:
        rows, doubled = np.split(state.weights, 2)
    shifts, spread_nm = _taken(cut, bench)
    twice_nm = max(hypot(2 * spread_nm, DOUBLE_SD * float(shifts.mean())), GRID_NM)
    spread_nm = max(spread_nm, GRID_NM)
    most = 2 * shifts.max() if chance else shifts.max()
    pad = ceil(8 * spread_nm / GRID_NM)
    least = floor(shifts.min() / GRID_NM) - pad
    far = ceil(most / GRID_NM) + ceil(8 * (twice_nm if chance else spread_nm) / GRID_NM)
    columns = rows.shape[1] + far - least
    size = 1 << (columns - 1).bit_length()
    once = _Move(shifts, spread_nm, least, size)
    wave = np.fft.rfft(rows, size, axis=1)
    parts = [once.of(wave) * (1 - chance)]
    if chance or doubled is not None:
        twice = _Move(2 * shifts, twice_nm, least, size)
        again = np.zeros_like(wave) if doubled is None else np.fft.rfft(doubled, size, axis=1)
        parts.append(chance * twice.of(wave + again) + (1 - chance) * once.of(again))
    turned = np.concatenate(parts)
    moved = np.maximum(np.fft.irfft(turned, size, axis=1)[:, :columns], 0.0)
    felt_before = (state.felt_nm, state.weights.sum(axis=0))
    after = _cropped(
        state.first + least,
        moved,
        replace(
            state,
            doubles=doubles,
            counted=counted,
            fresh=fresh + (chance > 0),
            twofold=len(parts) > 1,
            tried=(),
            butting=False,
            cuts=state.cuts + 1,
            before_cut=felt_before if state.tried else state.before_cut,
        ),
    )
    return replace(after, spent_risk=state.spent_risk + _over_chance(after, bench, window))


@dataclass(frozen=True, slots=True, eq=False)
class _Move:
    """A shift of each row and a normal smear, nm, in the Fourier domain of ``size`` columns."""

    shifts: Floats
    spread_nm: float
    least: int
    size: int

    def of(self, wave: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Transforms of rows, moved and smeared."""
        turns = np.arange(self.size // 2 + 1) * (2 * np.pi / self.size)
        smear = np.exp(-0.5 * (turns * self.spread_nm / GRID_NM) ** 2)
        moves = self.shifts / GRID_NM - self.least
        turn: NDArray[np.complex128] = smear * np.exp(-1j * np.outer(moves, turns))
        return wave * turn


def _taken(cut: Cut, bench: Bench) -> tuple[Floats, float]:
    """What a cut takes off by each row's rate, nm, and its spread, nm."""
    grinder = bench.grinder
    units = grinder.units(cut)
    if units is not None:
        # Each row stands for a cell of rates, evenly filled.
        cell_nm = _row_step(bench) * grinder.unit_rate_sd * grinder.unit_rate_nm * units
        return row_rates(bench) * units, sqrt(grinder.spread_nm(units) ** 2 + cell_nm**2 / 12)
    # The other kind of tool: its rate is not the one learned in the rows.
    removal_nm, share = float(cut.feed_nm), 0.2
    if cut.strokes:
        removal_nm, share = cut.strokes * grinder.per_stroke_nm, grinder.per_stroke_sd
    spread_nm = hypot(grinder.cut_sd_nm, share * removal_nm)
    return np.full(len(_row_deviations(_row_step(bench))), removal_nm), spread_nm


def _over_chance(state: State, bench: Bench, window: Window | None) -> float:
    """Chance that the last cut, if it took what was set, went a hair or more above the most."""
    if window is None or window.most_nm is None:
        return 0.0
    over_nm = state.felt_nm - bench.person.offset_nm - window.most_nm - HAIR_NM
    chance = chance_below_quick(over_nm / max(bench.person.offset_sd_nm, 1.0))
    rows = state.weights[: len(state.weights) // 2] if state.twofold else state.weights
    return float(rows.sum(axis=0) @ chance)


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
    shares = chance_below_quick(high) - chance_below_quick(low)
    return np.asarray(shares / shares.sum(), dtype=np.float64)


def _cropped(first: int, weights: Floats, state: State) -> State:
    """``state`` with these weights, summing to 1, less columns of no weight on both sides."""
    chances = weights.sum(axis=0)
    held = np.flatnonzero(chances > _NEGLIGIBLE * chances.max())
    low, high = int(held[0]), int(held[-1]) + 1
    kept = weights[:, low:high]
    return replace(state, first=first + low, weights=kept / kept.sum())
