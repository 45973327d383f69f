"""What finished rings teach: the rate of the grinder (or file), the spread of a cut, of feel.

Rings are taken one after the other. The rate's belief after one ring is the prior of the next,
widened a little: wheels and files wear, hands tire. The two spreads are weighed over a few factors
by how likely they make all facts of a ring (its evidence), and their mean is used.
The person's offset cannot be learned from rings (it cancels in every difference); see Person.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, sqrt

import numpy as np

from assistant.fitting.belief import believe
from assistant.fitting.bench import Bench, Grinder, GrinderKind
from assistant.fitting.facts import Cut, Fact
from assistant.fitting.targets import Window

DRIFT = 0.02
"""Widening of the rate from ring to ring, as a share of it (no source)."""


@dataclass(frozen=True, slots=True)
class FinishedRing:
    """All facts of one ring, oldest first, and its window."""

    facts: tuple[Fact, ...]
    window: Window


def learn(bench: Bench, rings: Sequence[FinishedRing]) -> Bench:
    """``bench`` with the rate of its grinder as ``rings``, oldest first, have taught it.

    Rings without a cut by the bench's own kind of tool teach nothing of the rate.
    """
    for ring in rings:
        bench = replace(bench, grinder=_learn_rate(bench, ring))
    return bench


def _learn_rate(bench: Bench, ring: FinishedRing) -> Grinder:
    grinder = bench.grinder
    if not any(isinstance(fact, Cut) and grinder.units(fact) for fact in ring.facts):
        return grinder
    belief = believe(ring.facts, bench, window=ring.window)
    shares = belief.weights.sum(axis=1)
    logs = np.log(belief.rates)
    mean = float(shares @ logs)
    sd = sqrt(float(shares @ (logs - mean) ** 2) + DRIFT**2)
    # One ring never makes the rate less certain than it was.
    sd = min(sd, sqrt(grinder.unit_rate_sd**2 + DRIFT**2))
    if grinder.kind is GrinderKind.DIAL:
        return replace(grinder, rate=exp(mean), rate_sd=sd)
    return replace(grinder, per_stroke_nm=exp(mean), per_stroke_sd=sd)
