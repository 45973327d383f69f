"""Events: every kind goes through a stored line and comes back; old lines open for ever."""

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import ValidationError

from assistant.bench import events as ev
from assistant.bench.job import Job
from assistant.bench.learned import learned_from
from assistant.bench.log_chain import scan
from assistant.bench.session import Outcome, replay
from assistant.errors import LogDamaged
from assistant.fitting.bench import Bench
from assistant.fitting.facts import Feel
from tests.fakes import START, TOP, UPPER, metric_job, small_job, stored

FIXTURES = Path(__file__).parents[1] / "fixtures"
AT = {"cylinder": 2, "position": TOP}

LEARNED = learned_from(Bench(), rings=3)

EVENTS: list[Any] = [
    ev.SessionOpened(job=small_job(), software="leafcall 0.1.0", start=LEARNED),
    ev.SessionOpened(job=small_job(), software="leafcall 0.1.0"),
    ev.SessionOpened(job=metric_job(bores_nm={1: (83_010_000, 83_000_000)}), software="x"),
    ev.SessionResumed(software="leafcall 0.1.0"),
    ev.SessionClosed(),
    ev.CallHeard(source="bench.wav", words="fifteen goes", command="readings", refused=None,
                 score=0.9731, start_s=1.25, end_s=2.5),
    ev.CallHeard(source="keyboard", words="größer ½ \u2028 \"x\"", command=None,
                 refused="unknown words", score=1.0, start_s=0.0, end_s=0.0),
    ev.ReplyGiven(text="Try fifteen."),
    ev.RingPicked(**AT),
    ev.LeafTried(**AT, leaf_nm=393_700, leaves=2, feel=Feel.SNUG),
    ev.MetalGround(**AT, feed_nm=63_500),
    ev.StrokesFiled(**AT, strokes=12),
    ev.RingChecked(**AT, check="ends not square"),
    ev.RingAccepted(**AT, outside=True),
    ev.RingSpoiled(**AT),
    ev.RingSkipped(**AT),
    ev.RingReopened(**AT, fresh=True),
    ev.QuestionAsked(about="large cut", facts={"feed_nm": "254000"},
                     pending=(ev.MetalGround(**AT, feed_nm=254_000), ev.RingPicked(**AT))),
    ev.QuestionAnswered(yes=True),
    ev.EntryRetracted(retracted_turn=7),
    ev.ListeningPaused(),
    ev.ListeningResumed(),
    ev.NoteBegun(),
    ev.NoteKept(clip="0001.wav"),
    ev.NoteKept(text="the blue rag"),
    ev.CallHeard(source="usb microphone", words="sixteen snug", command="readings", refused=None,
                 score=0.88, start_s=3.5, end_s=4.5, clip="0002.wav"),
    ev.ClipKeepingSet(on=True, most_mb=50),
    ev.ClipsForgotten(clips=2),
    ev.VoiceSet(volume_percent=80, words_per_minute=150),
    ev.TroubleNoted(about="microphone lost", detail="it gives no sound any more"),
]  # fmt: skip


def test_every_kind_of_event_is_in_the_list_of_this_test() -> None:
    union, _ = get_args(ev.Event)
    assert {type(event) for event in EVENTS} == set(get_args(union))


@pytest.mark.parametrize("event", EVENTS, ids=lambda event: event.kind)
def test_an_event_comes_back_from_its_line_as_it_was(event: Any) -> None:
    envelope = ev.envelope(event, seq=3, at=START, turn=2)
    line, check = ev.to_line(envelope, before="0123456789abcdef", end=False)
    assert "\n" not in line
    found = ev.from_line(line, line=4)
    assert (found.envelope, found.check, found.end) == (envelope, check, False)


def test_a_line_is_plain_json_with_form_order_time_turn_and_kind() -> None:
    envelope = ev.envelope(ev.RingPicked(**AT), seq=0, at=START, turn=0)
    line, check = ev.to_line(envelope, before="", end=True)
    assert json.loads(line) == {
        "v": 2, "seq": 0, "at": "2026-03-01T08:00:00Z", "turn": 0,
        "event": {"kind": "ring picked", "cylinder": 2, "position": "top"},
        "end": True, "check": check,
    }  # fmt: skip


def test_the_check_is_the_hash_of_the_check_before_and_the_text_before_it() -> None:
    """Against hashlib and plain string handling: any other program can do the same."""
    before = ""
    text, last = ev.to_lines(stored(EVENTS))
    for line in text.split("\n")[:-1]:
        body, _, end = line.rpartition(',"check":"')
        assert end == hashlib.sha256((before + body).encode()).hexdigest()[:16] + '"}'
        before = end[:16]
    assert before == last


def test_only_the_last_of_lines_written_together_ends_them() -> None:
    text, _ = ev.to_lines(stored(EVENTS[:3]))
    assert [json.loads(line)["end"] for line in text.split("\n")[:-1]] == [False, False, True]


def test_kinds_are_unique_and_in_plain_past_tense_words() -> None:
    kinds = [event.kind for event in EVENTS]
    assert len(set(kinds)) == len({type(event) for event in EVENTS})
    assert [kind for kind in kinds if not kind.replace(" ", "").isalpha()] == []


