"""Which leaf to try next, and when enough has been measured.

A reading is worth what it tells: the mutual information between how the leaf will feel and the gap.
Measuring stops when the window is decided with the wanted confidence, when the gap is known better
than the next cut can be made, or when no leaf tells much more.
"""

from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from math import exp, hypot, log

import numpy as np

from assistant.fitting.belief import Belief
from assistant.fitting.bench import Bench
from assistant.fitting.feel import all_chances, reading_sd_nm
from assistant.fitting.normal import entropy_terms
from assistant.fitting.targets import HAIR_NM, Window
from assistant.units import NM_PER_THOU

_ENOUGH_NM = 1.1 * NM_PER_THOU
"""Width of the 95 % interval that is good enough: about half a thou to either side."""
_LITTLE_BITS = 0.25
_LITTLE_BITS_NEAR = 0.07
_MOST_READINGS = 7
_SHARE_OF_CUT = 0.6
_MOST_LEAVES = 9
_MOST_STACKS = 4
_MOST_COLUMNS = 120


@dataclass(frozen=True, slots=True)
class LeafAdvice:
    """What to try next.

    leaf_nm: thickness to try, nm; None when the gap is known well enough. stack: the leaves on hand
    that make it, thinnest first. bits: what the best answer is expected to tell, in bits.
    """

    leaf_nm: int | None
    stack: tuple[int, ...]
    bits: float


@lru_cache(maxsize=64)
def next_leaf(belief: Belief, window: Window, bench: Bench) -> LeafAdvice:
    """The leaf, or stack of two, whose answer is expected to tell most."""
    if belief.known and _known_enough(belief, window, bench):
        return LeafAdvice(None, (), 0.0)
    stacks = _stacks_to_try(belief, bench)
    deciding = _just_enough(window.least_nm, bench)
    if window.most_nm is None and _is_open(belief, window, sum(deciding)):
        stacks = [deciding]
    bits = [
        told * _repeat_share(belief, stack)
        for told, stack in zip(expected_bits(belief, stacks), stacks, strict=True)
    ]
    best = int(np.argmax(bits))
    little = _LITTLE_BITS
    if near(belief, window) or not _one_step_fits(belief, window, bench):
        little = _LITTLE_BITS_NEAR
    if belief.known and (bits[best] < little or _tried(belief) >= _MOST_READINGS):
        return LeafAdvice(None, (), float(bits[best]))
    return LeafAdvice(sum(stacks[best]), stacks[best], float(bits[best]))


