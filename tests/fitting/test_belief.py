"""The belief against trade practice, textbooks, and a plain particle reference."""

import sys
from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import gamma, lognorm, norm

from assistant.fitting.belief import believe
from assistant.fitting.bench import Grinder, GrinderKind, Person
from assistant.fitting.facts import Cut, Fact, Feel, Reading, Reseated
from assistant.fitting.feel import ORDER, all_chances, reading_sd_nm
from tests.examples import FEW
from tests.fitting.ring_calls import (
    BENCH,
    THOU,
    WINDOW,
    almost,
    butts,
    cut,
    goes,
    no_go,
    normal_belief,
    quiet_bench,
    shaped,
    snug,
    window,
)


@pytest.mark.parametrize(
    ("calls", "thou"),
    [
        ((goes(15), almost(16)), 15.5),
        ((almost(18),), 17.5),
        ((goes(15), snug(16)), 16.0),
        ((goes(15), no_go(16)), 15.5),
        ((snug(14.5),), 14.5),
    ],
)
def test_calls_mean_what_the_trade_means(calls: tuple[Reading, ...], thou: float) -> None:
    # Common practice, no source.
    assert believe(calls, BENCH, window=WINDOW).best_nm == round(thou * THOU)


@pytest.mark.parametrize("leaf", [5, 9.5, 16, 24])
def test_worst_case_keeps_the_logic_of_go_and_no_go(leaf: float) -> None:
    # No go: gap below leaf + tolerance. Goes: gap above leaf - tolerance. 3.1 spreads and tilt.
    tolerance_nm = 1.75 * THOU
    assert believe((no_go(leaf),), BENCH, window=WINDOW).high_nm <= leaf * THOU + tolerance_nm
    square = replace(BENCH, tilt_share=0.0)
    assert believe((goes(leaf),), square, window=WINDOW).low_nm >= leaf * THOU - tolerance_nm


def test_chances_of_the_five_feels_sum_to_one() -> None:
    play_nm = np.linspace(-10, 10, 401) * THOU
    for only_goes in (0.0, 0.25, 1.0):
        each = all_chances(play_nm, 6_350.0, only_goes)
        np.testing.assert_allclose(each.sum(axis=0), 1.0, atol=1e-12)
        assert each.shape == (len(ORDER), len(play_nm))


def test_leaf_error_is_rectangular() -> None:
    # JCGM 100:2008, 4.3.7: u = a / sqrt(3) = 0.57735 a; two stacked leaves add in squares.
    bench = replace(BENCH, person=Person(spread_nm=0.0), leaf_tol_nm=5_000.0)
    assert reading_sd_nm(bench, 1) == pytest.approx(0.57735 * 5_000, rel=1e-5)
    assert reading_sd_nm(bench, 2) == pytest.approx(0.57735 * 5_000 * sqrt(2), rel=1e-5)


def test_one_leaf_goes_the_next_does_not_is_a_resolution_step() -> None:
    # JCGM 100:2008, F.2.2.1 (from memory): a step d has u = d / sqrt(12) = 0.2887 d.
    coarse = quiet_bench(only_goes=1.0, spread_nm=300.0)
    belief = believe((goes(15), no_go(16)), coarse, window=window(20, 25))
    assert belief.mean_nm / THOU == pytest.approx(15.5, abs=0.01)
    assert belief.sd_nm / THOU == pytest.approx(0.2887, rel=0.02)


@pytest.mark.parametrize(("mean", "outside"), [(10.0, 0.01242), (10.5, 0.10574)])
def test_process_capability(mean: float, outside: float) -> None:
    # suncal test_cpk: N(10, 0.4) and N(10.5, 0.4) between 9 and 11; ten times as large here, so
    # that the columns of 0.1 thou do not show.
    belief = normal_belief(10 * mean, 4)
    assert 1 - belief.p_inside(window(90, 110)) == pytest.approx(outside, rel=0.01)


