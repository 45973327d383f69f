"""How much to take next, or why not to cut.

The hard bound of every cut, over all that is not known (gap, rate of the grinder, spread of the
cut, offset of feel): the chance of ending more than a hair above the most allowed gap stays under
the risk limit, and that of ending above it at all under ten times as much. A hair is what no leaf
can tell. Tight butts and seizes, loose by a hair does not. A cut that takes double has a limit of
its own (DOUBLE_RISK): a tool that never did it is not cut shyly for it, one that did is.
"""

from collections import Counter
from dataclasses import dataclass, replace
from enum import StrEnum
from math import floor, hypot

import numpy as np

from assistant.fitting.belief import Belief
from assistant.fitting.bench import Bench, GrinderKind
from assistant.fitting.facts import Feel
from assistant.fitting.feel import reading_sd_nm
from assistant.fitting.fold import DOUBLE_SD
from assistant.fitting.leaves import LeafAdvice as LeafAdvice
from assistant.fitting.leaves import near
from assistant.fitting.leaves import next_leaf as next_leaf
from assistant.fitting.normal import chance_below_quick, quantile
from assistant.fitting.targets import HAIR_NM, Window
from assistant.units import NM_PER_THOU

_LEAST_LEFT = 0.1
_HAIRS = 10.0
"""Times the risk limit that a ring may end above the most by less than a hair."""
_GUARD = 0.8
"""Spreads above the least below which a ring is likely not to be accepted at once."""
_PASSES_AGAIN = 1.15
_PASSES_PER_NM = 0.05 / NM_PER_THOU
_WORTH_BITS = 0.3
"""A reading that tells this much is taken before a cut: it costs far less than a pass."""
_WORTH_BITS_NEAR = 0.08
"""The same where it is open whether a cut is wanted at all."""

DOUBLE_RISK = 0.002
"""Chance allowed to a cut of ending a hair or more above the most by taking double, besides the
risk limit: nothing but a shy cut helps against it, so a tool that does it costs passes."""
DOUBLE_RISK_OF_A_STEP = 0.006
"""The same for a cut of one step: shyer is only to leave the ring as tight as it is."""
_OPEN = 0.02
"""Chance of being above the most from which a leaf is tried though the least went twice."""


class CutReason(StrEnum):
    """Why this cut, or why none."""

    BUTTING = "butting"  # ring ends touch: the safe first cut, then measure
    SNEAK = "sneak"  # the largest cut that the risk allows
    INSIDE = "inside"  # inside the window with the wanted confidence: do not cut
    LIKELY = "likely"  # likelier inside than not, and no leaf tells more: do not cut
    OVER = "over"  # above the most allowed with the wanted confidence: do not cut
    LIKELY_OVER = "likely over"  # likelier above the most than not: do not cut
    MEASURE = "measure"  # not known well enough: measure first
    RAIL_OK = "rail ok"  # a least only, and it is reached: accepted as found
    TOO_RISKY = "too risky"  # the smallest cut may spoil it: accept, measure again or offer


@dataclass(frozen=True, slots=True)
class CutAdvice:
    """The next cut.

    feed_nm: what to set on the dial, nm (0 for a file or no cut). strokes: file strokes (0 for a
    dial or no cut). p_over: chance of ending above the most allowed after this cut (after the
    smallest settable one, if that is too risky; now, if no cut is advised). expected_passes: passes
    still to come, this one included. p_inside, p_under: chance of being inside the window, or below
    its least, now.
    """

    feed_nm: int
    strokes: int
    reason: CutReason
    p_over: float
    expected_passes: float
    p_inside: float
    p_under: float

    @property
    def cuts(self) -> bool:
        """True if metal is to come off."""
        return self.feed_nm > 0 or self.strokes > 0


