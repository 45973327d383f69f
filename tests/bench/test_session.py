"""The state: what each event makes of it, and that taking back leaves no trace."""

import dataclasses
from typing import Any

import pytest

from assistant.bench import events as ev
from assistant.bench.advice import advise
from assistant.bench.commands import Check
from assistant.bench.reply_terms import CommandNotAllowed
from assistant.bench.session import Outcome, Pending, Ring, State, apply, replay
from assistant.fitting.facts import Cut, Feel, Reading, Reseated
from assistant.fitting.targets import Window
from tests.fakes import LOWER, SECOND, START, THOU, TOP, UPPER, after, small_job, stored

JOB = small_job()
OPENED = (ev.SessionOpened(job=JOB, software="test"), ev.RingPicked(cylinder=1, position=UPPER))
AT = {"cylinder": 1, "position": UPPER}


def opened() -> State:
    return after(State(), *OPENED)


def tried(thou: int, feel: Feel = Feel.GOES, **where: Any) -> ev.LeafTried:
    return ev.LeafTried(**{**AT, **where}, leaf_nm=thou * THOU, leaves=1, feel=feel)


def bare(state: State) -> State:
    """Without what counts turns: two sessions compare equal if the bench is the same."""
    return dataclasses.replace(state, turn=-1, seq=-1, retracted=frozenset(), before=None,
                               entry_turn=-1)  # fmt: skip


def test_an_empty_state_has_no_job_and_says_so() -> None:
    with pytest.raises(CommandNotAllowed, match="no job"):
        _ = State().the_job


def test_a_session_opens_with_its_job_and_the_first_ring_at_hand() -> None:
    state = opened()
    assert (state.job, state.here, state.turn, state.seq) == (JOB, (1, UPPER), 0, 1)
    assert state.before is None


