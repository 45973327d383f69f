"""A turn and a log as lines to read, and the sheet's input."""

from datetime import timedelta, timezone

import pytest

from assistant.bench.reply_terms import CommandNotAllowed
from assistant.bench.ring_status import RingStatus
from assistant.bench.session import State
from assistant.bench.wording import Wording
from assistant.display.turn_lines import ring_line, turn_lines
from assistant.record.review_text import review_lines
from assistant.record.sheet_from_log import sheet_of
from tests.fakes import SECOND, TOP, UPPER, Bench


def lines(bench: Bench, wording: Wording) -> list[tuple[str, str]]:
    return list(turn_lines(bench.last, wording))


def test_a_turn_shows_what_was_heard_what_it_means_the_ring_and_the_answer(
    bench: Bench, wording: Wording
) -> None:
    bench.say("top ring")
    bench.say("twelve goes thirteen snug", score=0.876)
    shown = lines(bench, wording)
    assert [label for label, _ in shown] == ["heard", "means", "ring", "says"]
    assert shown[0] == ("heard", "twelve goes thirteen snug  (0.88)")
    assert shown[1] == ("means", "12 thou goes; 13 thou snug")
    assert shown[2][1].startswith("cylinder 1 top ring, gap 13 thou (")
    assert shown[2][1].endswith("), window 16 to 18 thou, 4 thou to go")
    assert shown[3] == ("says", bench.last.reply.shown)


@pytest.mark.parametrize(
    ("calls", "means"),
    [
        (["what now"], "a question"),
        (["banana"], "no effect: unknown words"),
        (["stand by"], "stand by"),
        (["top ring", "ground two", "take that back"], "taken back"),
        (["top ring", "ground three", "make that two"], "taken back; ground 2 thou"),
        (["top ring", "ground twelve"], "asked back before it counts: ground 12 thou"),
        (
            ["top ring", "ground twelve", "deburred"],
            "deburred; asked back before it counts: ground 12 thou",
        ),
        (
            ["top ring", "ground two", "cylinder nine", "take that back"],
            "asked back before it counts: taking back the entry before",
        ),
        (["butts"], "butts"),
        (["cylinder two top ring deburred"], "no effect: stray word"),
    ],
)
def test_what_a_turn_means(bench: Bench, wording: Wording, calls: list[str], means: str) -> None:
    for call in calls:
        bench.type(call)
    assert dict(lines(bench, wording))["means"] == means


def test_a_turn_without_words_or_answer_shows_only_its_meaning(
    bench: Bench, wording: Wording
) -> None:
    bench.say("")
    assert lines(bench, wording) == [("means", "no effect: nothing")]


@pytest.mark.parametrize(
    ("calls", "key", "line"),
    [
        ([], (2, TOP), "cylinder 2 top ring, gap not measured, window 16 to 18 thou"),
        ([], (1, UPPER), "cylinder 1 upper rail, gap not measured, window 15 thou or more"),
        (["top ring", "butts"], (1, TOP),
         "cylinder 1 top ring, gap butts, window 16 to 18 thou"),
        (["spoiled ring"], (1, UPPER),
         "cylinder 1 upper rail, gap not measured, window 15 thou or more, spoiled"),
        (["skip this ring"], (1, UPPER),
         "cylinder 1 upper rail, gap not measured, window 15 thou or more, skipped"),
    ],
)  # fmt: skip
def test_a_ring_in_one_line(
    bench: Bench, wording: Wording, calls: list[str], key: tuple[int, object], line: str
) -> None:
    for call in calls:
        bench.type(call)
    assert ring_line(bench.state, key, wording) == line  # type: ignore[arg-type]


def test_the_review_marks_what_was_taken_back_and_ends_with_every_ring(
    bench: Bench, wording: Wording
) -> None:
    for call in ("top ring", "ground two", "take that back", "ground twelve", "no", "note", "rag"):
        bench.type(call)
    told = list(review_lines(bench.store.events, wording))
    assert told[:6] == [
        "NOT DONE YET: 6 open",
        "0 of 6 rings accepted inside",
        "bench test: 2 cylinders, bore 4 in, unfinished",
        "",
        "2026-03-01, times UTC",
        "08:00:00  call 0",
    ]
    assert told[6:9] == [
        "  session opened (leafcall test)",
        "  entry   cylinder 1 upper rail: cylinder 1 upper rail",
        "  said    cylinder one upper rail. At least fifteen thou. Set it square, try fifteen "
        "thou.",
    ]
    struck = [line for line in told if line.endswith("(taken back)")]
    assert len(struck) == 1
    assert struck[0].endswith("call 2  (taken back)")
    assert {
        "  entry   cylinder 1 top ring: ground 2 thou",
        "  asked   large cut",
        "  answer  no",
        "  note    rag",
        "  heard   ground twelve  (keyboard)",
    } <= set(told)
    assert told[-6:] == [ring_line(bench.state, key, wording) for key in bench.job.places()]