@pytest.mark.parametrize(
    ("share", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_one_sided_conformance(share: float, z: float) -> None:
    # JCGM 106:2012 Table 1 (from memory): conforming with p needs a guard of z standard deviations.
    belief = normal_belief(15 + z * 0.5, 0.5)
    assert belief.p_above(15 * THOU) == pytest.approx(share, abs=0.003)


def test_guard_band_of_two_standard_uncertainties() -> None:
    # JCGM 106:2012, 8.3.2 (from memory): w = 2 u leaves a risk of at most 2.3 %.
    assert normal_belief(25, 5).p_below(15 * THOU) == pytest.approx(0.02275, abs=1e-4)


def test_bearings_of_jcgm_106() -> None:
    # JCGM 106:2012, 9.5.4 through suncal: gamma(4, 1/4), limit 2: 4.2 % do not conform.
    belief = shaped(lambda x: gamma.pdf(x / (10 * THOU), 4, scale=0.25), 2540, 80 * THOU)
    assert belief.p_above(20 * THOU) == pytest.approx(0.04238, abs=3e-4)


def test_newsvendor_quantile() -> None:
    # Snyder & Shen, Fundamentals of Supply Chain Theory, ex. 4.3: N(50, 8), ratio 0.7955.
    belief = normal_belief(50, 8)
    assert belief.quantile(0.70 / 0.88) / THOU == pytest.approx(56.60395592743389, abs=0.01)


def test_lognormal_newsvendor_quantile() -> None:
    # Snyder & Shen, problem 4.8(b) through stockpyl: lognormal(6, 0.3), ratio 0.1765 / 1.1765.
    belief = shaped(lambda x: lognorm.pdf(x / THOU, 0.3, scale=np.exp(6)), 2540, 2000 * THOU)
    assert belief.quantile(0.1765 / 1.1765) / THOU == pytest.approx(295.6266448, abs=0.05)


def test_four_cuts_add_like_four_normal_errors() -> None:
    # JCGM 101:2008, 9.2.2: the sum of four N(0, 1) has u = 2 and a 95 % interval of +-3.92.
    grinder = Grinder(rate_sd=0.0, cut_sd_nm=THOU, doubles=0.0)
    bench = replace(quiet_bench(spread_nm=127.0), grinder=grinder)
    sharp = (goes(5.7), snug(6), almost(6.3))
    belief = believe((*sharp, cut(9), cut(9), cut(9), cut(9)), bench, window=window(60, 70))
    half = (belief.quantile(0.975) - belief.quantile(0.025)) / 2
    assert belief.sd_nm / THOU == pytest.approx(2.0, abs=0.02)
    assert half / THOU == pytest.approx(3.92, abs=0.04)
    assert belief.mean_nm / THOU == pytest.approx(42.0, abs=0.1)


def _plain(facts: list[tuple[str, float]], particles: int = 600_000) -> tuple[float, float]:
    """Mean and spread by weighing particles: another way to the same answer, thou.

    Feel as in the product's description: limits at -0.75, -0.25 and 0.25 thou of play.
    """
    rng = np.random.default_rng(7)
    gap = rng.uniform(0, 16.5, particles)
    rate = np.exp(0.10 * rng.standard_normal(particles))
    offset = 0.1 * rng.standard_normal(particles)
    weight = np.ones(particles)
    leaf_sd = sqrt(0.25**2 + (5_000 / THOU) ** 2 / 3)
    limits = {"almost": (-0.75, -0.25), "snug": (-0.25, 0.25), "goes": (0.25, 1e9)}
    for what, number in facts:
        if what == "cut":
            gap = gap + rate * number + 0.25 * rng.standard_normal(particles)
            continue
        low, high = limits[what]
        play = gap + offset - number
        weight *= norm.cdf((high - play) / leaf_sd) - norm.cdf((low - play) / leaf_sd)
    mean = float(np.average(gap, weights=weight))
    return mean, float(np.sqrt(np.average((gap - mean) ** 2, weights=weight)))


@pytest.mark.parametrize(
    "facts",
    [
        [("goes", 7), ("almost", 8)],
        [("snug", 7), ("cut", 5)],
        [("snug", 7), ("cut", 5), ("almost", 12), ("goes", 11)],
        [("goes", 4), ("almost", 5), ("cut", 8), ("snug", 12.5), ("cut", 1.5), ("goes", 13)],
    ],
)
def test_belief_agrees_with_weighed_particles(facts: list[tuple[str, float]]) -> None:
    calls = {"goes": goes, "almost": almost, "snug": snug, "cut": cut}
    bench = replace(BENCH, person=Person(only_goes=0.0), tilt_share=0.0)
    belief = believe([calls[what](number) for what, number in facts], bench, window=WINDOW)
    mean, sd = _plain(facts)
    # Clumsy tries (one in two hundred) are in the belief only: a few hundredths of a thou.
    assert belief.mean_nm / THOU == pytest.approx(mean, abs=0.03)
    assert belief.sd_nm / THOU == pytest.approx(sd, rel=0.06)


def test_cut_moves_by_rate_and_adds_its_spreads() -> None:
    bench = replace(quiet_bench(), grinder=Grinder(rate=1.2, rate_sd=0.05, doubles=0.0))
    before = believe((snug(6),), bench, window=WINDOW)
    after = believe((snug(6), cut(5)), bench, window=WINDOW)
    # Lognormal rate: mean exp(s^2 / 2), spread of removal 0.05 x 6 thou; cut spread 0.25.
    assert (after.mean_nm - before.mean_nm) / THOU == pytest.approx(6 * 1.00125, abs=0.01)
    wanted = sqrt((before.sd_nm / THOU) ** 2 + 0.25**2 + 0.3**2)
    assert after.sd_nm / THOU == pytest.approx(wanted, rel=0.01)


def test_butting_ring_is_unknown_below_the_thinnest_leaf() -> None:
    belief = believe((butts(),), BENCH, window=WINDOW)
    assert belief.butting
    assert not belief.known
    assert belief.high_nm <= 3 * THOU
    assert belief.low_nm < -20 * THOU
    assert not believe((butts(), cut(10)), BENCH, window=WINDOW).known


def test_what_is_known_after_a_cut_is_to_be_measured_again() -> None:
    assert believe((snug(7),), BENCH, window=WINDOW).known
    assert not believe((snug(7), cut(3)), BENCH, window=WINDOW).known
    assert not believe((snug(7), Reseated()), BENCH, window=WINDOW).known


def test_readings_of_a_ring_that_was_not_square_are_believed_less_and_smaller() -> None:
    tilted = believe((snug(15), Reseated()), BENCH, window=WINDOW)
    square = believe((snug(15),), BENCH, window=WINDOW)
    assert tilted.mean_nm < square.mean_nm - THOU / 4
    assert tilted.p_below(14 * THOU) > 5 * square.p_below(14 * THOU)
    # The square reading after it decides.
    again = believe((snug(15), Reseated(), snug(13), almost(14)), BENCH, window=WINDOW)
    assert abs(again.best_nm - 13 * THOU) <= THOU // 2


def test_offset_of_a_person_is_taken_off_and_does_not_average_away() -> None:
    loose = replace(BENCH, person=Person(offset_nm=0.5 * THOU))
    assert believe((snug(15),), loose).mean_nm == pytest.approx(
        believe((snug(15),), BENCH).mean_nm - 0.5 * THOU, abs=THOU / 50
    )
    unsure = replace(quiet_bench(spread_nm=1_000.0), person=Person(
        offset_sd_nm=12_700.0, spread_nm=1_000.0, only_goes=0.0))  # fmt: skip
    many = (goes(14.5), snug(15), almost(15.5), snug(15), goes(14.5), almost(15.5))
    assert believe(many, unsure).sd_nm >= 12_700 * 0.98


def test_trying_one_leaf_again_and_again_leaves_its_own_error() -> None:
    bench = replace(quiet_bench(), leaf_tol_nm=10_000.0)
    same = believe((snug(15),) * 6, bench)
    plain = believe((snug(15),) * 6, quiet_bench())
    assert same.sd_nm > 10_000 / sqrt(3) * 0.8
    assert plain.sd_nm < same.sd_nm


def test_confirmed_contradiction_starts_the_belief_again() -> None:
    belief = believe((goes(6), almost(7), cut(2), goes(22), almost(23)), BENCH, window=WINDOW)
    assert abs(belief.best_nm - 22.5 * THOU) <= THOU // 2


def test_inch_and_metric_grids_tell_the_same_physics() -> None:
    # 0.381 mm is 15 thou, 0.4064 mm is 16 thou exactly; only the grid of showing differs.
    facts = (Reading(381_000, Feel.GOES), Reading(406_400, Feel.ALMOST))
    inch = believe(facts, BENCH, window=WINDOW)
    metric = believe(facts, replace(BENCH, half_nm=5_000), window=WINDOW)
    np.testing.assert_array_equal(inch.chances, metric.chances)
    assert abs(inch.best_nm - metric.best_nm) <= 12_700
    assert metric.best_nm % 5_000 == 0


_LEAF = st.integers(13, 17)
_CALL = st.builds(
    lambda leaf, call: call(leaf), _LEAF, st.sampled_from((goes, almost, snug, no_go))
)


@FEW
@given(st.lists(_CALL, min_size=2, max_size=5), st.randoms())
def test_order_within_a_seating_does_not_matter(calls: list[Reading], random: object) -> None:
    shuffled = list(calls)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one = believe(calls, BENCH, window=WINDOW)
    other = believe(shuffled, BENCH, window=WINDOW)
    assert one.mean_nm == pytest.approx(other.mean_nm, abs=1e-3)
    assert one.sd_nm == pytest.approx(other.sd_nm, abs=1e-3)


@FEW
@given(st.integers(9, 22), st.integers(9, 22))
def test_expected_feel_never_widens_the_belief(first: int, second: int) -> None:
    before = believe((snug(first),), BENCH, window=WINDOW)
    bench = before.bench
    each = all_chances(
        before.felt_nm - second * THOU, reading_sd_nm(bench, 1), bench.person.only_goes
    )
    feel = ORDER[int(np.argmax(each @ before.felt))]
    after = believe((snug(first), Reading(second * THOU, feel)), BENCH, window=WINDOW)
    assert after.sd_nm <= before.sd_nm * 1.02


@FEW
@given(st.lists(_CALL, max_size=3), st.floats(0.5, 6))
def test_forgetting_a_fact_equals_never_having_said_it(calls: list[Reading], feed: float) -> None:
    facts = [snug(8), cut(feed), *calls]
    never = believe(facts, BENCH, window=WINDOW)
    believe([*facts, goes(12), cut(1)], BENCH, window=WINDOW)
    again = believe(facts, BENCH, window=WINDOW)
    np.testing.assert_array_equal(never.chances, again.chances)


def _truth(rng: np.random.Generator) -> tuple[float, tuple[Reading, ...]]:
    """A ring as found and two calls of a fine speaker, drawn apart from the product's tables; thou.

    A quarter overlaps by up to 40; the rest is even up to the most allowed, thinning out above it
    by e every 4. The leaves do not depend on the gap: choosing them by it would tell something.
    """
    if rng.random() < 0.25:
        gap = rng.uniform(-40, 0)
    elif rng.random() < 16.5 / 20.5:
        gap = rng.uniform(0, 16.5)
    else:
        gap = 16.5 + rng.exponential(4)
    offset = 0.1 * rng.standard_normal()
    first = int(rng.integers(3, 20))
    calls = []
    for leaf in (first, first + 1):
        error = rng.uniform(-5_000, 5_000) / THOU
        play = gap + offset - leaf - error + 0.25 * rng.standard_normal()
        call = no_go if play < -0.75 else almost if play < -0.25 else snug if play < 0.25 else goes
        calls.append(call(leaf))
    return gap, tuple(calls)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(3)
    bench = replace(BENCH, person=Person(only_goes=0.0), tilt_share=0.0)
    trials = 1_000
    inside = below = 0
    for _ in range(trials):
        gap, calls = _truth(rng)
        belief = believe(calls, bench, window=WINDOW)
        inside += belief.quantile(0.05) <= gap * THOU <= belief.quantile(0.95)
        below += gap * THOU <= belief.quantile(0.5)
    # Binomial, 1000 trials: standard deviations 0.0095 and 0.016; three of them either way.
    assert inside / trials == pytest.approx(0.90, abs=0.03)
    assert below / trials == pytest.approx(0.50, abs=0.048)


@pytest.mark.parametrize(("accepted_to", "risk"), [(2.0, 0.00802), (1.6718, 0.001)])
def test_consumers_risk_of_the_bearings_of_jcgm_106(accepted_to: float, risk: float) -> None:
    # JCGM 106:2012, 9.5.4 through suncal: measured with u = 0.25, accepted up to A_U: 0.8 % with
    # A_U = 2, 0.1 % with A_U = 1.67 (values recomputed). Ten thou stand for 1 um.
    def density(x: np.ndarray) -> np.ndarray:
        um = x / (10 * THOU)
        return np.asarray(gamma.pdf(um, 4, scale=0.25) * norm.cdf((accepted_to - um) / 0.25))

    belief = shaped(density, 2540, 80 * THOU)
    every = shaped(lambda x: gamma.pdf(x / (10 * THOU), 4, scale=0.25), 2540, 80 * THOU)
    accepted = float(every.chances @ norm.cdf((accepted_to - every.gap_nm / (10 * THOU)) / 0.25))
    assert accepted * belief.p_above(20 * THOU) == pytest.approx(risk, rel=0.03)


@pytest.mark.parametrize(("accepted_to", "risk"), [(2.0, 0.017), (1.6718, 0.075)])
def test_producers_risk_of_the_bearings_of_jcgm_106(accepted_to: float, risk: float) -> None:
    # The same example: conforming, and refused all the same: 1.7 %, with the guard band 7.5 %.
    def density(x: np.ndarray) -> np.ndarray:
        um = x / (10 * THOU)
        return np.asarray(gamma.pdf(um, 4, scale=0.25) * norm.sf((accepted_to - um) / 0.25))

    belief = shaped(density, 2540, 80 * THOU)
    every = shaped(lambda x: gamma.pdf(x / (10 * THOU), 4, scale=0.25), 2540, 80 * THOU)
    refused = float(every.chances @ norm.sf((accepted_to - every.gap_nm / (10 * THOU)) / 0.25))
    assert refused * belief.p_below(20 * THOU) == pytest.approx(risk, abs=0.0006)


def test_two_sided_false_accepts_at_four_to_one() -> None:
    # Deaver through suncal: limits at two standard deviations, ratio 4 (limit 4 times the 2 u of
    # the measurement): false accepts 0.80 %, false rejects 1.5 %. The limit is 20 thou here.
    sd, u, limit = 10.0, 2.5, 20.0

    def accept(x: np.ndarray) -> np.ndarray:
        thou = x / THOU
        return np.asarray(norm.cdf((limit - thou) / u) - norm.cdf((-limit - thou) / u))

    every = shaped(lambda x: norm.pdf(x / THOU, 0, sd), -80 * THOU, 80 * THOU)
    both = window(-limit, limit)
    taken = shaped(lambda x: norm.pdf(x / THOU, 0, sd) * accept(x), -80 * THOU, 80 * THOU)
    refused = shaped(lambda x: norm.pdf(x / THOU, 0, sd) * (1 - accept(x)), -80 * THOU, 80 * THOU)
    share = float(every.chances @ accept(every.gap_nm))
    assert share * (1 - taken.p_inside(both)) == pytest.approx(0.00801, rel=0.01)
    assert (1 - share) * refused.p_inside(both) == pytest.approx(0.01485, rel=0.01)


def test_leaf_after_leaf_that_goes_beats_a_leaf_miscalled_before_the_cut() -> None:
    # The thinnest leaf called "no go" for "goes": the ring seems to butt, ten thou are cut, and
    # then everything goes. It must be believed wide, not wedged below twelve thou.
    wrong = (no_go(2), cut(10), goes(10), goes(11), goes(12), goes(13))
    belief = believe(wrong, BENCH, window=WINDOW)
    assert belief.quantile(0.99) > 16 * THOU
    again = believe((*wrong, goes(14), almost(15)), BENCH, window=WINDOW)
    assert again.best_nm == round(14.5 * THOU)
    # Readings that suit what was known leave no such doubt.
    suits = believe((goes(5), almost(6), cut(5), goes(10), almost(11)), BENCH, window=WINDOW)
    assert suits.p_above(12.5 * THOU) < 1e-4


def test_a_ring_may_have_more_cuts_and_seatings_than_python_has_levels() -> None:
    facts: list[Fact] = []
    for _ in range(700):
        facts += [snug(8), Reseated()]
    belief = believe([*facts, goes(15), snug(16)], BENCH, window=WINDOW)
    assert belief.known
    assert len(facts) > sys.getrecursionlimit()


@pytest.mark.parametrize(
    ("other", "removal_thou", "share"),
    [
        (Cut(strokes=4), 4 * Grinder().per_stroke_nm / THOU, Grinder().per_stroke_sd),
        (Cut(feed_nm=3 * THOU), 3.0, 0.2),
    ],
    ids=["strokes of a file on a job with a dial", "a feed on a job with a file"],
)
def test_a_cut_by_the_other_tool_is_believed_by_its_own_first_guess(
    other: Cut, removal_thou: float, share: float
) -> None:
    """What was learned of the job's own tool says nothing of it."""
    bench = BENCH if other.strokes else replace(BENCH, grinder=Grinder(kind=GrinderKind.FILE))
    before = believe((goes(9), snug(10)), bench, window=WINDOW)
    after = believe((goes(9), snug(10), other), bench, window=WINDOW)
    assert after.mean_nm - before.mean_nm == pytest.approx(removal_thou * THOU, abs=0.1 * THOU)
    spread_nm = sqrt(after.sd_nm**2 - before.sd_nm**2)
    at_least_nm = share * removal_thou * THOU
    assert at_least_nm < spread_nm < sqrt(at_least_nm**2 + (0.5 * THOU) ** 2)
