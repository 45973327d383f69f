"""What each call makes of the session: events, questions and refusals, through the real grammar."""

from collections.abc import Callable
from typing import Any

import pytest

from assistant.bench import events as ev
from assistant.bench.commands import Check, Ground
from assistant.bench.decisions import decide
from assistant.bench.interpretation import plausibility
from assistant.bench.job import Grinder, GrinderKind, LimitsRule, Relation, RingSpec
from assistant.bench.reply_terms import CommandNotAllowed, Length, Refusal
from assistant.bench.session import Outcome, Ring, State
from assistant.bench.wording import Wording
from assistant.fitting.facts import Cut, Feel, Reading
from assistant.language.grammar import Grammar
from assistant.units import Unit
from tests.bench.test_session import bare
from tests.fakes import SECOND, THOU, TOP, UPPER, Bench, after, small_job

NewBench = Callable[[], Bench]


def picked(cylinder: int, position: Any) -> ev.RingPicked:
    return ev.RingPicked(cylinder=cylinder, position=position)


def tried(thou: float, feel: Feel, cylinder: int = 1, position: Any = TOP, leaves: int = 1) -> Any:
    return ev.LeafTried(
        cylinder=cylinder, position=position, leaf_nm=int(thou * THOU), leaves=leaves, feel=feel
    )


def test_a_reading_belongs_to_the_ring_at_hand(bench: Bench) -> None:
    bench.through("top ring", "fifteen goes sixteen snug")
    assert bench.last.events == (tried(15, Feel.GOES), tried(16, Feel.SNUG))


def test_a_reading_with_a_place_takes_up_that_ring_first(bench: Bench) -> None:
    bench.say("cylinder two second ring fifteen goes")
    assert bench.last.events == (picked(2, SECOND), tried(15, Feel.GOES, 2, SECOND))
    assert bench.state.here == (2, SECOND)


def test_a_stack_is_one_reading_of_its_sum(bench: Bench) -> None:
    bench.through("top ring", "ten plus six snug")
    assert bench.last.events == (tried(16, Feel.SNUG, leaves=2),)


def test_a_ring_that_butts_is_a_reading_without_a_leaf(bench: Bench) -> None:
    bench.through("top ring", "no leaf goes")
    assert bench.last.events == (tried(0, Feel.BUTTS),)


@pytest.mark.parametrize(
    ("call", "event"),
    [
        ("ground two and a half", ev.MetalGround(cylinder=1, position=UPPER, feed_nm=63_500)),
        ("deburred", ev.RingChecked(cylinder=1, position=UPPER, check="deburred")),
        ("stand by", ev.ListeningPaused()),
        ("note", ev.NoteBegun()),
        ("wrap up", ev.SessionClosed()),
        ("cylinder two", picked(2, UPPER)),
        ("top ring", picked(1, TOP)),
        ("next ring", picked(1, SECOND)),
    ],
)
def test_a_call_becomes_one_event(bench: Bench, call: str, event: Any) -> None:
    bench.say(call)
    assert bench.last.events == (event,)


@pytest.mark.parametrize(
    "call",
    ["what now", "how much more", "what is the target", "where am i", "read it back", "say again",
     "what are the calls"],
)  # fmt: skip
def test_a_question_changes_nothing(bench: Bench, call: str) -> None:
    before = bench.state
    bench.say(call)
    assert bench.last.events == ()
    assert bare(bench.state) == bare(before) or bench.state.last_reply != before.last_reply
    assert (bench.state.rings, bench.state.here) == (before.rings, before.here)


