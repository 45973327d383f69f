"""The story of a session: checked against the plain fold of the same log, entry by entry."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from assistant.adapters.files.session_log import read_log
from assistant.bench import events as ev
from assistant.bench.events import envelope
from assistant.bench.plan import BAND_SHARE
from assistant.bench.ring_status import RingStatus
from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.fitting.facts import Cut, Reading, Reseated
from assistant.record.session_story import Kind, Story, story_of
from tests.fakes import SECOND, START, TOP, UPPER, Bench, small_job, stored

FIXTURE = Path(__file__).parents[1] / "fixtures" / "log_v1.jsonl"
CALLS = (
    "twenty goes", "accept it", "cylinder one second ring fifteen goes sixteen snug",
    "ground two", "deburred", "ring is square", "seventeen goes eighteen almost", "what now",
    "ground half", "take that back", "banana", "twenty five goes", "no", "cylinder one top ring",
    "sixteen goes seventeen snug", "make that eighteen", "spoiled ring",
)  # fmt: skip


def told(bench: Bench, wording: Wording) -> Story:
    return story_of(bench.store.events, wording)


@pytest.fixture
def worked(bench: Bench) -> Bench:
    return bench.through(*CALLS)


def test_what_counts_of_a_ring_is_what_the_fold_of_the_log_holds(
    worked: Bench, wording: Wording
) -> None:
    state = replay(worked.store.events)
    story = told(worked, wording)
    assert [ring.key for ring in story.rings] == list(small_job().places())
    for ring in story.rings:
        facts = [fact for fact in state.ring(ring.key).facts if not isinstance(fact, Reseated)]
        mine: list[Reading | Cut] = []
        for entry in ring.kept:
            mine += [Reading(r.leaf_nm, r.feel, leaves=r.leaves) for r in entry.readings]
            mine += [Cut(feed_nm=cut.feed_nm) for cut in entry.cuts]
        assert mine == facts
        assert ring.passes == state.ring(ring.key).passes
    assert sum(ring.readings for ring in story.rings) >= 5


def test_every_band_is_what_the_bench_believed_at_the_end_of_that_call(
    worked: Bench, wording: Wording
) -> None:
    checked = 0
    for ring in told(worked, wording).rings:
        for entry in ring.entries:
            then = replay(e for e in worked.store.events if e.turn <= entry.turn)
            belief = then.belief(ring.key)
            if not then.ring(ring.key).facts or not belief.seen:
                assert entry.band is None
                continue
            assert entry.band is not None
            assert (entry.band.low_nm, entry.band.high_nm) == belief.interval_nm(BAND_SHARE)
            assert entry.band.best_nm == belief.best_nm
            assert entry.band.felt == (belief.readings > 0)
            checked += 1
    assert checked >= 8


def test_what_was_taken_back_stays_in_the_story_and_is_struck(
    worked: Bench, wording: Wording
) -> None:
    story = told(worked, wording)
    second = next(ring for ring in story.rings if ring.key == (1, SECOND))
    assert [entry.texts for entry in second.entries if entry.struck] == [("ground 0.5 thou",)]
    assert second.taken_back == 1
    struck = [turn for turn in story.turns if turn.taken_back]
    back = [turn for turn in story.turns if turn.takes_back is not None]
    assert [turn.number for turn in struck] == [turn.takes_back for turn in back]
    assert all(Kind.CORRECTION in turn.kinds for turn in back)
    corrected = next(t for t in back if t.heard and t.heard.words == "make that eighteen")
    assert "18 thou snug" in corrected.understood


def test_the_turns_tell_calls_questions_answers_and_refusals(
    worked: Bench, wording: Wording
) -> None:
    by_words = {t.heard.words: t for t in told(worked, wording).turns if t.heard is not None}
    assert by_words["banana"].kinds == {Kind.REFUSED}
    assert by_words["what now"].kinds == {Kind.ASKED}
    asked = by_words["twenty five goes"]
    assert asked.asked is not None
    assert asked.asked.endswith("25 thou goes")
    assert asked.replies[0].endswith("Yes or no?")
    assert by_words["no"].answered is False
    assert by_words["no"].understood == ("no",)
    assert by_words["ground two"].rings == ((1, SECOND),)


def test_totals_count_what_the_log_holds(worked: Bench, wording: Wording) -> None:
    story = told(worked, wording)
    events = [stored.event for stored in worked.store.events]
    assert story.totals.calls == len(CALLS)
    assert story.totals.refused == sum(
        isinstance(e, ev.CallHeard) and e.refused is not None for e in events
    )
    assert story.totals.corrections == sum(isinstance(e, ev.EntryRetracted) for e in events) == 2
    assert story.totals.asked_back == sum(isinstance(e, ev.QuestionAsked) for e in events)
    assert story.events == len(events)


def test_how_every_ring_stands(worked: Bench, wording: Wording) -> None:
    worked.through("cylinder two top ring", "skip this ring", "cylinder two second ring",
                   "fifteen goes sixteen snug")  # fmt: skip
    standing = {ring.key: ring.standing.status for ring in told(worked, wording).rings}
    assert standing == {
        (1, UPPER): RingStatus.ACCEPTED, (1, SECOND): RingStatus.IN_WORK,
        (1, TOP): RingStatus.SPOILED, (2, UPPER): RingStatus.TO_DO,
        (2, SECOND): RingStatus.IN_WORK, (2, TOP): RingStatus.SKIPPED,
    }  # fmt: skip


def test_the_ring_in_the_place_of_a_spoiled_one_is_another_specimen(
    worked: Bench, wording: Wording
) -> None:
    worked.through("cylinder one top ring", "yes", "ten goes eleven snug", "ground one")
    top = next(ring for ring in told(worked, wording).rings if ring.key == (1, TOP))
    assert top.specimens == 2
    assert [entry.texts for entry in top.kept if entry.specimen == 2][1:] == [
        ("10 thou goes", "11 thou snug"), ("ground 1 thou",),
    ]  # fmt: skip
    worked.through("take that back", "take that back", "take that back")
    top = next(ring for ring in told(worked, wording).rings if ring.key == (1, TOP))
    assert (top.specimens, top.standing.status) == (1, RingStatus.SPOILED)


def test_time_at_the_bench_leaves_out_the_time_between_sittings(wording: Wording) -> None:
    made = (
        (0, ev.SessionOpened(job=small_job(), software="a")), (40, ev.ListeningPaused()),
        (9000, ev.SessionResumed(software="b")), (9015, ev.ListeningResumed()),
    )  # fmt: skip
    log = [envelope(event, seq=n, at=START + timedelta(seconds=s), turn=n)
           for n, (s, event) in enumerate(made)]  # fmt: skip
    story = story_of(log, wording)
    assert (story.totals.bench_s, story.totals.sittings) == (55.0, 2)
    assert [turn.sitting for turn in story.turns] == [1, 1, 2, 2]
    assert story.software == ("a", "b")


def test_clips_that_were_forgotten_are_told_as_erased(wording: Wording) -> None:
    log = stored(
        (ev.SessionOpened(job=small_job(), software="a"),), (ev.NoteKept(clip="0001.wav"),),
        (ev.ClipsForgotten(clips=1),), (ev.NoteKept(clip="0002.wav"),),
    )  # fmt: skip
    assert [(t.clips, t.erased) for t in story_of(log, wording).turns if t.clips] == [
        (("0001.wav",), True), (("0002.wav",), False),
    ]  # fmt: skip


def test_a_log_without_its_beginning_is_told_without_rings(worked: Bench, wording: Wording) -> None:
    story = story_of(worked.store.events[3:], wording)
    assert (story.job, story.rings) == (None, ())
    assert len(story.turns) >= len(CALLS)


def test_a_ring_that_the_job_lacks_is_no_ring_of_the_story(wording: Wording) -> None:
    log = stored(
        (ev.SessionOpened(job=small_job(), software="a"),),
        (ev.MetalGround(cylinder=9, position=TOP, feed_nm=25_400),),
    )
    story = story_of(log, wording)
    assert all(not ring.entries for ring in story.rings)
    assert story.turns[1].understood == ("ground 1 thou",)


def test_an_empty_log_is_an_empty_story(wording: Wording) -> None:
    story = story_of([], wording)
    assert (story.turns, story.rings, story.first, story.last) == ((), (), None, None)


def test_a_log_of_form_1_is_told(wording: Wording) -> None:
    story = story_of(read_log(FIXTURE), wording)
    assert story.totals.calls > 5
    assert any(ring.entries for ring in story.rings)


def test_a_metric_job_is_told_in_its_unit(
    metric_bench: Bench, wording: Wording, new_bench: Callable[[], Bench]
) -> None:
    metric_bench.through("thirty goes", "twelve strokes")
    top = next(r for r in told(metric_bench, wording).rings if r.entries)
    assert [entry.texts for entry in top.entries] == [("0.300 mm goes",), ("12 strokes",)]
