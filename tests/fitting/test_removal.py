"""How much to cut: never past the most allowed, the safe first cut, and when not to cut."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.fitting.belief import believe
from assistant.fitting.bench import Bench, Grinder, GrinderKind, Person
from assistant.fitting.facts import Cut, Feel, Reading
from assistant.fitting.removal import (
    DOUBLE_RISK,
    DOUBLE_RISK_OF_A_STEP,
    CutReason,
    is_narrow,
    next_cut,
    next_leaf,
    over_by,
    p_over_after,
)
from assistant.fitting.targets import HAIR_NM, Window
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
    snug,
    window,
)

FILE = replace(BENCH, grinder=Grinder(kind=GrinderKind.FILE))


def advice_for(*facts: Reading | Cut, bench: Bench = BENCH, window: Window = WINDOW):  # type: ignore[no-untyped-def]
    return next_cut(believe(facts, bench, window=window), window, bench)


def test_butting_ring_gets_ten_thou_first_and_again_while_it_butts() -> None:
    # Common practice, no source.
    first = advice_for(butts())
    assert (first.reason, first.feed_nm) == (CutReason.BUTTING, 10 * THOU)
    assert advice_for(butts(), cut(10)).reason is CutReason.MEASURE
    again = advice_for(butts(), cut(10), butts())
    assert (again.reason, again.feed_nm) == (CutReason.BUTTING, 10 * THOU)


def test_first_cut_of_a_butting_ring_stays_below_a_small_least() -> None:
    # A 2.5 in bore wants ten thou; the ring may be as wide as the thinnest leaf already.
    small = window(6, 7.5)
    advice = advice_for(butts(), window=small)
    assert advice.reason is CutReason.BUTTING
    belief = believe((butts(),), BENCH, window=small)
    assert p_over_after(belief, advice.feed_nm, small.least_nm) <= BENCH.over_risk
    assert 0 < advice.feed_nm < 5 * THOU


def test_nothing_is_cut_before_the_first_reading_or_after_an_unread_cut() -> None:
    assert advice_for().reason is CutReason.MEASURE
    assert advice_for(snug(8), cut(3)).reason is CutReason.MEASURE


def test_ring_inside_is_not_touched() -> None:
    advice = advice_for(goes(15), almost(16))
    assert (advice.reason, advice.cuts) == (CutReason.INSIDE, False)
    assert advice.p_inside >= BENCH.confidence


def test_ring_above_the_most_is_not_cut() -> None:
    advice = advice_for(goes(17), almost(18))
    assert (advice.reason, advice.cuts) == (CutReason.OVER, False)


def test_rail_of_a_least_only_is_accepted_as_found() -> None:
    # Common practice: about 15 thou at least on a bore of about 3.3 in, larger is harmless.
    rail = window(15, None)
    assert advice_for(goes(20), window=rail).reason is CutReason.RAIL_OK
    assert advice_for(goes(45), window=rail).reason is CutReason.RAIL_OK
    short = advice_for(goes(10), almost(11), window=rail)
    assert short.reason is CutReason.SNEAK
    assert 4 * THOU <= short.feed_nm <= 7 * THOU


def test_smallest_step_that_may_spoil_is_not_advised() -> None:
    # A window of a quarter thou and a step of half a thou.
    tight = window(15, 15.25)
    calls = (goes(14), snug(14.5), almost(15), goes(14), almost(15), snug(14.5), goes(13))
    advice = advice_for(*calls, window=tight)
    assert not advice.cuts
    assert advice.reason in (CutReason.TOO_RISKY, CutReason.MEASURE)
    belief = believe(calls, BENCH, window=tight)
    assert p_over_after(belief, BENCH.grinder.step_nm, tight.most_nm or 0) > BENCH.over_risk


def test_cut_that_is_too_risky_is_told_with_its_chance() -> None:
    # Known to a tenth of a thou, 14.8 of a window of 15 to 15.25: half a thou more passes the most
    # with Phi((14.8 + 0.5 - 15.25) / sqrt(0.1^2 + 0.25^2)) = Phi(0.186) = 0.574 (normal tables).
    tight = window(15, 15.25)
    belief = replace(normal_belief(14.8, 0.1), tried=tuple(map(goes, range(8, 15))))
    advice = next_cut(belief, tight, belief.bench)
    assert (advice.reason, advice.cuts) == (CutReason.TOO_RISKY, False)
    assert advice.p_over == pytest.approx(0.574, abs=0.01)


def test_far_ring_gets_one_large_cut_and_a_near_one_a_small_one() -> None:
    far = advice_for(goes(5), almost(6))
    near = advice_for(snug(14), goes(13.5), almost(14.5))
    assert far.reason is near.reason is CutReason.SNEAK
    assert far.feed_nm >= 7 * THOU
    assert near.feed_nm <= 1.5 * THOU


def test_unsure_grinder_cuts_less_than_a_known_one() -> None:
    known = replace(BENCH, grinder=Grinder(rate_sd=0.02))
    unsure = replace(BENCH, grinder=Grinder(rate_sd=0.2))
    calls = (goes(5), almost(6))
    assert advice_for(*calls, bench=unsure).feed_nm < advice_for(*calls, bench=known).feed_nm


def test_file_is_told_whole_strokes() -> None:
    advice = advice_for(goes(10), snug(11), bench=FILE)
    assert advice.feed_nm == 0
    assert advice.strokes > 0
    belief = believe((goes(10), snug(11)), FILE, window=WINDOW)
    most_nm = WINDOW.most_nm or 0
    assert over_by(belief, advice.strokes, most_nm + HAIR_NM, 1) <= FILE.over_risk
    assert over_by(belief, advice.strokes, most_nm, 1) <= 10 * FILE.over_risk


def test_risk_spent_on_earlier_cuts_is_not_spent_again() -> None:
    fine = replace(BENCH, grinder=Grinder(step_nm=2_540, doubles=0.0))
    most_nm = (WINDOW.most_nm or 0) + HAIR_NM
    facts = (goes(5), snug(6), cut(7), goes(13), almost(14))
    belief = believe(facts, fine, window=WINDOW)
    assert 0 < belief.spent_risk < BENCH.over_risk
    feed_nm = next_cut(belief, WINDOW, fine).feed_nm
    assert feed_nm > 0
    assert p_over_after(belief, feed_nm, most_nm) <= BENCH.over_risk - belief.spent_risk
    # The same gap with all risk but a little spent: a smaller cut, or none.
    poor = replace(belief, spent_risk=0.9999 * BENCH.over_risk)
    poor_nm = next_cut(poor, WINDOW, fine).feed_nm
    assert poor_nm < feed_nm
    assert p_over_after(belief, poor_nm, most_nm) <= 0.1 * BENCH.over_risk


def test_inch_and_metric_jobs_of_the_same_physics_decide_alike() -> None:
    # A window of 0.381 to 0.419 mm; the dial's step is the only difference left.
    same = Window(381_000, 419_100, 393_700)
    metric_bench = replace(BENCH, half_nm=5_000, grinder=Grinder(step_nm=5_000))
    calls = (Reading(254_000, Feel.GOES), Reading(279_400, Feel.SNUG))
    inch = advice_for(*calls, window=same)
    metric = advice_for(*calls, bench=metric_bench, window=same)
    assert inch.reason is metric.reason is CutReason.SNEAK
    assert abs(inch.feed_nm - metric.feed_nm) <= 12_700


def test_chance_above_the_most_is_that_of_normal_tables() -> None:
    # N(15, 0.5) and a cut of 0.5 of spread 0.25: above 16.5 with 1 - Phi(1 / 0.559) = 0.0368.
    belief = normal_belief(15, 0.5)
    bench_cut = p_over_after(belief, THOU // 2, 16.5 * THOU)
    assert bench_cut == pytest.approx(0.0368, abs=5e-4)


_LEAF = st.integers(4, 17)
_CALLS = st.lists(
    st.builds(lambda leaf, call: call(leaf), _LEAF, st.sampled_from((goes, almost, snug, no_go))),
    min_size=1,
    max_size=4,
)


@FEW
@given(
    calls=_CALLS,
    cuts=st.lists(st.floats(0.5, 5), max_size=2),
    width=st.sampled_from((0.5, 1.0, 1.5, 3.0, 10.0)),
    step=st.sampled_from((2_540, 12_700, 25_400)),
    rate=st.floats(0.6, 1.5),
    rate_sd=st.floats(0.0, 0.3),
    file=st.booleans(),
    doubles=st.sampled_from((0.0, 0.01, 1.0, 3.0)),
)
def test_advice_keeps_the_risk_and_never_exceeds_what_remains(
    calls: list[Reading],
    cuts: list[float],
    width: float,
    step: int,
    rate: float,
    rate_sd: float,
    file: bool,
    doubles: float,
) -> None:
    kind = GrinderKind.FILE if file else GrinderKind.DIAL
    grinder = Grinder(kind=kind, step_nm=step, rate=rate, rate_sd=rate_sd, doubles=doubles)
    bench = replace(BENCH, grinder=grinder)
    target = window(15, 15 + width)
    facts = [*(fact for feed in cuts for fact in (snug(7), cut(feed))), *calls]
    belief = believe(facts, bench, window=target)
    advice = next_cut(belief, target, bench)
    if advice.cuts:
        units = advice.feed_nm or advice.strokes
        assert target.most_nm is not None
        chance = belief.double_chance
        one_step = units == grinder.unit_step
        allowed = DOUBLE_RISK_OF_A_STEP if one_step else DOUBLE_RISK
        for limit_nm, times in ((target.most_nm + HAIR_NM, 1), (target.most_nm, 10)):
            by_once = (1 - chance) * over_by(belief, units, limit_nm, 1)
            assert by_once <= times * bench.over_risk
            assert chance * over_by(belief, units, limit_nm, 2) <= times * allowed
        assert advice.p_over == p_over_after(belief, units, target.most_nm)
        assert units * grinder.unit_rate_nm <= target.most_nm - belief.mean_nm
        assert units * grinder.unit_rate_nm <= grinder.largest_cut_nm + 1
        assert units % grinder.unit_step == 0
        assert advice.expected_passes >= 1
    if advice.reason is CutReason.MEASURE:
        assert next_leaf(belief, target, bench).leaf_nm is not None
    if advice.reason is CutReason.TOO_RISKY:
        assert next_leaf(belief, target, bench).leaf_nm is None


def test_person_who_reads_loose_is_allowed_a_larger_cut() -> None:
    # Who feels half a thou too much has rings that are smaller than they read.
    loose = replace(BENCH, person=Person(offset_nm=0.5 * THOU))
    calls = (goes(11), snug(11.5), almost(12))
    assert advice_for(*calls, bench=loose).feed_nm >= advice_for(*calls).feed_nm


# --- words that are no surer than the belief ---------------------------------------------------


@given(
    st.lists(
        st.builds(
            Reading,
            st.integers(26, 38).map(lambda halves: halves * THOU // 2),
            st.sampled_from([Feel.GOES, Feel.SNUG, Feel.ALMOST, Feel.NO_GO]),
        ),
        min_size=1,
        max_size=7,
    ),
    st.sampled_from([1.0, 1.5, 2.0, 3.0]),
)
def test_inside_and_over_are_said_only_with_the_wanted_confidence(
    readings: list[Reading], width_thou: float
) -> None:
    wanted = window(15, 15 + width_thou)
    belief = believe(readings, BENCH, window=wanted)
    advice = next_cut(belief, wanted, BENCH)
    match advice.reason:
        case CutReason.INSIDE:
            assert advice.p_inside >= BENCH.confidence
        case CutReason.OVER:
            assert belief.p_above(wanted.most_nm) >= BENCH.confidence
        case CutReason.LIKELY:
            assert advice.p_inside < BENCH.confidence
        case CutReason.LIKELY_OVER:
            assert 0.5 < belief.p_above(wanted.most_nm) < BENCH.confidence
    assert advice.p_inside + advice.p_under + belief.p_above(wanted.most_nm) == pytest.approx(1.0)


def test_a_ring_in_which_the_least_went_twice_is_never_cut() -> None:
    wanted = window(15, 18)
    once = advice_for(goes(15), no_go(16), no_go(16), window=wanted)
    assert once.reason is CutReason.MEASURE
    twice = advice_for(goes(15), no_go(16), no_go(16), goes(15), window=wanted)
    assert not twice.cuts
    assert twice.reason in (CutReason.LIKELY, CutReason.INSIDE)


@pytest.mark.parametrize("rate", [0.6, 0.8, 1.0, 1.3])
def test_the_dial_is_never_set_beyond_the_largest_cut(rate: float) -> None:
    weak = replace(BENCH, grinder=Grinder(rate=rate, rate_sd=0.05, largest_cut_nm=10 * THOU))
    wide = window(30, 34)
    advice = advice_for(goes(5), snug(6), bench=weak, window=wide)
    assert 0 < advice.feed_nm <= 10 * THOU
    rail = advice_for(goes(5), snug(6), no_go(7), bench=weak, window=window(30, None))
    assert 0 < rail.feed_nm <= 10 * THOU
    assert advice_for(butts(), bench=weak, window=wide).feed_nm <= 10 * THOU


def test_a_window_that_the_tool_cannot_meet_is_told() -> None:
    # Spreads 0.25 and 0.1 thou: (3.090 + 1.645) x 0.2693 + 0.25 = 1.525 (normal tables), less the
    # hair of 0.25: 1.275 thou.
    assert is_narrow(window(15, 16), BENCH)
    assert is_narrow(window(15, 16.27), BENCH)
    assert not is_narrow(window(15, 16.28), BENCH)
    assert not is_narrow(window(15, None), BENCH)
    steady = replace(BENCH, grinder=Grinder(cut_sd_nm=0.1 * THOU, step_nm=2_540))
    assert not is_narrow(window(15, 16), steady)


# --- no dead end ------------------------------------------------------------------------------


def strokes(count: int) -> Cut:
    return Cut(strokes=count)


def test_a_wide_belief_after_filing_is_measured_not_given_up() -> None:
    """Ten thou to go: the tail of an unlearned file forbids one stroke, so a leaf must decide."""
    facts = (no_go(7), butts(), strokes(16), goes(1.5))
    advice = advice_for(*facts, bench=FILE)
    assert advice.reason is CutReason.MEASURE
    belief = believe(facts, FILE, window=WINDOW)
    assert next_leaf(belief, WINDOW, FILE).leaf_nm is not None


@pytest.mark.parametrize("per_stroke_thou", [0.2, 0.33, 0.5])
@pytest.mark.parametrize("start_thou", [2.2, 4.6, 7.3, 9.9])
def test_a_first_ring_by_file_never_ends_with_a_thou_to_go(
    start_thou: float, per_stroke_thou: float
) -> None:
    """A steady file and a sure hand, both unknown to the bench: it goes on until it is inside."""
    gap, facts = start_thou, list[Reading | Cut]()
    for _ in range(60):
        belief = believe(facts, FILE, window=WINDOW)
        advice = next_cut(belief, WINDOW, FILE)
        if advice.cuts:
            gap += advice.strokes * per_stroke_thou
            facts.append(strokes(advice.strokes))
            continue
        if advice.reason is not CutReason.MEASURE:
            break
        leaf_nm = next_leaf(belief, WINDOW, FILE).leaf_nm
        assert leaf_nm is not None
        play = gap - leaf_nm / THOU
        feel = Feel.GOES if play > 0.3 else Feel.SNUG if play > -0.1 else Feel.NO_GO
        facts.append(Reading(leaf_nm, feel))
    assert advice.reason is not CutReason.MEASURE, "sixty steps are more than any ring takes"
    assert advice.reason is not CutReason.TOO_RISKY or gap > 14.0
    assert gap <= 16.75
