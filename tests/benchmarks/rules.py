"""Rules of thumb that people follow, played by numpy on many rings at once.

All of them measure once before each cut: two leaves, bracketing the gap, read to half a thou, with
the same spread, offset and leaf error as in shop.py. Lengths thou.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from shop import Scenario

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rule:
    """How much to feed for what was read, thou; it stops so much over the least, thou."""

    feed: Callable[[Floats, Scenario], Floats]
    stop_over: float = 0.0


READINGS_PER_PASS = 2
_MOST_PASSES = 60


def halve_the_rest(read: Floats, scenario: Scenario) -> Floats:
    """Half of what is missing to the middle of the window."""
    rest = (scenario.least + scenario.most) / 2 - read
    return np.maximum(_down(rest / 2, scenario), scenario.step)


def one_thou(read: Floats, scenario: Scenario) -> Floats:
    """A thou at a time, the smallest step within a thou of the least."""
    return np.where(scenario.least - read > 1.0, 1.0, scenario.step)


def safe_steps(read: Floats, scenario: Scenario) -> Floats:
    """Three thou while more than five are missing, one while more than one, else the smallest."""
    rest = scenario.least - read
    return np.where(rest > 5.0, 3.0, np.where(rest > 1.0, 1.0, scenario.step))


def most_of_the_rest(read: Floats, scenario: Scenario) -> Floats:
    """70 % of what is missing to the middle of the window; within a thou of it, a step."""
    rest = (scenario.least + scenario.most) / 2 - read
    return np.where(
        rest > 1.0, np.maximum(_down(0.7 * rest, scenario), scenario.step), scenario.step
    )


RULES = {
    "halve the rest": Rule(halve_the_rest),
    "halve, careful": Rule(halve_the_rest, stop_over=0.5),
    "70 %, careful": Rule(most_of_the_rest, stop_over=0.5),
    "one thou": Rule(one_thou),
    "safe steps": Rule(safe_steps),
}
"""The careful ones go on until a leaf says half a thou more than the least."""


def play_rule(
    rule: Rule, scenario: Scenario, rings: int, seed: int
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Passes, spoiled and final true gaps of ``rings`` rings; arrays of that length."""
    rng = np.random.default_rng(seed)
    engines = -(-rings // scenario.rings_per_engine)

    def per_engine(values: Floats) -> Floats:
        return np.repeat(values, scenario.rings_per_engine)[:rings]

    rate = per_engine(scenario.rate * (1 + scenario.rate_sd * rng.standard_normal(engines)))
    rate = np.maximum(rate, 0.2)
    offset = per_engine(scenario.offset_sd * rng.standard_normal(engines))
    gap = rng.uniform(*scenario.start, rings)
    butts = rng.random(rings) < scenario.butting
    gap[butts] = -10.0 * rng.random(int(butts.sum()))
    passes = np.zeros(rings)
    spoiled = np.zeros(rings, dtype=bool)
    live = np.ones(rings, dtype=bool)
    for _ in range(_MOST_PASSES):
        tilt = np.where(rng.random(rings) < scenario.tilt, rng.exponential(size=rings), 0.0)
        wide = np.where(rng.random(rings) < scenario.clumsy, 3.0, 1.0)
        leaf_error = rng.uniform(-scenario.leaf_tol, scenario.leaf_tol, rings)
        felt = gap + tilt + offset - leaf_error
        felt += wide * scenario.feel_sd * rng.standard_normal(rings)
        read = np.round(felt * 2) / 2
        wrong = rng.random(rings) < scenario.misheard
        read = np.where(wrong, read + rng.choice([-1.0, 1.0], rings), read)
        live &= read < scenario.least + rule.stop_over
        if not live.any():
            break
        # A ring that butts has no reading: ten thou first, as everybody does.
        feed = np.where(gap <= 0, 10.0, rule.feed(read, scenario))
        removal = np.maximum(rate * feed + scenario.cut_sd * rng.standard_normal(rings), 0.0)
        gap = np.where(live, gap + removal, gap)
        passes += live
        spoiled |= live & (gap > scenario.most)
    return passes, spoiled, gap


def _down(feed: Floats, scenario: Scenario) -> Floats:
    return np.floor(feed / scenario.step + 1e-9) * scenario.step
