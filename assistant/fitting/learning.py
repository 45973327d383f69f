"""What finished rings teach: the rate of the grinder (or file), the spread of a cut, of feel.

Rings are taken one after the other. The rate's belief after one ring is the prior of the next,
widened a little: wheels and files wear, hands tire. The two spreads move by how much likelier all
facts of a ring become when a spread is a little wider or narrower (its evidence): one Newton step
on a normal prior of the spread's logarithm. How a person speaks is learned from the words used.
The person's offset cannot be learned from rings (it cancels in every difference); see ``offset``.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, sqrt

import numpy as np

from assistant.fitting.belief import ONLY_GOES_REFUTED, Belief, believe, log_evidence
from assistant.fitting.bench import Bench, Grinder, GrinderKind, Person
from assistant.fitting.facts import Cut, Fact, Feel, Reading
from assistant.fitting.targets import Window
from assistant.units import NM_PER_THOU

DRIFT = 0.007
"""Widening of the rate from ring to ring, as a share of it (no source)."""

_STEP = 0.3
_FACTORS = (exp(-_STEP), exp(_STEP))
_LEAST_DOUBT = 0.08
_LARGEST_MOVE = 0.3
PEOPLE_SD_NM = NM_PER_THOU / 2
"""How much leaves feel looser or tighter from one person to the next, before a slot was felt (order
of half a thou; common practice, no source)."""
_COUNTED = 100.0
"""Cuts that the chance of a double cut is judged by, at most (no source)."""
_FINE_SHARE = 0.5
"""Share of readings in which a person who speaks finely says "almost" or "snug" (no source)."""


@dataclass(frozen=True, slots=True)
class FinishedRing:
    """All facts of one ring, oldest first, and its window."""

    facts: tuple[Fact, ...]
    window: Window


def learn(bench: Bench, rings: Sequence[FinishedRing]) -> Bench:
    """``bench`` as ``rings``, oldest first, have taught it: rate, spreads, way of speaking.

    A ring without a cut by the bench's own kind of tool teaches nothing of the grinder. Apply it
    to each ring once, when it is accepted or given up; undone facts must not be among them.
    """
    for ring in rings:
        grinder, person = bench.grinder, bench.person
        base = _evidence(bench, ring)
        learned = _learn_rate(bench, ring)
        if learned is not grinder:
            cut_sds = [grinder.cut_sd_nm * factor for factor in _FACTORS]
            logs = [
                _evidence(replace(bench, grinder=replace(grinder, cut_sd_nm=sd)), ring)
                for sd in cut_sds
            ]
            factor, doubt = _newton(logs[0], base, logs[1], grinder.cut_sd_doubt)
            learned = replace(learned, cut_sd_nm=grinder.cut_sd_nm * factor, cut_sd_doubt=doubt)
            if grinder.kind is GrinderKind.FILE:
                learned = _learn_pass(learned, bench, ring, base)
        spreads = [person.spread_nm * factor for factor in _FACTORS]
        logs = [
            _evidence(replace(bench, person=replace(person, spread_nm=sd)), ring) for sd in spreads
        ]
        factor, doubt = _newton(logs[0], base, logs[1], person.spread_doubt)
        person = replace(
            _learn_words(person, ring), spread_nm=person.spread_nm * factor, spread_doubt=doubt
        )
        bench = replace(bench, grinder=learned, person=person)
    return bench


def offset(bench: Bench, slot_nm: int, readings: Sequence[Reading]) -> Person:
    """The person of ``bench`` with an offset set from leaves tried in a slot of known width.

    The felt gap of the readings, minus ``slot_nm``, is a measurement of the offset; it is weighed
    with what was assumed (normal-normal update).
    """
    person = bench.person
    felt = slot_seen(bench, readings)
    # No leaf reading is finer than its leaf, however sharp the table is.
    sd_nm = max(felt.sd_nm, bench.leaf_tol_nm / sqrt(3))
    if person.offset_sd_nm <= 0:
        return person
    # Who has felt no slot yet is one of many people, who differ far more than one person drifts.
    assumed_nm = person.offset_sd_nm if person.offset_nm else max(person.offset_sd_nm, PEOPLE_SD_NM)
    offset_nm, variance = combine(person.offset_nm, assumed_nm**2, felt.mean_nm - slot_nm, sd_nm**2)
    return replace(person, offset_nm=offset_nm, offset_sd_nm=sqrt(variance))


def slot_seen(bench: Bench, readings: Sequence[Reading]) -> Belief:
    """How wide a slot feels: as a ring that cannot be tilted, and no offset taken off."""
    person = replace(bench.person, offset_nm=0.0, offset_sd_nm=0.0)
    return believe(readings, replace(bench, person=person, tilt_share=0.0))


def combine(
    mean: float, variance: float, other_mean: float, other_variance: float
) -> tuple[float, float]:
    """Mean and variance of two independent normal estimates of one quantity, taken together.

    The product of two Gaussians: precisions add, means are weighed by them. One step of the filter
    of a constant state. Raises ValueError unless both variances are positive.
    """
    if variance <= 0 or other_variance <= 0:
        raise ValueError(
            f"Variances of {variance:g} and {other_variance:g} cannot be combined: "
            "both must be above 0."
        )
    gain = variance / (variance + other_variance)
    return mean + gain * (other_mean - mean), (1 - gain) * variance


def _evidence(bench: Bench, ring: FinishedRing) -> float:
    return log_evidence(ring.facts, bench, window=ring.window)


def _newton(narrower: float, base: float, wider: float, doubt: float) -> tuple[float, float]:
    """Factor for a spread and its new doubt: one Newton step on the logarithm of the spread.

    narrower, base, wider: evidence with the spread times _FACTORS[0], 1, _FACTORS[1]. The prior of
    the logarithm is normal with spread ``doubt``.
    """
    slope = (wider - narrower) / (2 * _STEP)
    bend = (wider - 2 * base + narrower) / _STEP**2
    precision = 1 / doubt**2 + max(-bend, 0.0)
    move = min(max(slope / precision, -_LARGEST_MOVE), _LARGEST_MOVE)
    return exp(move), max(1 / sqrt(precision), _LEAST_DOUBT)


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
    # What was long ago counts less: wheels and hands change, and a surprise must still be one.
    kept = min(1.0, _COUNTED / belief.counted_cuts)
    grinder = replace(
        grinder, doubles=kept * belief.doubles, counted_cuts=kept * belief.counted_cuts
    )
    if grinder.kind is GrinderKind.DIAL:
        return replace(grinder, rate=exp(mean), rate_sd=sd)
    return replace(grinder, per_stroke_nm=exp(mean), per_stroke_sd=sd)


def _learn_pass(learned: Grinder, bench: Bench, ring: FinishedRing, base: float) -> Grinder:
    """``learned`` with the spread of a pass of the file, by the evidence on ``bench``."""
    grinder = bench.grinder
    sds = [grinder.per_pass_sd * factor for factor in _FACTORS]
    logs = [_evidence(replace(bench, grinder=replace(grinder, per_pass_sd=sd)), ring) for sd in sds]
    factor, doubt = _newton(logs[0], base, logs[1], grinder.per_pass_doubt)
    return replace(learned, per_pass_sd=grinder.per_pass_sd * factor, per_pass_doubt=doubt)


def _learn_words(person: Person, ring: FinishedRing) -> Person:
    """Bayes: each reading without a fine word makes it likelier that there are none."""
    feels = [fact.feel for fact in ring.facts if isinstance(fact, Reading)]
    if any(feel in (Feel.ALMOST, Feel.SNUG) for feel in feels):
        return replace(person, only_goes=min(person.only_goes, ONLY_GOES_REFUTED))
    near = sum(feel is not Feel.BUTTS for feel in feels)
    coarse = person.only_goes
    fine = (1 - coarse) * (1 - _FINE_SHARE) ** (near / 2)
    return replace(person, only_goes=min(max(coarse / (coarse + fine), 0.001), 0.95))