def expected_bits(belief: Belief, stacks: list[tuple[int, ...]]) -> list[float]:
    """Mutual information, bits, between the feel of each stack and the gap (Shannon 1948)."""
    felt_nm, felt = belief.felt_nm, belief.felt
    # A wide belief is looked at through wider columns; what a leaf tells does not change by it.
    every = -(-len(felt) // _MOST_COLUMNS)
    if every > 1:
        starts = np.arange(0, len(felt), every)
        felt_nm = felt_nm[np.minimum(starts + every // 2, len(felt) - 1)]
        felt = np.add.reduceat(felt, starts)
    bits = []
    for stack in stacks:
        sd_nm = reading_sd_nm(belief.bench, len(stack))
        each = all_chances(felt_nm - sum(stack), sd_nm, belief.bench.person.only_goes)
        told = entropy_terms(each @ felt).sum() - entropy_terms(each).sum(axis=0) @ felt
        bits.append(float(told) / log(2))
    return bits


def _tried(belief: Belief) -> int:
    """Readings that told something: of one leaf no more than two."""
    times = Counter(reading.leaf_nm for reading in belief.tried)
    return sum(min(count, 2) for count in times.values())


def _repeat_share(belief: Belief, stack: tuple[int, ...]) -> float:
    """Share of its bits that a leaf still tells when tried again: its own error stays the same."""
    times = sum(reading.leaf_nm == sum(stack) for reading in belief.tried)
    return (1.0, 0.6, 0.0)[min(times, 2)]


def near(belief: Belief, window: Window) -> bool:
    """True if it is open whether the gap is below the least, or above the most."""
    above = 0.0 if window.most_nm is None else belief.p_above(window.most_nm)
    return belief.p_below(window.least_nm) < 0.98 or above > 0.02


def _known_enough(belief: Belief, window: Window, bench: Bench) -> bool:
    if belief.p_inside(window) >= bench.confidence:
        return True
    if window.most_nm is not None and belief.p_above(window.most_nm) >= bench.confidence:
        return True
    if near(belief, window) or not _one_step_fits(belief, window, bench):
        return False
    if belief.quantile(0.975) - belief.quantile(0.025) <= _ENOUGH_NM:
        return True
    grinder = bench.grinder
    rest_nm = min(max(window.target_nm - belief.mean_nm, 0.0), grinder.largest_cut_nm)
    cut_sd_nm = hypot(grinder.cut_sd_nm, grinder.unit_rate_sd * rest_nm)
    return belief.sd_nm <= _SHARE_OF_CUT * cut_sd_nm


def _one_step_fits(belief: Belief, window: Window, bench: Bench) -> bool:
    """Whether even the tail of the gap, and of the rate, leaves room for the smallest cut.

    Where it does not, no cut is allowed: the only way on is to measure.
    """
    if window.most_nm is None:
        return True
    grinder = bench.grinder
    widest_nm = belief.quantile(1 - bench.over_risk)
    step_nm = grinder.unit_step * grinder.unit_rate_nm * exp(3 * grinder.unit_rate_sd)
    return widest_nm + step_nm + 3 * grinder.cut_sd_nm <= window.most_nm + HAIR_NM


def _is_open(belief: Belief, window: Window, leaf_nm: int) -> bool:
    """Whether a least only is neither reached nor missed yet, and the leaf that decides untried.

    One that goes says all that is asked.
    """
    if any(reading.leaf_nm == leaf_nm for reading in belief.tried):
        return False
    sure = belief.bench.confidence
    return not belief.seen or 1 - sure < belief.p_below(window.least_nm) < sure


def _just_enough(least_nm: int, bench: Bench) -> tuple[int, ...]:
    """The leaf, or stack of two, that is the least or as little more as can be; else the thickest
    leaf."""
    single = sorted(set(bench.leaves_nm)) or [bench.thinnest_nm]
    ways: list[tuple[int, ...]] = [(leaf,) for leaf in single]
    ways += [(a, b) for place, a in enumerate(single) for b in single[place + 1 :]]
    enough = [way for way in ways if sum(way) >= least_nm]
    return min(enough, key=lambda way: (sum(way), len(way)), default=(single[-1],))


def _stacks_to_try(belief: Belief, bench: Bench) -> list[tuple[int, ...]]:
    """Single leaves, and stacks of two where no single leaf is near the middle of the belief."""
    single = sorted(set(bench.leaves_nm)) or [bench.thinnest_nm]
    low_nm = belief.quantile(0.02) - NM_PER_THOU
    high_nm = belief.quantile(0.98) + NM_PER_THOU
    inside = [leaf for leaf in single if low_nm <= leaf <= high_nm]
    every = -(-len(inside) // _MOST_LEAVES)
    stacks: list[tuple[int, ...]] = [(leaf,) for leaf in inside[:: max(every, 1)]]
    middle_nm = belief.quantile(0.5)
    nearest = min(single, key=lambda leaf: abs(leaf - middle_nm))
    if middle_nm > single[0] and abs(nearest - middle_nm) > NM_PER_THOU / 2:
        pairs = [
            (a, b)
            for place, a in enumerate(single)
            for b in single[place + 1 :]
            if abs(a + b - middle_nm) <= 2 * NM_PER_THOU
        ]
        # Of equal sums the one with the thickest leaf: easier to hold than two middling ones.
        pairs.sort(key=lambda pair: (abs(sum(pair) - middle_nm), -pair[1]))
        stacks += pairs[:_MOST_STACKS]
    return stacks or [(nearest,)]