def next_cut(belief: Belief, window: Window, bench: Bench) -> CutAdvice:
    """The next cut for a ring of this ``belief`` and ``window``.

    A cut may use all that earlier cuts have left of the ring's risk.
    """
    if belief.butting and belief.readings:
        return _butting_cut(belief, window)
    if not belief.known:
        return _no_cut(CutReason.MEASURE, belief, window)
    leaf = next_leaf(belief, window, bench)
    worth = _WORTH_BITS_NEAR if near(belief, window) else _WORTH_BITS
    worth_it = leaf.leaf_nm is not None and leaf.bits >= worth
    if window.most_nm is None:
        return _rail_cut(belief, window, measure=worth_it)
    if belief.p_above(window.most_nm) >= bench.confidence:
        return _no_cut(CutReason.OVER, belief, window)
    if belief.p_inside(window) >= bench.confidence:
        return _no_cut(CutReason.INSIDE, belief, window)
    over = belief.p_above(window.most_nm)
    if _least_went_twice(belief, window) and over <= 0.5:
        # Never cut, but not taken for inside either while a leaf may tell that it is above.
        ask = worth_it and over > _OPEN
        return _no_cut(CutReason.MEASURE if ask else CutReason.LIKELY, belief, window)
    if worth_it:
        return _no_cut(CutReason.MEASURE, belief, window)
    if belief.p_below(window.least_nm) > 1 - bench.confidence:
        best = _best_cut(belief, window, window.most_nm)
        if best is not None:
            return best
    if leaf.leaf_nm is not None:
        return _no_cut(CutReason.MEASURE, belief, window)
    if belief.p_above(window.most_nm) > 0.5:
        return _no_cut(CutReason.LIKELY_OVER, belief, window)
    if belief.p_below(window.least_nm) <= 0.5:
        return _no_cut(CutReason.LIKELY, belief, window)
    smallest = p_over_after(belief, bench.grinder.unit_step, window.most_nm)
    return replace(_no_cut(CutReason.TOO_RISKY, belief, window), p_over=smallest)


def is_narrow(window: Window, bench: Bench) -> bool:
    """Whether the last cut cannot be aimed so that it stays within the risk above and, with the
    job's confidence, above the least: its spread and half a step are too much for the window.

    The distance is that of two quantiles of the normal distribution of the last cut.
    """
    if window.width_nm is None:
        return False
    grinder = bench.grinder
    sd_nm = hypot(grinder.cut_sd_nm, bench.person.offset_sd_nm)
    wanted_nm = (quantile(1 - bench.over_risk) + quantile(bench.confidence)) * sd_nm
    wanted_nm += grinder.unit_step * grinder.unit_rate_nm / 2
    return bool(wanted_nm > window.width_nm + HAIR_NM)


def _least_went_twice(belief: Belief, window: Window) -> bool:
    """Whether one leaf of the least or more went easily twice in this seating.

    A ring inside is never cut, and a builder who sees a leaf go twice will not believe otherwise.
    """
    went = Counter(
        reading.leaf_nm
        for reading in belief.tried
        if reading.feel in (Feel.DROPS, Feel.GOES) and reading.leaf_nm >= window.least_nm
    )
    return any(count >= 2 for count in went.values())


def _best_cut(belief: Belief, window: Window, most_nm: int) -> CutAdvice | None:
    """Of all feeds within the risk, the one with the fewest passes to come; None if there is none.

    One step of look-ahead. A ring that ends below the least costs about one pass more, and a little
    for each thou that is left; one that ends inside costs none. Compared with the optimum of a
    dynamic programme in tests/benchmarks.
    """
    bench = belief.bench
    grinder = bench.grinder
    step = grinder.unit_step
    # A cut made against all advice must not forbid the careful ones after it.
    left = max(bench.over_risk - belief.spent_risk, bench.over_risk * _LEAST_LEFT)
    most_units = max(_most_units(bench), step)
    best: tuple[float, int] | None = None
    rising = 0
    by_hairs = 0
    for share, units in ((DOUBLE_RISK, most_units), (DOUBLE_RISK_OF_A_STEP, step)):
        by_excess = _largest(belief, most_nm + HAIR_NM, left, units, share)
        by_hairs = by_hairs or _largest(
            belief, most_nm, _HAIRS * bench.over_risk, by_excess, _HAIRS * share
        )
    for units in range(by_hairs, 0, -step):
        after = _passes_after(belief, units, window)
        if best is None or after < best[0] - 0.005:
            best, rising = (after, units), 0
        else:
            rising += 1
            if rising > 3:
                break
    if best is None:
        return None
    after, units = best
    p_over = p_over_after(belief, units, most_nm)
    return _cut(units, CutReason.SNEAK, p_over, 1.0 + after, belief, window)


def _passes_after(belief: Belief, units: int, window: Window) -> float:
    """Passes to come after a cut of ``units``, over all that is not known of gap and rate."""
    bench = belief.bench
    spread_nm = hypot(bench.grinder.spread_nm(units), reading_sd_nm(bench, 1))
    gap_nm = belief.felt_nm - bench.person.offset_nm
    short_nm = window.least_nm - gap_nm - belief.rates[:, np.newaxis] * units
    # Not accepted with ``confidence`` unless it is a little more than the least.
    again = chance_below_quick(short_nm / spread_nm + _GUARD)
    rest = again * (_PASSES_AGAIN + _PASSES_PER_NM * np.maximum(short_nm, 0.0))
    return float((belief.weights * rest).sum())