def test_times_are_those_of_the_shop_with_the_offset_of_each_day(
    bench: Bench, wording: Wording
) -> None:
    bench.type("top ring")
    bench.type("fifteen goes")
    # 2026-03-01 08:00 UTC is half past midnight where clocks are 16.5 h ahead.
    zone = timezone(timedelta(hours=16, minutes=30))
    told = list(review_lines(bench.store.events, wording, local=lambda at: at.astimezone(zone)))
    assert "2026-03-02, times UTC+16:30" in told
    assert told[told.index("2026-03-02, times UTC+16:30") + 1].startswith("00:")
    assert sum(line.startswith("2026-") for line in told) == 1


def test_an_empty_log_says_so(wording: Wording) -> None:
    assert list(review_lines([], wording)) == ["The log is empty: no session was opened."]


def test_the_sheet_has_a_row_for_every_ring_with_its_history(
    bench: Bench, wording: Wording
) -> None:
    for call in ("top ring", "twelve goes thirteen snug", "ground three", "ring is square",
                 "sixteen goes seventeen snug", "deburred", "accept it", "spoiled ring",
                 "skip this ring", "butts"):  # fmt: skip
        bench.type(call)
    sheet = sheet_of(bench.store.events, log_name="001/log.jsonl", wording=wording)
    rows = {(row.cylinder, row.position): row for row in sheet.rings}
    assert list(rows) == [(c, p.value) for c, p in bench.job.places()]
    top = rows[1, TOP.value]
    assert (top.standing.status, top.passes) == (RingStatus.ACCEPTED, 1)
    assert top.told.best_nm is not None
    assert top.window.holds(top.told.best_nm)
    assert top.history == (
        "12 thou goes", "13 thou snug", "ground 3 thou", "set square", "16 thou goes",
        "17 thou snug",
    )  # fmt: skip
    assert set(top.checks) == {"square", "deburred"}
    assert rows[2, UPPER.value].standing.status is RingStatus.SPOILED
    assert rows[2, SECOND.value].standing.status is RingStatus.SKIPPED
    butting = rows[2, TOP.value]
    assert (butting.standing.status, butting.told.best_nm) == (RingStatus.IN_WORK, None)
    assert (butting.told.words(bench.job.unit), butting.history) == ("butts", ("butts",))
    assert (sheet.software, sheet.log_name) == ("leafcall test", "001/log.jsonl")
    first, last = bench.store.events[0].at, bench.store.events[-1].at
    assert (sheet.started, sheet.ended, sheet.last_call) == (first, None, last)
    bench.type("wrap up")
    east = timezone(timedelta(hours=5, minutes=30))
    sheet = sheet_of(
        bench.store.events, log_name="x", wording=wording, local=lambda at: at.astimezone(east)
    )
    assert sheet.ended == bench.store.events[-1].at
    assert sheet.ended is not None
    assert sheet.ended.utcoffset() == timedelta(hours=5, minutes=30)


def test_a_ring_accepted_outside_says_so_on_the_sheet(bench: Bench, wording: Wording) -> None:
    for call in ("top ring", "twelve goes thirteen snug", "accept it", "yes"):
        bench.type(call)
    sheet = sheet_of(bench.store.events, log_name="x", wording=wording)
    top = next(r for r in sheet.rings if r.position is TOP)
    assert top.standing.status is RingStatus.ACCEPTED_UNDER
    assert sheet.verdict.words(named=1).startswith(
        "NOT RIGHT YET: 1 under the least (cylinder 1 top)"
    )


def test_a_log_without_a_job_has_no_sheet(wording: Wording) -> None:
    with pytest.raises(CommandNotAllowed, match="no job"):
        sheet_of([], log_name="x", wording=wording)
    assert State().job is None