@pytest.mark.parametrize(
    ("events", "ring"),
    [
        ([tried(15)], Ring(facts=(Reading(15 * THOU, Feel.GOES),))),
        (
            [ev.LeafTried(**AT, leaf_nm=16 * THOU, leaves=2, feel=Feel.SNUG)],
            Ring(facts=(Reading(16 * THOU, Feel.SNUG, leaves=2),)),
        ),
        (
            [ev.MetalGround(**AT, feed_nm=3 * THOU)],
            Ring(facts=(Cut(feed_nm=3 * THOU),), passes=1),
        ),
        ([ev.StrokesFiled(**AT, strokes=4)], Ring(facts=(Cut(strokes=4),), passes=1)),
        (
            [ev.RingChecked(**AT, check="square")],
            Ring(facts=(Reseated(),), checks=frozenset({Check.SQUARE})),
        ),
        (
            [ev.RingChecked(**AT, check="deburred"), ev.RingChecked(**AT, check="ends square")],
            Ring(checks=frozenset({Check.DEBURRED, Check.ENDS_SQUARE})),
        ),
        (
            [ev.RingChecked(**AT, check="ends square"),
             ev.RingChecked(**AT, check="ends not square")],
            Ring(checks=frozenset({Check.ENDS_NOT_SQUARE})),
        ),
        (
            [ev.RingChecked(**AT, check="ends not square"),
             ev.RingChecked(**AT, check="ends square")],
            # Dressing took metal off: what was measured before it no longer holds.
            Ring(
                facts=(Cut(feed_nm=THOU // 2, dressing=True),),
                checks=frozenset({Check.ENDS_SQUARE}),
            ),
        ),
        (
            [ev.RingChecked(**AT, check="deburred"), ev.MetalGround(**AT, feed_nm=THOU)],
            Ring(facts=(Cut(feed_nm=THOU),), passes=1),
        ),
        ([ev.RingAccepted(**AT, outside=True)], Ring(outcome=Outcome.ACCEPTED, outside=True)),
        ([ev.RingSpoiled(**AT)], Ring(outcome=Outcome.SPOILED)),
        ([ev.RingSkipped(**AT)], Ring(outcome=Outcome.SKIPPED)),
        (
            [tried(15), ev.RingAccepted(**AT, outside=True), ev.RingReopened(**AT)],
            Ring(facts=(Reading(15 * THOU, Feel.GOES),)),
        ),
        ([tried(15), ev.RingSpoiled(**AT), ev.RingReopened(**AT, fresh=True)],
            Ring(replaced=1)),
    ],
)  # fmt: skip
def test_an_event_makes_of_a_ring(events: list[Any], ring: Ring) -> None:
    state = opened()
    for event in events:
        state = after(state, event)
    assert state.ring((1, UPPER)) == ring
    assert {key: other for key, other in state.rings.items() if key != (1, UPPER)} == {}


@pytest.mark.parametrize("made", [ev.RingAccepted, ev.RingSpoiled, ev.RingSkipped])
def test_a_ring_that_is_left_is_no_longer_at_hand(made: Any) -> None:
    assert after(opened(), made(**AT)).here is None


def test_apply_changes_nothing_in_the_state_it_is_given() -> None:
    state = opened()
    kept = dataclasses.replace(state, rings=dict(state.rings))
    after(state, tried(15), ev.RingAccepted(**AT))
    assert state == kept


def test_a_question_waits_and_any_entry_or_answer_ends_it() -> None:
    event = tried(50)
    asked = after(
        opened(), ev.QuestionAsked(about="reading impossible", facts={"a": "b"}, pending=(event,))
    )
    assert asked.pending == Pending("reading impossible", {"a": "b"}, (event,))
    assert asked.ring((1, UPPER)) == Ring()
    for made in (ev.QuestionAnswered(yes=False), tried(15), ev.ListeningPaused(),
                 ev.SessionClosed(), ev.SessionResumed(software="test")):  # fmt: skip
        assert after(asked, made).pending is None
    assert after(asked, ev.ReplyGiven(text="x")).pending == asked.pending


def test_pausing_noting_closing_and_going_on() -> None:
    paused = after(opened(), ev.ListeningPaused())
    noting = after(opened(), ev.NoteBegun())
    closed = after(opened(), ev.SessionClosed())
    assert (paused.listening, noting.noting, closed.closed) == (False, True, True)
    assert after(paused, ev.ListeningResumed()).listening
    assert not after(noting, ev.NoteKept(text="x")).noting
    for left in (paused, noting, closed):
        resumed = after(left, ev.SessionResumed(software="test"))
        assert (resumed.listening, resumed.noting, resumed.closed) == (True, False, False)


def test_the_last_reply_is_kept_for_say_again() -> None:
    state = after(opened(), ev.ReplyGiven(text="one"), ev.ReplyGiven(text="two"))
    assert state.last_reply == "two"


# --- taking back ------------------------------------------------------------------------------


def test_an_entry_of_several_events_is_taken_back_whole() -> None:
    before = opened()
    there = {"cylinder": 2, "position": TOP}
    entered = after(before, ev.RingPicked(**there), tried(15, **there), tried(16, **there))
    assert [event.kind for event in entered.last_entry] == [
        "ring picked", "leaf tried", "leaf tried",
    ]  # fmt: skip
    undone = after(entered, ev.EntryRetracted(retracted_turn=entered.turn))
    assert bare(undone) == bare(before)
    assert undone.retracted == {entered.turn}
    assert undone.turn == entered.turn + 1


def test_entries_are_taken_back_one_after_the_other_to_the_start() -> None:
    states = [opened()]
    for thou in (15, 16, 17):
        states.append(after(states[-1], tried(thou)))
    state = states.pop()
    while states:
        state = after(state, ev.EntryRetracted(retracted_turn=state.entry_turn))
        assert bare(state) == bare(states.pop())
    assert state.before is None
    assert state.retracted == {1, 2, 3}


def test_taking_back_an_entry_that_the_log_has_lost_changes_nothing() -> None:
    """As in a damaged log: the turn that was taken back is not there."""
    state = after(opened(), tried(15))
    again = after(state, ev.EntryRetracted(retracted_turn=99))
    assert bare(again) == bare(state)
    first = after(State(), *OPENED)
    assert bare(after(first, ev.EntryRetracted(retracted_turn=0))) == bare(first)


def test_what_is_not_an_entry_is_not_taken_back() -> None:
    entered = after(opened(), tried(15))
    later = after(after(entered, ev.ListeningPaused()), ev.ReplyGiven(text="kept"))
    undone = after(later, ev.EntryRetracted(retracted_turn=entered.turn))
    assert (undone.listening, undone.last_reply) == (False, "kept")
    assert undone.ring((1, UPPER)) == Ring()


def test_a_correction_is_taken_back_with_what_it_corrected() -> None:
    entered = after(opened(), tried(15))
    corrected = after(entered, ev.EntryRetracted(retracted_turn=1), tried(16))
    assert corrected.ring((1, UPPER)).facts == (Reading(16 * THOU, Feel.GOES),)
    undone = after(corrected, ev.EntryRetracted(retracted_turn=corrected.entry_turn))
    assert undone.ring((1, UPPER)) == Ring()
    assert undone.retracted == {1, 2}


def test_replay_of_the_stored_events_is_the_state() -> None:
    turns: list[tuple[Any, ...]] = [
        OPENED,
        (tried(15), ev.ReplyGiven(text="x")),
        (ev.EntryRetracted(retracted_turn=1),),
        (tried(16),),
        (ev.RingAccepted(**AT), ev.RingPicked(cylinder=1, position=SECOND)),
    ]
    envelopes = stored(*turns)
    state = State()
    for envelope in envelopes:
        state = apply(state, envelope)
    assert replay(envelopes) == state
    assert state.here == (1, SECOND)


# --- looking at it ----------------------------------------------------------------------------


def test_the_window_is_that_of_the_ring_in_its_own_bore() -> None:
    # Second ring: 0.0045 x bore (common practice, no source) = 18 thou at 4.000 in;
    # 0.0045 x 4.030 in = 18.135 thou, rounded up to the half: 18.5.
    bored = small_job(bores_nm={2: (4_030 * THOU,)})
    state = after(State(), ev.SessionOpened(job=bored, software="test"))
    assert state.window((1, SECOND)) == Window(18 * THOU, 20 * THOU, 19 * THOU)
    assert state.window((2, SECOND)) == Window(469_900, 520_700, 495_300)
    assert state.window((1, UPPER)) == Window(15 * THOU, None, 15 * THOU)


def test_the_next_ring_goes_round_and_takes_skipped_ones_last() -> None:
    state = opened()
    assert state.next_ring() == (1, SECOND)
    state = after(state, ev.RingSkipped(**AT))
    order = []
    while (key := state.next_ring()) is not None:
        order.append(key)
        state = after(state, ev.RingPicked(cylinder=key[0], position=key[1]))
        state = after(state, ev.RingAccepted(cylinder=key[0], position=key[1]))
    assert order == [(1, SECOND), (1, TOP), (2, UPPER), (2, SECOND), (2, TOP), (1, UPPER)]
    assert state.open_rings() == ()


def test_open_rings_are_those_neither_accepted_nor_spoiled() -> None:
    state = after(opened(), ev.RingSpoiled(**AT), ev.RingSkipped(cylinder=1, position=TOP),
                  ev.RingAccepted(cylinder=2, position=TOP))  # fmt: skip
    assert state.open_rings() == ((1, SECOND), (1, TOP), (2, UPPER), (2, SECOND))


def test_a_ring_of_another_job_in_a_stored_event_is_not_refused_and_does_nothing() -> None:
    """Found by fuzzing: such a ring at hand stopped every later step."""
    before = opened()
    strange = after(before, tried(15, cylinder=9, position=LOWER))
    assert (strange.rings, strange.here) == (before.rings, before.here)
    assert advise(strange).key == before.here


def test_what_stood_before_the_session_was_opened_is_no_part_of_it() -> None:
    """Found by fuzzing: taking back an entry from before the opening took the job away."""
    early = after(State(), tried(15, cylinder=9))
    state = after(early, ev.SessionOpened(job=small_job(), software="x"))
    assert (state.rings, state.here, state.before) == ({}, None, None)
    assert after(state, ev.EntryRetracted(retracted_turn=early.turn)).job == small_job()


def test_a_finished_ring_teaches_the_rings_after_it_and_not_itself() -> None:
    state = opened()
    fresh = state.bench((1, TOP))
    cut = ev.MetalGround(**AT, feed_nm=4 * THOU)
    for event in (
        tried(12, Feel.SNUG), cut, tried(14, Feel.SNUG), cut, tried(16, Feel.SNUG),
        ev.RingAccepted(**AT),
    ):  # fmt: skip
        state = after(state, event)
    assert state.bench((1, UPPER)) == fresh
    taught = state.bench((1, TOP))
    # Four thou of feed opened the gap by two: the rate must fall below one.
    assert taught.grinder.rate < 0.9 * fresh.grinder.rate
    assert state.learned.rings == 1
    assert state.learned.rate == taught.grinder.rate


def test_events_times_do_not_matter_to_the_state() -> None:
    one = ev.envelope(tried(15), seq=2, at=START, turn=1)
    two = ev.envelope(tried(15), seq=2, at=START.replace(year=2030), turn=1)
    assert apply(opened(), one) == apply(opened(), two)
