"""What the live page is told: the same as the read-out shows, as JSON, hostile names and all."""

import json

import pytest

from assistant.bench.ports import Mode
from assistant.bench.ring_status import RingStatus
from assistant.bench.wording import Wording
from assistant.display.page_view import pulse_message, view_message
from assistant.display.panel_model import LiveFacts, facts_of
from tests.fakes import Bench


def view(bench: Bench, wording: Wording) -> dict[str, object]:
    return dict(json.loads(view_message(facts_of(bench.last, wording))))


def test_before_the_first_turn_there_is_nothing() -> None:
    assert json.loads(view_message(None)) == {"t": "view", "ready": False}


def test_the_view_is_what_the_read_out_knows(bench: Bench, wording: Wording) -> None:
    bench.say("cylinder one second ring fifteen goes sixteen snug")
    facts = facts_of(bench.last, wording)
    told = view(bench, wording)
    for name in ("job", "place", "gap", "window", "more", "says", "heard", "big_gap"):
        assert told[name] == getattr(facts, name)
    assert (told["ring"], told["step"]) == ("1 second", facts.big_step)
    assert told["sure"] == 95
    assert told["here"] == [1, 0]
    assert told["verdict"] == {
        "grade": "open",
        "words": "NOT DONE YET: 6 open",
        "progress": "0 of 6 rings accepted inside",
    }
    rows = dict(told["rows"])  # type: ignore[call-overload]
    assert rows["second"] == [["in-work", "in work"], ["to-do", "to do"]]


def test_every_mark_that_is_there_has_a_word(bench: Bench, wording: Wording) -> None:
    bench.through("twenty goes", "accept it", "skip this ring", "twelve goes")
    told = view(bench, wording)
    there = {mark for _, cells in told["rows"] for mark, _ in cells}  # type: ignore[attr-defined]
    assert set(told["signs"]) == there  # type: ignore[call-overload]
    assert "skipped" in there
    assert there <= {status.name_in_pages for status in RingStatus}


def test_the_verdict_names_what_is_wrong_and_cells_tell_chances(
    bench: Bench, wording: Wording
) -> None:
    bench.through("cylinder one second ring twelve goes thirteen snug", "accept it", "yes")
    facts = facts_of(bench.last, wording)
    told = json.loads(view_message(facts))
    assert told["verdict"]["grade"] == "wrong"
    assert told["verdict"]["words"] == facts.verdict.words(named=3)
    assert "(cylinder 1 second)" in told["verdict"]["words"]
    cells = [cell for _, cells in told["rows"] for cell in cells]
    standings = [standing for _, row in facts.rows for standing in row]
    assert cells == [[one.status.name_in_pages, one.words] for one in standings]


def test_a_question_is_told(bench: Bench, wording: Wording) -> None:
    bench.through("cylinder one second ring fifteen goes sixteen snug", "twenty five goes")
    told = view(bench, wording)
    assert told["step"] == "yes or no?"
    assert told["question"]


@pytest.mark.parametrize("mode", list(Mode))
def test_every_mode_has_its_words(mode: Mode) -> None:
    told = json.loads(pulse_message(LiveFacts(mode)))
    assert told["mode"] == mode.value
    assert bool(told["alert"]) == (mode in (Mode.STAND_BY, Mode.LOST))
    assert told["hears"] == (mode in (Mode.LISTENING, Mode.HEARING, Mode.NOTE, Mode.KEYBOARD))


@pytest.mark.parametrize(
    ("level_db", "percent"), [(None, None), (-200.0, 0), (-80.0, 0), (-40.0, 50), (0.0, 100)]
)
def test_levels_are_percent_of_the_meter(level_db: float | None, percent: int | None) -> None:
    told = json.loads(pulse_message(LiveFacts(level_db=level_db, noise_db=level_db)))
    assert (told["level"], told["noise"]) == (percent, percent)


def test_troubles_and_cautions_are_told() -> None:
    live = LiveFacts(troubles=("one", "<two>"), cautions=("care",), level_db=-1.0)
    told = json.loads(pulse_message(live))
    assert (told["troubles"], told["cautions"]) == (["one", "<two>"], ["care"])
    assert told["word"] == "TOO LOUD"