def p_over_after(belief: Belief, units: int, limit_nm: float) -> float:
    """Chance that the gap is above ``limit_nm`` after ``units`` more (nm of feed, or strokes)."""
    chance = belief.double_chance
    once, twice = (over_by(belief, units, limit_nm, times) for times in (1, 2))
    return (1 - chance) * once + chance * twice


def over_by(belief: Belief, units: int, limit_nm: float, times: int) -> float:
    """The same, if the cut takes ``times`` (1 or 2) what is set."""
    bench, removal_nm = belief.bench, times * belief.rates[:, np.newaxis] * units
    sd_nm = times * bench.grinder.spread_nm(units)
    if times > 1:
        sd_nm = hypot(sd_nm, DOUBLE_SD * bench.grinder.unit_rate_nm * units)
    sd_nm = max(hypot(sd_nm, bench.person.offset_sd_nm), 1.0)
    over_nm = belief.felt_nm - bench.person.offset_nm + removal_nm - limit_nm
    return float((belief.weights * chance_below_quick(over_nm / sd_nm)).sum())


def _largest(
    belief: Belief, limit_nm: float, risk: float, most_units: int, by_double: float = 0.0
) -> int:
    """Largest cut, in units and whole steps, with at most ``risk`` of passing ``limit_nm``, and at
    most ``by_double`` of passing it by taking double."""
    step, chance = belief.bench.grinder.unit_step, belief.double_chance
    low, high = 0, max(most_units // step, 0)
    while low < high:
        middle = (low + high + 1) // 2
        units = middle * step
        if (1 - chance) * over_by(belief, units, limit_nm, 1) <= risk and (
            chance <= by_double or chance * over_by(belief, units, limit_nm, 2) <= by_double
        ):
            low = middle
        else:
            high = middle - 1
    return low * step


def _units_for(bench: Bench, removal_nm: float) -> int:
    """Units of cutting expected to take off ``removal_nm``, rounded down."""
    return max(floor(removal_nm / bench.grinder.unit_rate_nm), 0)


def _most_units(bench: Bench) -> int:
    """Units of the largest cut: neither what comes off nor what a dial is set to is more."""
    grinder = bench.grinder
    units = _units_for(bench, grinder.largest_cut_nm)
    return min(units, grinder.largest_cut_nm) if grinder.kind is GrinderKind.DIAL else units


def _butting_cut(belief: Belief, window: Window) -> CutAdvice:
    """The safe first cut: even the widest gap it may have must not pass the least allowed."""
    grinder = belief.bench.grinder
    wanted_nm = min(grinder.butting_cut_nm, grinder.largest_cut_nm)
    most_units = min(_units_for(belief.bench, wanted_nm), _most_units(belief.bench))
    units = _largest(belief, window.least_nm, belief.bench.over_risk, most_units, DOUBLE_RISK)
    if not units:
        return _no_cut(CutReason.MEASURE, belief, window)
    p_over = 0.0 if window.most_nm is None else p_over_after(belief, units, window.most_nm)
    return _cut(units, CutReason.BUTTING, p_over, 3.0, belief, window)


def _rail_cut(belief: Belief, window: Window, *, measure: bool) -> CutAdvice:
    """A least only: accepted as found once it is reached; else cut so that it surely is."""
    bench = belief.bench
    if belief.p_below(window.least_nm) <= 1 - bench.confidence:
        return _no_cut(CutReason.RAIL_OK, belief, window)
    if measure:
        return _no_cut(CutReason.MEASURE, belief, window)
    step = bench.grinder.unit_step
    rest_nm = window.least_nm - belief.quantile(1 - bench.confidence)
    units = -(-_units_for(bench, rest_nm) // step) * step + step
    most = max(_most_units(bench) // step * step, step)
    return _cut(min(units, most), CutReason.SNEAK, 0.0, 1.0, belief, window)


def _cut(
    units: int,
    reason: CutReason,
    p_over: float,
    passes: float,
    belief: Belief,
    window: Window,
) -> CutAdvice:
    dial = belief.bench.grinder.kind is GrinderKind.DIAL
    feed_nm, strokes = (units, 0) if dial else (0, units)
    return CutAdvice(
        feed_nm, strokes, reason, p_over, passes, belief.p_inside(window),
        belief.p_below(window.least_nm),
    )  # fmt: skip


def _no_cut(reason: CutReason, belief: Belief, window: Window) -> CutAdvice:
    over = 0.0 if window.most_nm is None else belief.p_above(window.most_nm)
    return CutAdvice(
        0, 0, reason, over, 0.0, belief.p_inside(window), belief.p_below(window.least_nm)
    )
