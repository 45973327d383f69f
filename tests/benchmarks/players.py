"""Plays whole engines ring by ring with the product's own judgement, or with the optimum's cuts.

The loop is the program's: believe, ask for the next cut, try the leaf that is advised, ask back
what is doubted, cut, learn when a ring is done. Only the choice of the cut differs between players.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from math import floor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from optimum import Problem, Solution, solve
from shop import NM_PER_THOU, SLOT_THOU, SLOT_TRIES, Engine, Scenario

from assistant.fitting.belief import Belief, believe
from assistant.fitting.bench import Bench, Grinder, GrinderKind
from assistant.fitting.doubt import doubt
from assistant.fitting.facts import Cut, Feel, Reading
from assistant.fitting.learning import FinishedRing, learn, offset
from assistant.fitting.removal import (
    CutAdvice,
    CutReason,
    LeafAdvice,
    next_cut,
    next_leaf,
    p_over_after,
)
from assistant.fitting.targets import HAIR_NM, Window

PLAYERS = ("ours", "optimum", "knowing optimum", "priced optimum")
_RATE_SDS = (0.005, 0.02, 0.03, 0.045, 0.07, 0.10)
_WORTH_BITS = 0.12

CutChoice = Callable[[Belief, Window, Bench], CutAdvice]


@dataclass(frozen=True)
class Outcome:
    """How one ring ended. gap: true gap, thou. double_chance: what the bench believed before it of
    the chance that a cut takes double. p_inside: what it believed at the end."""

    passes: int
    readings: int
    spoiled: bool
    gap: float
    reason: CutReason
    asked: int
    double_chance: float
    p_inside: float


def window_of(scenario: Scenario) -> Window:
    """The product's window of a scenario."""
    least_nm, most_nm = (round(x * NM_PER_THOU) for x in (scenario.least, scenario.most))
    half_nm = NM_PER_THOU // 2
    return Window(least_nm, most_nm, (least_nm + most_nm) // 2 // half_nm * half_nm)


def bench_for(scenario: Scenario) -> Bench:
    """The product's default bench with the scenario's dial and leaves; it knows nothing else."""
    leaves = tuple(round(x * NM_PER_THOU) for x in np.arange(2.0, 30.01, scenario.leaf_step))
    step_nm = round(scenario.step * NM_PER_THOU)
    kind = GrinderKind.FILE if scenario.file else GrinderKind.DIAL
    return replace(Bench(grinder=Grinder(kind=kind, step_nm=step_nm)), leaves_nm=leaves)


def play(player: str, scenario: Scenario, engines: int, seed: int) -> tuple[list[Outcome], int]:
    """``engines`` engines played by one of PLAYERS; outcomes, engines."""
    rng = np.random.default_rng(seed)
    outcomes: list[Outcome] = []
    for _ in range(engines):
        outcomes += _play_engine(player, scenario, rng)
    return outcomes, engines


def _play_engine(player: str, scenario: Scenario, rng: np.random.Generator) -> list[Outcome]:
    engine = Engine(scenario, rng)
    bench = bench_for(scenario)
    window = window_of(scenario)
    if scenario.slot:
        bench = replace(bench, person=offset(bench, round(SLOT_THOU * NM_PER_THOU), slot(engine)))
    if player == "knowing optimum":
        # It is told the true rate, so it has nothing to learn of the grinder.
        bench = replace(bench, grinder=replace(bench.grinder, rate=engine.rate, rate_sd=0.005))
    choose = next_cut
    if player != "ours":
        risk = 1.0 if player == "priced optimum" else bench.over_risk
        choose = partial(_optimal_cut, risk=risk)
    outcomes = []
    for _ in range(scenario.learned_rings + scenario.rings_per_engine):
        outcome, facts = play_ring(engine, window, bench, choose)
        outcomes.append(outcome)
        if player != "knowing optimum":
            bench = learn(bench, [FinishedRing(facts, window)])
    return outcomes[scenario.learned_rings :]


def slot(engine: Engine) -> list[Reading]:
    """Leaves tried in a slot of SLOT_THOU: one of that thickness and those next to it, by turns."""
    step = engine.scenario.leaf_step
    readings = []
    for number in range(SLOT_TRIES):
        engine.seat()
        leaf_nm = round((SLOT_THOU + step * (number % 3 - 1)) * NM_PER_THOU)
        readings.append(Reading(leaf_nm, Feel(engine.feel(SLOT_THOU, (leaf_nm,)))))
    return readings


def play_ring(
    engine: Engine, window: Window, bench: Bench, choose: CutChoice
) -> tuple[Outcome, tuple[Reading | Cut, ...]]:
    gap, tilt = engine.start_gap(), engine.seat()
    facts: tuple[Reading | Cut, ...] = ()
    passes = readings = asked = 0
    spoiled = False
    while True:
        belief = believe(facts, bench, window=window)
        advice = choose(belief, window, bench)
        if advice.cuts:
            if advice.strokes:
                gap = engine.strokes(gap, advice.strokes)
            else:
                gap = engine.cut(gap, advice.feed_nm / NM_PER_THOU)
            tilt = engine.seat()
            passes += 1
            spoiled = spoiled or gap > engine.scenario.most
            facts = (*facts, Cut(feed_nm=advice.feed_nm, strokes=advice.strokes))
            continue
        if advice.reason is not CutReason.MEASURE:
            break
        leaf = next_leaf(belief, window, bench)
        reading = _call(engine, gap + tilt, leaf, bench, mishear=True)
        readings += 1
        if doubt(belief, reading) is not None:
            # Asked back: the builder looks again and what is said now is taken.
            asked += 1
            reading = _call(engine, gap + tilt, leaf, bench, mishear=False)
        facts = (*facts, reading)
    grinder = bench.grinder
    chance = grinder.doubles / grinder.counted_cuts
    ended = advice.reason
    outcome = Outcome(passes, readings, spoiled, gap, ended, asked, chance, advice.p_inside)
    return outcome, facts


def _call(engine: Engine, gap: float, leaf: LeafAdvice, bench: Bench, *, mishear: bool) -> Reading:
    feel = engine.feel(gap, leaf.stack)
    if feel == "no go" and leaf.stack == (bench.thinnest_nm,):
        return Reading(0, Feel.BUTTS)
    leaf_nm = sum(leaf.stack)
    if mishear:
        leaf_nm, feel = engine.heard(leaf_nm, feel)
    return Reading(leaf_nm, Feel(feel), len(leaf.stack))


def _optimal_cut(belief: Belief, window: Window, bench: Bench, *, risk: float) -> CutAdvice:
    """The dynamic programme's cut; measured as the program measures before it is asked."""
    advice = next_cut(belief, window, bench)
    if not belief.known or advice.reason in (CutReason.BUTTING, CutReason.OVER):
        return advice
    leaf = next_leaf(belief, window, bench)
    measure = replace(advice, feed_nm=0, reason=CutReason.MEASURE)
    if advice.reason is CutReason.MEASURE and leaf.bits >= _WORTH_BITS:
        return measure
    grinder = bench.grinder
    solution = _solution(
        (window.most_nm - window.least_nm) / NM_PER_THOU,
        grinder.step_nm / NM_PER_THOU,
        min(_RATE_SDS, key=lambda sd: abs(sd - grinder.rate_sd)),
        risk,
    )
    sd = (belief.quantile(0.8413) - belief.quantile(0.1587)) / 2 / NM_PER_THOU
    feed = solution.best((window.most_nm - belief.mean_nm) / NM_PER_THOU, sd)
    steps = floor(feed * NM_PER_THOU / grinder.rate / grinder.step_nm + 0.5)
    # The true belief is not quite normal: the limit is kept by it, not by its normal likeness.
    while steps and (
        p_over_after(belief, steps * grinder.step_nm, window.most_nm + HAIR_NM) > risk
        or p_over_after(belief, steps * grinder.step_nm, window.most_nm) > 10 * risk
    ):
        steps -= 1
    if steps:
        return replace(advice, feed_nm=steps * grinder.step_nm, reason=CutReason.SNEAK)
    if leaf.leaf_nm is not None:
        return measure
    below = belief.p_below(window.least_nm) > 0.5
    return replace(advice, feed_nm=0, reason=CutReason.TOO_RISKY if below else CutReason.INSIDE)


@lru_cache(maxsize=64)
def _solution(width: float, step: float, rate_sd: float, risk: float) -> Solution:
    return solve(Problem(width=width, step=step, rate_sd=rate_sd, risk=risk))
