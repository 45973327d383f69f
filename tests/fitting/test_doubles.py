"""Cuts that take about twice what was set: found by readings, counted, and cut shyly for."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from assistant.fitting.belief import believe
from assistant.fitting.bench import Grinder, GrinderKind
from assistant.fitting.facts import Fact
from assistant.fitting.learning import FinishedRing, learn
from assistant.fitting.removal import CutReason, next_cut, next_leaf, over_by
from assistant.fitting.targets import HAIR_NM
from tests.fitting.ring_calls import (
    BENCH,
    THOU,
    WINDOW,
    Reading,
    almost,
    cut,
    goes,
    quiet_bench,
    snug,
    window,
)

NEW = BENCH.grinder


def test_a_surprise_is_counted_as_in_the_beta_distribution() -> None:
    """Posterior of a Bernoulli trial with a Beta(a, b) prior: a + hits over a + b + trials, the
    mean of the conjugate posterior (from memory of any textbook of Bayesian statistics)."""
    bench = replace(BENCH, grinder=replace(NEW, doubles=1.0, counted_cuts=20.0))
    plain = believe((snug(4), cut(5), snug(9), almost(10)), bench, window=WINDOW)
    double = believe((snug(4), cut(5), snug(14), almost(15)), bench, window=WINDOW)
    assert plain.double_chance == pytest.approx(1 / 21, rel=1e-3)
    assert double.double_chance == pytest.approx(2 / 21, rel=0.02)


def test_a_first_surprise_is_one_even_for_a_new_tool() -> None:
    """Half of it may be a miscall before the cut; the chance still grows more than twentyfold."""
    double = believe((snug(4), cut(5), snug(14), almost(15)), BENCH, window=WINDOW)
    assert double.double_chance > 20 * NEW.doubles / NEW.counted_cuts


def test_a_cut_that_nobody_has_read_yet_changes_nothing_of_the_count() -> None:
    before = believe((snug(4),), BENCH, window=WINDOW)
    after = believe((snug(4), cut(5), cut(2)), BENCH, window=WINDOW)
    assert after.double_chance == pytest.approx(before.double_chance, rel=0.06)


def _plain(facts: list[tuple[str, float]], chance: float, particles: int = 600_000) -> np.ndarray:
    """Weighed particles of a tool that takes double now and then: 5 %, 50 %, 95 % of the gap, thou.

    Another way to the same answer: draws instead of tables, a cut drawn once or twice.
    """
    rng = np.random.default_rng(3)
    gap = rng.uniform(0, 16.5, particles)
    rate = np.exp(0.10 * rng.standard_normal(particles))
    weight = np.ones(particles)
    for kind, number in facts:
        if kind == "cut":
            twice = rng.random(particles) < chance
            spread = np.where(twice, np.hypot(0.5, 0.1 * number), 0.25)
            taken = rate * number * (1 + twice)
            gap = gap + taken + spread * rng.standard_normal(particles)
            continue
        play = gap + 0.25 * rng.standard_normal(particles) - number
        felt = np.where(play < -0.75, 0, np.where(play < -0.25, 1, np.where(play < 0.25, 2, 3)))
        weight = weight * (felt == {"snug": 2, "goes": 3}[kind])
        # Where there is much play, one in five says "drops" instead (feel.py).
        weight = weight * (1 - 0.2 * norm.cdf(play - 2.5) * (felt == 3))
    order = np.argsort(gap)
    share = np.cumsum(weight[order]) / weight.sum()
    return np.interp([0.05, 0.5, 0.95], share, gap[order])


@pytest.mark.parametrize(
    "facts",
    [
        [("snug", 5), ("cut", 4)],
        [("snug", 5), ("cut", 4), ("goes", 9)],
        [("snug", 5), ("cut", 4), ("goes", 9), ("cut", 2), ("goes", 12)],
    ],
)
def test_belief_with_double_cuts_agrees_with_weighed_particles(
    facts: list[tuple[str, float]],
) -> None:
    calls = {"snug": snug, "goes": goes}
    told: list[Fact] = [cut(n) if kind == "cut" else calls[kind](n) for kind, n in facts]
    # Counted so often that the rings here hardly change it.
    grinder = replace(NEW, doubles=3_000.0, counted_cuts=10_000.0)
    bench = replace(quiet_bench(), grinder=grinder)
    belief = believe(told, bench, window=WINDOW)
    wanted = _plain(facts, 0.3)
    found = [belief.quantile(share) / THOU for share in (0.05, 0.5, 0.95)]
    assert found == pytest.approx(list(wanted), abs=0.12)


def test_one_surprise_makes_the_next_cut_shyer_on_this_ring_and_on_the_next() -> None:
    wide = window(25, 26.5)
    least_nm, most_nm = wide.least_nm, wide.most_nm or 0
    plain = (goes(5), snug(6), cut(8), snug(14), almost(15))
    surprise = (snug(2), almost(2.5), cut(6), goes(13), goes(13.5), snug(14), almost(15))
    alike, doubled = (believe(facts, BENCH, window=wide) for facts in (plain, surprise))
    assert doubled.quantile(0.5) == pytest.approx(alike.quantile(0.5), abs=0.2 * THOU)
    bold, shy = (next_cut(belief, wide, BENCH) for belief in (alike, doubled))
    assert bold.reason is shy.reason is CutReason.SNEAK
    # Bold: most of the rest at once. Shy: even twice as much stays below the most.
    assert bold.feed_nm > 0.7 * (least_nm - 14 * THOU)
    assert over_by(doubled, shy.feed_nm, most_nm + HAIR_NM, 2) < 0.05
    taught = learn(BENCH, [FinishedRing(surprise, wide)])
    following = (goes(13), snug(14), almost(15))
    after = next_cut(believe(following, taught, window=wide), wide, taught)
    before = next_cut(believe(following, BENCH, window=wide), wide, BENCH)
    assert after.feed_nm < 0.7 * before.feed_nm


def test_a_tool_that_takes_what_is_set_is_cut_the_bolder_the_longer_it_does() -> None:
    ring = FinishedRing((snug(6), cut(8), snug(14), cut(1), snug(15), goes(15)), WINDOW)
    once, often = learn(BENCH, [ring]).grinder, learn(BENCH, [ring] * 8).grinder
    share = [g.doubles / g.counted_cuts for g in (NEW, once, often)]
    assert share[0] > share[1] > share[2]


def test_long_ago_counts_less_so_that_a_surprise_stays_one() -> None:
    ring = FinishedRing((snug(4), cut(4), snug(8), cut(4), snug(12)), WINDOW)
    old = replace(BENCH, grinder=replace(NEW, doubles=0.01, counted_cuts=5_000.0))
    assert learn(old, [ring]).grinder.counted_cuts == pytest.approx(100.0)


@pytest.mark.parametrize("kind", list(GrinderKind))
def test_dressing_and_the_other_tool_are_not_counted(kind: GrinderKind) -> None:
    bench = replace(BENCH, grinder=Grinder(kind=kind))
    other = replace(cut(3), dressing=True)
    belief = believe((snug(6), other, snug(12)), bench, window=WINDOW)
    assert (belief.doubles, belief.counted_cuts) == (NEW.doubles, NEW.counted_cuts)


def test_a_least_that_went_twice_is_measured_on_while_it_may_be_far_too_wide() -> None:
    """Never cut, but not "likely inside" either: the cut may have taken double."""
    facts: tuple[Fact, ...] = (snug(6), almost(7), cut(8), goes(15), goes(16), goes(16))
    shy = replace(BENCH, grinder=replace(NEW, doubles=1.0))
    belief = believe(facts, shy, window=WINDOW)
    advice = next_cut(belief, WINDOW, shy)
    assert advice.reason is CutReason.MEASURE
    leaf_nm = next_leaf(belief, WINDOW, shy).leaf_nm
    assert leaf_nm is not None
    assert leaf_nm > 16.5 * THOU
    told = believe((*facts, Reading(leaf_nm, goes(1).feel)), shy, window=WINDOW)
    assert told.p_above(WINDOW.most_nm or 0) > 0.5