# --- refusals ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("calls", "refused"),
    [
        (["cylinder three"], "no such cylinder"),
        (["cylinder sixteen top ring fifteen goes"], "no such cylinder"),
        (["oil ring"], "no such ring"),
        (["fifteen and a half goes"], "no such leaf"),
        (["sixty goes"], "no such leaf"),
        (["twenty five plus twenty six goes"], "no such leaf"),
        (["twelve strokes"], "job has a dial"),
        (["accept it"], "accept without a reading"),
        (["top ring", "butts", "accept it"], "accept without a reading"),
        (["top ring", "fifteen goes", "ground half", "accept it"], "accept without a reading"),
        (["take that back"], "nothing to take back"),
        (["yes"], "no question open"),
        (["no"], "no question open"),
        (["make that sixteen"], "no number to correct"),
        (["deburred", "make that sixteen"], "no number to correct"),
    ],
)
def test_a_call_that_makes_no_sense_now_is_refused_and_changes_nothing(
    bench: Bench, calls: list[str], refused: str
) -> None:
    *first, last = calls
    for call in first:
        bench.type(call)
    before = bench.state
    bench.type(last)
    assert (bench.last.refused, bench.last.events) == (refused, ())
    assert (bench.state.rings, bench.state.here, bench.state.pending) == (
        before.rings, before.here, before.pending,
    )  # fmt: skip


def test_a_leaf_not_in_the_set_is_refused_with_the_nearest_two(bench: Bench) -> None:
    reply = bench.type("top ring fifteen and a half goes")
    assert reply == (
        "No fifteen and a half thou leaf in your set. Try fifteen thou or sixteen thou, or stack "
        "two: say ten plus four."
    )


def test_one_cylinder_needs_no_number_but_two_do(grammar: Grammar, wording: Wording) -> None:
    for cylinders, refused in ((1, None), (2, "which cylinder")):
        bench = Bench(small_job(cylinders=cylinders), grammar, wording)
        for _ in range(3 * cylinders):
            bench.type("spoiled ring")
        assert bench.state.here is None
        bench.type("top ring")
        # A spoiled ring is asked about; that is a question, not a refusal.
        assert bench.last.refused == refused


def test_without_a_ring_at_hand_a_reading_is_refused(bench: Bench) -> None:
    for _ in range(6):
        bench.say("skip this ring")
    assert bench.state.here is None
    bench.say("fifteen goes")
    assert bench.last.refused == "which ring"


def test_with_one_ring_left_next_ring_says_that_there_is_no_other(bench: Bench) -> None:
    for _ in range(5):
        bench.say("spoiled ring")
    bench.say("next ring")
    assert bench.last.refused == "no other ring"
    bench.through("spoiled ring", "next ring")
    assert bench.last.refused == "no ring left"


# --- accept, skip, spoil, open again ----------------------------------------------------------


def test_a_ring_inside_is_accepted_and_the_next_taken_up(bench: Bench) -> None:
    bench.through("top ring", "sixteen goes seventeen snug")
    bench.say("accept it")
    assert bench.last.events == (
        ev.RingAccepted(cylinder=1, position=TOP), picked(2, UPPER),
    )  # fmt: skip
    assert bench.state.ring((1, TOP)).outcome is Outcome.ACCEPTED


@pytest.mark.parametrize(
    ("reading", "about"),
    [
        ("twelve goes thirteen snug", "accept below"),
        ("twenty one goes twenty two snug", "accept above"),
        ("fifteen goes sixteen snug", "accept unsure"),
    ],
)
def test_a_ring_not_known_to_be_inside_is_accepted_only_after_a_yes(
    bench: Bench, reading: str, about: str
) -> None:
    bench.through("top ring", reading, "accept it")
    assert bench.state.pending is not None
    assert bench.state.pending.about == about
    assert bench.state.ring((1, TOP)).outcome is None
    bench.say("no")
    assert bench.state.ring((1, TOP)).outcome is None
    assert bench.state.here == (1, TOP)
    bench.through("accept it", "yes")
    assert bench.state.ring((1, TOP)).outcome is Outcome.ACCEPTED
    assert bench.state.ring((1, TOP)).outside


def test_a_skipped_ring_comes_last_and_is_open_again_when_taken_up(bench: Bench) -> None:
    bench.say("skip this ring")
    assert bench.state.here == (1, SECOND)
    for _ in range(5):
        bench.say("spoiled ring")
    assert bench.state.here is None
    bench.say("next ring")
    assert bench.last.events == (
        picked(1, UPPER), ev.RingReopened(cylinder=1, position=UPPER),
    )  # fmt: skip
    assert bench.state.ring((1, UPPER)) == Ring()


def test_a_reading_of_a_skipped_ring_opens_it_again_without_a_question(bench: Bench) -> None:
    bench.through("skip this ring", "cylinder one upper rail sixteen goes")
    assert bench.last.events == (
        picked(1, UPPER),
        ev.RingReopened(cylinder=1, position=UPPER),
        tried(16, Feel.GOES, 1, UPPER),
    )