def test_events_cannot_be_changed() -> None:
    event = ev.RingPicked(**AT)
    with pytest.raises(ValidationError, match="frozen"):
        event.cylinder = 3  # type: ignore[misc]


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValidationError, match="timezone"):
        ev.envelope(ev.SessionClosed(), seq=0, at=datetime(2026, 3, 1), turn=0)


LINE, _ = ev.to_line(
    ev.envelope(ev.RingChecked(**AT, check="square"), seq=0, at=START, turn=0), before="", end=True
)


def changed(**changes: Any) -> str:
    """The line in form 1 with other values."""
    data = json.loads(LINE)
    del data["end"], data["check"]
    data["v"] = 1
    for key, value in changes.items():
        (data if key in data else data["event"])[key] = value
    return json.dumps(data)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "Line 9 of the log is not JSON"),
        (LINE[:-3], "Line 9 of the log is not JSON"),
        ("[1]", "Line 9 of the log is no event: it has no form number v"),
        ('{"seq": 0}', "Line 9 of the log is no event: it has no form number v"),
        (changed(v=3), "Line 9 of the log has form 3; this Leafcall reads up to 2. Use a newer"),
        (changed(v=2), "Line 9 of the log does not end with its check"),
        (LINE.replace("square", "polished"), "Line 9 of the log: event.ring checked.check: "),
        (LINE + "\r", "Line 9 of the log has the line end of Windows: .*unchanged copy"),
        ("[" * 100_000, "Line 9 of the log is nested too deep"),
        (changed(v=0), "Line 9 of the log has the unknown form 0"),
        (changed(v="1"), "it has no form number v"),
        (changed(kind="ring eaten"), "Line 9 of the log: event: Input tag 'ring eaten'"),
        (changed(check="polished"), "Line 9 of the log: event.ring checked.check: "),
        (changed(seq=-1), "Line 9 of the log: seq: "),
        (changed(at="2026-03-01T08:00:00"), "Line 9 of the log: at: .*timezone"),
        (changed(more=1), "Line 9 of the log: event.ring checked.more: Extra"),
    ],
)
def test_a_line_that_is_no_whole_event_is_refused_by_number_and_reason(
    text: str, reason: str
) -> None:
    with pytest.raises(LogDamaged, match=reason):
        ev.from_line(text, line=9)


def test_an_old_form_is_brought_up_one_step_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    def from_minus_one(data: dict[str, Any]) -> dict[str, Any]:
        return {**data, "v": 0, "event": {**data["event"], "position": data["event"]["where"]}}

    def from_zero(data: dict[str, Any]) -> dict[str, Any]:
        event = {key: value for key, value in data["event"].items() if key != "where"}
        return {**data, "v": 1, "event": event}

    monkeypatch.setitem(ev.UPCASTERS, -1, from_minus_one)
    monkeypatch.setitem(ev.UPCASTERS, 0, from_zero)
    old = json.dumps(
        {"v": -1, "seq": 0, "at": "2026-03-01T08:00:00Z", "turn": 0,
         "event": {"kind": "ring picked", "cylinder": 2, "where": "top"}}
    )  # fmt: skip
    found = ev.from_line(old, line=1)
    assert found.envelope == ev.envelope(ev.RingPicked(**AT), seq=0, at=START, turn=0)
    assert (found.body, found.check, found.end) == (old, None, True)


def test_an_upcaster_stands_for_every_past_form() -> None:
    assert set(ev.UPCASTERS) == set(range(1, ev.CURRENT_V))


@pytest.mark.parametrize(
    ("name", "kinds", "check"),
    [
        ("log_v1.jsonl", 21, "d841340875a69a77"),
        ("log_v2.jsonl", 25, "c048de2663101b6e"),
        ("log_v1_then_v2.jsonl", 25, "f972b079b8b18812"),
    ],
)
def test_a_stored_log_of_every_form_opens_for_ever(name: str, kinds: int, check: str) -> None:
    """The fixtures are never written again; a later form brings its own file."""
    found = scan((FIXTURES / name).read_bytes())
    assert (found.damages, found.check) == ((), check)
    envelopes = found.events
    # All kinds of its day; a kind that came later does not change this number.
    assert len({envelope.event.kind for envelope in envelopes}) == kinds
    state = replay(envelopes)
    assert state.job is not None
    assert (state.job.name, state.job.cylinders) == ("bench test", 2)
    assert state.turn == envelopes[-1].turn
    assert state.ring((1, UPPER)).outcome is Outcome.ACCEPTED
    assert state.ring((1, TOP)).outside
    assert state.ring((2, TOP)).outcome is Outcome.SPOILED
    assert isinstance(state.job, Job)


def test_stored_events_of_a_turn_share_its_number() -> None:
    turns = stored(EVENTS[:1], EVENTS[7:9])
    assert [(e.seq, e.turn, e.at.tzinfo) for e in turns] == [(0, 0, UTC), (1, 1, UTC), (2, 1, UTC)]