def test_a_reading_of_an_accepted_ring_opens_it_only_after_a_yes(bench: Bench) -> None:
    bench.through("top ring", "sixteen goes seventeen snug", "accept it")
    bench.say("cylinder one top ring seventeen snug")
    assert bench.state.pending is not None
    assert bench.state.pending.about == "open again"
    assert bench.state.ring((1, TOP)).outcome is Outcome.ACCEPTED
    bench.say("yes")
    ring = bench.state.ring((1, TOP))
    assert (ring.outcome, len(ring.facts), bench.state.here) == (None, 3, (1, TOP))


def test_opening_again_does_not_make_an_impossible_reading_true(bench: Bench) -> None:
    bench.through("top ring", "sixteen goes seventeen snug", "accept it")
    bench.type("cylinder one top ring twenty five goes")
    bench.say("yes")
    assert bench.state.pending is not None
    assert bench.state.pending.about == "reading contradicts"
    assert len(bench.state.ring((1, TOP)).facts) == 2
    bench.say("yes")
    assert len(bench.state.ring((1, TOP)).facts) == 3


def test_a_cut_on_an_accepted_ring_is_asked_back(bench: Bench) -> None:
    bench.through("top ring", "sixteen goes seventeen snug", "accept it", "back to cylinder one "
                  "top ring", "ground one")  # fmt: skip
    assert bench.state.pending is not None
    assert bench.state.pending.about == "open again"


def test_a_spoiled_ring_is_replaced_by_a_fresh_one_after_a_yes(bench: Bench) -> None:
    bench.through("top ring", "twenty one goes twenty two snug", "spoiled ring")
    assert bench.state.here == (2, UPPER)
    bench.say("cylinder one top ring")
    assert bench.state.pending is not None
    assert bench.state.pending.about == "another ring"
    bench.say("yes")
    assert (bench.state.here, bench.state.ring((1, TOP))) == ((1, TOP), Ring(replaced=1))


# --- what can hardly be true ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("calls", "about"),
    [
        (["seventeen goes seventeen snug", "twelve no go"], "reading contradicts"),
        (["twelve goes thirteen snug", "ground two", "eleven no go"], "reading shrank"),
        (["ten goes eleven snug", "ground five", "twelve no go"], "reading grew too little"),
        (["twelve goes thirteen snug", "ground two", "twenty goes"], "reading grew too much"),
        (
            ["two goes three snug", "ground ten", "six goes", "seven snug"],
            "reading grew too little",
        ),
        (
            ["two goes three snug", "ground ten", "thirteen snug", "ten no go"],
            "reading contradicts",
        ),
        (["ten goes eleven snug", "ground five", "ground five"], "second cut"),
        (["butts", "ground ten", "ground ten"], "second cut"),
        (["ground ten and a half"], "large cut"),
        (["fifteen goes sixteen snug", "ground six"], "large cut"),
    ],
)
def test_what_can_hardly_be_true_is_asked_back_and_counts_only_after_a_yes(
    new_bench: NewBench, calls: list[str], about: str
) -> None:
    for answer, counts in (("no", 0), ("yes", 1)):
        bench = new_bench()
        bench.type("top ring")
        for call in calls[:-1]:
            bench.type(call)
            assert bench.state.pending is None, call
        before = bench.state.ring((1, TOP))
        bench.type(calls[-1])
        assert bench.state.pending is not None
        assert bench.state.pending.about == about
        assert bench.state.ring((1, TOP)) == before
        bench.type(answer)
        assert bench.state.pending is None
        assert len(bench.state.ring((1, TOP)).facts) == len(before.facts) + counts


def test_said_again_word_for_word_is_a_yes(bench: Bench) -> None:
    bench.through("top ring", "ground ten and a half", "ground ten and a half")
    assert bench.last.events == (
        ev.QuestionAnswered(yes=True),
        ev.MetalGround(cylinder=1, position=TOP, feed_nm=266_700),
    )


def test_another_call_drops_the_question(bench: Bench) -> None:
    bench.through("top ring", "ground ten and a half", "ground two")
    assert bench.state.pending is None
    assert bench.state.ring((1, TOP)).passes == 1


def test_many_strokes_of_a_file_are_asked_back(metric_bench: Bench) -> None:
    # Usual file: 8 micrometres a stroke guessed, 0.25 mm the largest cut: 62 strokes are twice it.
    metric_bench.type("top ring")
    metric_bench.type("60 strokes")
    assert metric_bench.state.pending is None
    metric_bench.type("ground two")
    assert metric_bench.last.refused == "job has a file"


def test_a_coarse_file_is_asked_back_sooner(metric_grammar: Grammar, wording: Wording) -> None:
    tool = Grinder(kind=GrinderKind.FILE, step_nm=20_000, largest_cut_nm=200_000,
                   butting_cut_nm=100_000)  # fmt: skip
    job = small_job(unit=Unit.METRIC, grinder=tool)
    bench = Bench(job, metric_grammar, wording)
    bench.type("20 strokes")
    assert bench.state.pending is None
    assert bench.type("21 strokes") == "twenty one strokes? That is a large cut. Yes or no?"


# --- taking back and correcting ---------------------------------------------------------------


def test_take_that_back_takes_back_the_last_entry_as_if_never_said(bench: Bench) -> None:
    bench.say("top ring")
    before = bench.state
    bench.through("fifteen goes sixteen snug", "take that back")
    assert bare(bench.state).rings == bare(before).rings
    assert bench.state.here == before.here


def test_take_that_back_drops_an_open_question_and_keeps_the_entry_before(bench: Bench) -> None:
    bench.through("top ring", "fifteen goes sixteen snug", "ground ten", "take that back")
    assert bench.last.events == (ev.QuestionAnswered(yes=False),)
    assert len(bench.state.ring((1, TOP)).facts) == 2


@pytest.mark.parametrize("calls", [["two goes three snug", "ground four", "ground four"],
                                   ["ground five", "ground five"],
                                   ["ten goes eleven snug", "ground five", "sixteen goes",
                                    "ground half"]])  # fmt: skip
def test_a_second_cut_that_cannot_go_over_is_not_asked(bench: Bench, calls: list[str]) -> None:
    bench.through("top ring", *calls)
    assert bench.state.pending is None


def test_a_check_leaves_the_question_of_its_ring_open(bench: Bench) -> None:
    bench.through("top ring", "two goes three snug", "ground ten", "six goes seven snug")
    waiting = bench.state.pending
    said = bench.type("deburred")
    assert said.startswith("Deburred. seven thou snug? The gap grew less than you cut.")
    assert bench.state.pending == waiting
    bench.type("yes")
    assert [fact.leaf_nm for fact in bench.state.ring((1, TOP)).facts[-2:]] == [6 * THOU, 7 * THOU]  # type: ignore[union-attr]
    assert Check.DEBURRED in bench.state.ring((1, TOP)).checks


def test_a_leaf_that_was_refused_is_corrected_and_not_the_entry_before_it(bench: Bench) -> None:
    bench.through("top ring", "six goes seven snug", "ground six")
    bench.type("twelve goes sixty snug")
    assert bench.last.refused == "no such leaf"
    bench.type("make that thirteen")
    facts = bench.state.ring((1, TOP)).facts
    assert facts[2:] == (Cut(feed_nm=6 * THOU), Reading(12 * THOU, Feel.GOES),
                         Reading(13 * THOU, Feel.SNUG))  # fmt: skip


@pytest.mark.parametrize("call", ["sixty goes", "cylinder nine", "twelve strokes"])
@pytest.mark.parametrize("repair", ["take that back", "make that nine"])
def test_after_a_refused_call_the_entry_before_it_is_changed_only_after_a_yes(
    bench: Bench, call: str, repair: str
) -> None:
    bench.through("top ring", "six goes seven snug", "ground six")
    bench.type(call)
    assert bench.last.refused is not None
    if (call, repair) == ("sixty goes", "make that nine"):
        return  # the leaf is corrected
    said = bench.type(repair)
    assert said == "The last call was not noted. Change what stands: ground six thou? Yes or no?"
    assert bench.state.ring((1, TOP)).facts[-1] == Cut(feed_nm=6 * THOU)
    bench.type("yes")
    left = bench.state.ring((1, TOP)).facts[2:]
    assert left == (() if repair == "take that back" else (Cut(feed_nm=9 * THOU),))


def test_a_call_that_was_taken_since_is_what_take_that_back_means(bench: Bench) -> None:
    bench.through("top ring", "six goes seven snug")
    bench.type("sixty goes")
    bench.type("ground six")
    assert bench.type("take that back").startswith("Taken back: ground six thou.")
    for call in ("ground five", "make that forty", "make that six"):
        bench.type(call)
    assert bench.state.ring((1, TOP)).facts[2:] == (Cut(feed_nm=6 * THOU),)


def test_the_pick_that_opened_the_session_cannot_be_taken_back(bench: Bench) -> None:
    bench.through("sixteen goes", "take that back", "take that back")
    assert bench.last.refused == "nothing to take back"
    assert bench.state.here == (1, UPPER)


def test_make_that_corrects_the_last_number_only(bench: Bench) -> None:
    bench.through("top ring", "fourteen goes fifteen snug", "make that sixteen")
    assert bench.last.events[1:] == (tried(14, Feel.GOES), tried(16, Feel.SNUG))
    assert [fact.leaf_nm for fact in bench.state.ring((1, TOP)).facts] == [14 * THOU, 16 * THOU]  # type: ignore[union-attr]


def test_make_that_corrects_a_cut(bench: Bench) -> None:
    bench.through("top ring", "ground two", "make that two and a half")
    assert bench.state.ring((1, TOP)).facts == (  # one cut, not two
        bench.state.ring((1, TOP)).facts[-1],
    )
    assert bench.last.events[-1] == ev.MetalGround(cylinder=1, position=TOP, feed_nm=63_500)


def test_make_that_corrects_strokes_which_are_whole(metric_bench: Bench) -> None:
    metric_bench.type("twelve strokes")
    metric_bench.type("make that ten and a half")
    assert metric_bench.last.refused == "half a stroke"
    metric_bench.type("make that ten")
    assert metric_bench.last.events[-1].strokes == 10


def test_make_that_with_a_leaf_not_in_the_set_keeps_the_entry(bench: Bench) -> None:
    bench.through("top ring", "fifteen goes")
    bench.type("make that fifteen and a half")
    assert bench.last.refused == "no such leaf"
    assert len(bench.state.ring((1, TOP)).facts) == 1


def test_make_that_corrects_what_is_asked_back(bench: Bench) -> None:
    bench.through("top ring", "ground twelve", "make that two")
    assert bench.state.pending is None
    assert bench.last.events == (ev.MetalGround(cylinder=1, position=TOP, feed_nm=2 * THOU),)


def test_a_correction_that_can_hardly_be_true_is_asked_back(bench: Bench) -> None:
    bench.through("top ring", "ground two", "make that twelve")
    assert bench.state.pending is not None
    assert bench.state.pending.about == "large cut"
    bench.say("yes")
    assert bench.state.ring((1, TOP)).facts == (Cut(feed_nm=12 * THOU),)


def test_a_correction_that_is_denied_leaves_what_was_entered(bench: Bench) -> None:
    # A cut that was made must never be lost: its advice would be to cut once more.
    for denied in ("no", "take that back"):
        bench.through("ground two", "make that twelve", denied)
        assert bench.state.pending is None
        assert bench.state.ring((1, UPPER)).facts == (Cut(feed_nm=2 * THOU),)
        bench.say("take that back")
        assert bench.state.ring((1, UPPER)).facts == ()


def test_a_correction_that_is_asked_back_can_be_corrected_or_said_again(
    new_bench: NewBench,
) -> None:
    for after_it in ("make that three", "make that twelve"):
        bench = new_bench().through("top ring", "ground two", "make that fourteen", after_it)
        if bench.state.pending is not None:
            bench.say("ground twelve")  # word for word: that is a yes
        facts = bench.state.ring((1, TOP)).facts
        assert facts == (Cut(feed_nm=(3 if after_it == "make that three" else 12) * THOU),)


def test_an_old_question_is_not_answered_by_a_correction_to_the_same_number(bench: Bench) -> None:
    bench.through("top ring", "ground twelve", "ground two", "make that twelve")
    assert bench.state.pending is not None
    assert bench.state.ring((1, TOP)).facts == (Cut(feed_nm=2 * THOU),)


# --- the difference of top and second ---------------------------------------------------------


def test_an_unwanted_difference_of_top_and_second_is_asked_back(
    grammar: Grammar, wording: Wording
) -> None:
    rings = (
        RingSpec(position=TOP, rule=LimitsRule(least_nm=15 * THOU, most_nm=21 * THOU)),
        RingSpec(position=SECOND, rule=LimitsRule(least_nm=15 * THOU, most_nm=21 * THOU)),
    )
    job = small_job(rings=rings, order=(SECOND, TOP),
                    top_over_second=Relation(least_nm=0, most_nm=THOU))  # fmt: skip
    bench = Bench(job, grammar, wording)
    bench.through("second ring", "eighteen goes nineteen snug", "accept it")
    bench.through("cylinder one top ring", "sixteen goes seventeen snug", "accept it")
    assert bench.state.pending is not None
    assert bench.state.pending.about == "accept relation"
    assert bench.speaker.said[-1] == (
        "The top is minus two thou over the second; this job wants zero thou to one thou. Accept "
        "it? Yes or no?"
    )
    bench.say("yes")
    assert bench.state.ring((1, TOP)).outcome is Outcome.ACCEPTED


@pytest.mark.parametrize("before", [(), ("second ring", "no leaf goes")])
def test_the_difference_is_not_asked_of_a_ring_whose_pair_is_not_accepted(
    grammar: Grammar, wording: Wording, before: tuple[str, ...]
) -> None:
    rings = tuple(
        RingSpec(position=position, rule=LimitsRule(least_nm=15 * THOU, most_nm=21 * THOU))
        for position in (TOP, SECOND)
    )
    job = small_job(rings=rings, top_over_second=Relation(least_nm=0, most_nm=THOU))
    bench = Bench(job, grammar, wording)
    bench.through(*before, "top ring", "eighteen goes nineteen snug", "accept it")
    assert bench.state.pending is None
    assert bench.state.ring((1, TOP)).outcome is Outcome.ACCEPTED


def test_a_refusal_says_its_name_and_facts() -> None:
    assert str(CommandNotAllowed(Refusal.NO_SUCH_CYLINDER, cylinder=9)) == (
        "Not allowed now: no such cylinder (cylinder 9)."
    )
    assert str(CommandNotAllowed(Refusal.NO_SUCH_LEAF, leaf_nm=Length(393_700))) == (
        "Not allowed now: no such leaf (leaf_nm 393700)."
    )


def test_of_readings_that_contradict_each_other_the_one_confirmed_last_counts(
    new_bench: NewBench,
) -> None:
    bench = new_bench().through("top ring", "seventeen goes", "butts", "yes")
    assert bench.state.belief((1, TOP)).butting
    assert bench.speaker.said[-1].startswith("Butts. Grind ")
    for leaf, best in (("three", 4), ("fifteen", 16)):
        bench = new_bench().through("top ring", "butts", f"{leaf} goes", "yes")
        belief = bench.state.belief((1, TOP))
        assert belief.known
        assert belief.best_nm >= (best - 1) * THOU


@pytest.mark.parametrize(
    ("rate", "feed", "asked"),
    [(0.9, 11, False), (0.9, 11.5, True), (1.0, 10, False), (1.0, 10.5, True), (1.2, 10, False)],
)
def test_a_cut_is_large_by_the_dial_and_by_what_it_takes_off(
    bench: Bench, rate: float, feed: float, asked: bool
) -> None:
    """The largest cut is 10 thou; 11 thou of feed at nine tenths take off 9.9."""
    start = bench.state.learned.model_copy(update={"rate": rate})
    opened = ev.SessionOpened(job=bench.job, software="test", start=start)
    state = after(State(), opened, ev.RingPicked(cylinder=1, position=UPPER))
    made = decide(state, Ground(round(feed * THOU)))
    assert isinstance(made[0], ev.QuestionAsked) is asked
    assert (plausibility(Ground(round(feed * THOU)), state) < 1.0) is asked
