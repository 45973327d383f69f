"""The chain finds what was changed, lost, doubled or swapped, and keeps what can be trusted."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.bench import events as ev
from assistant.bench.log_chain import Head, held_against, scan, told_damage
from tests.contract.event_store_contract import events

FIXTURES = Path(__file__).parents[1] / "fixtures"
MANY = events(0, 12)


def lines_of(*groups: int) -> list[bytes]:
    """Lines of a log whose appends had so many events each; no line ends."""
    text, check, first = "", "", 0
    for count in groups:
        more, check = ev.to_lines(MANY[first : first + count], before=check)
        text, first = text + more, first + count
    return text.encode().split(b"\n")[:-1]


LINES = lines_of(*[1] * 12)


def log(lines: list[bytes]) -> bytes:
    return b"".join(line + b"\n" for line in lines)


def seqs(data: bytes) -> list[int]:
    return [event.seq for event in scan(data).events]


def reasons(data: bytes) -> list[str]:
    return [damage.reason for damage in scan(data).damages]


def test_a_sound_log_is_whole() -> None:
    found = scan(log(LINES))
    assert (list(found.events), found.damages, found.whole_bytes) == (MANY, (), len(log(LINES)))
    assert told_damage(found.events, found.damages) == ()
    assert found.check == json.loads(LINES[-1])["check"]


def test_an_empty_log_is_sound_and_has_no_check() -> None:
    assert scan(b"") == scan(b"never ended") == (found := scan(b""))
    assert (found.events, found.damages, found.whole_bytes, found.check) == ((), (), 0, "")


@given(at=st.integers(0, 11), data=st.data())
def test_any_changed_byte_is_found_and_costs_no_other_line(at: int, data: Any) -> None:
    line = LINES[at]
    place = data.draw(st.integers(0, len(line) - 1))
    new = data.draw(st.integers(1, 255).filter(lambda b: b not in (10, line[place])))
    changed = [*LINES[:at], line[:place] + bytes([new]) + line[place + 1 :], *LINES[at + 1 :]]
    found = scan(log(changed))
    assert found.damages
    assert {damage.line for damage in found.damages} <= {at + 1, at + 2}
    others = [event for event in MANY if event.seq != at]
    assert [event for event in found.events if event.seq != at] == others


@pytest.mark.parametrize(("at", "seq"), [(0, 1), (0, 9), (3, 4), (3, 8), (5, 2), (10, 90)])
def test_a_line_whose_number_was_changed_costs_no_other_line(at: int, seq: int) -> None:
    false = LINES[at].replace(f'"seq":{at},'.encode(), f'"seq":{seq},'.encode())
    assert false != LINES[at]
    found = scan(log([*LINES[:at], false, *LINES[at + 1 :]]))
    assert {damage.line for damage in found.damages} <= {at + 1, at + 2}
    assert found.damages
    assert [event for event in found.events if event.seq != at] == [
        event for event in MANY if event.seq != at
    ]


@given(at=st.integers(0, 11), text=st.text(min_size=1, max_size=8))
def test_a_line_that_was_edited_with_care_is_found_and_not_believed(at: int, text: str) -> None:
    """Valid JSON, a valid event, the old check: only the chain can tell."""
    line = json.loads(LINES[at])
    if line["event"]["text"] == text:
        return
    line["event"]["text"] = text
    edited = json.dumps(line, separators=(",", ":"), ensure_ascii=False).encode()
    changed = [*LINES[:at], edited, *LINES[at + 1 :]]
    assert reasons(log(changed)) == [f"Line {at + 1} of the log was changed after it was written."]
    assert seqs(log(changed)) == [n for n in range(12) if n != at]


@given(first=st.integers(0, 10), count=st.integers(1, 4))
def test_lost_lines_are_counted(first: int, count: int) -> None:
    left = LINES[:first] + LINES[first + count :]
    lost = 12 - len(left)
    if first + count >= 12:  # whole calls cut off at the end: the sheet's check tells
        assert reasons(log(left)) == []
        return
    told = "an event is" if lost == 1 else f"{lost} events are"
    assert reasons(log(left)) == [f"Before line {first + 1} of the log {told} missing."]
    assert seqs(log(left)) == [n for n in range(12) if not first <= n < first + count]


@given(at=st.integers(0, 11), to=st.integers(0, 12))
def test_a_doubled_line_is_found_and_counts_once(at: int, to: int) -> None:
    doubled = [*LINES[:to], LINES[at], *LINES[to:]]
    # A copy before its place is taken for the line itself, and what follows for the odd one.
    odd = [at] if to >= at else list(range(to, at + 1))
    for seq in odd:
        assert any(f"holds event {seq}: it is doubled" in told for told in reasons(log(doubled)))
    assert seqs(log(doubled)) == list(range(12))


@given(at=st.integers(0, 10))
def test_swapped_lines_are_found_and_put_right(at: int) -> None:
    swapped = [*LINES[:at], LINES[at + 1], LINES[at], *LINES[at + 2 :]]
    assert reasons(log(swapped)) == [
        f"Line {at + 2} of the log holds event {at}: it is doubled or out of its place."
    ]
    assert seqs(log(swapped)) == list(range(12))


def test_a_log_begun_in_form_1_goes_on_in_form_2_and_its_old_part_is_sealed() -> None:
    old = (FIXTURES / "log_v1.jsonl").read_bytes()
    first = scan(old)
    following = [one.model_copy(update={"seq": one.seq + 54}) for one in MANY[:2]]
    text, _ = ev.to_lines(following, before=first.check)
    whole = scan(old + text.encode())
    assert (whole.damages, list(whole.events)) == ((), [*first.events, *following])
    changed = old.replace(b"twenty goes", b"thirty goes", 1)
    assert changed != old
    assert reasons(changed) == []  # form 1 alone had no checks
    assert reasons(changed + text.encode()) == ["One of the lines 1 to 55 of the log was changed."]


def test_a_line_of_the_old_form_among_new_ones_is_not_believed() -> None:
    old = LINES[3].split(b',"end"')[0].replace(b'"v":2', b'"v":1') + b"}"
    assert reasons(log([*LINES[:3], old, *LINES[3:]])) == [
        "Line 4 of the log has the old form among new ones."
    ]
    assert seqs(log([*LINES[:3], old, *LINES[3:]])) == list(range(12))


@given(cut=st.integers(0, len(log(lines_of(3, 1, 4, 4)))))
def test_wherever_a_log_is_cut_off_only_whole_appends_are_left_and_it_is_no_damage(
    cut: int,
) -> None:
    """The power went while the last append was written: every byte of it."""
    data = log(lines_of(3, 1, 4, 4))[:cut]
    found = scan(data)
    assert found.damages == ()
    assert len(found.events) in (0, 3, 4, 8, 12)
    assert found.whole_bytes <= cut
    assert scan(data[: found.whole_bytes]) == found
    whole = [sum(len(line) + 1 for line in lines_of(3, 1, 4, 4)[:n]) for n in (0, 3, 4, 8, 12)]
    assert found.whole_bytes == max(size for size in whole if size <= cut)


def test_what_a_reader_must_know_of_damage_is_said() -> None:
    data = log([LINES[0], b"x", *LINES[2:5], *LINES[7:]])
    found = scan(data)
    told = told_damage(found.events, found.damages)
    assert told[0].startswith("The log of this session is damaged.")
    assert told[1].startswith("Line 2 of the log is not JSON")
    assert told[2:] == (
        "Before line 6 of the log 2 events are missing.",
        "9 events can be read, at least 3 cannot.",
    )


def test_many_damages_are_not_all_told() -> None:
    found = scan(log([LINES[0], *[b"x"] * 8, *LINES[9:]]))
    told = told_damage(found.events, found.damages)
    assert told[-2:] == ("And 3 more places.", "4 events can be read, at least 8 cannot.")


def head(count: int, *, check: str | None = None) -> Head:
    """What a build sheet knows of a log of so many of our events."""
    known = scan(log(lines_of(*[1] * count))).check
    return Head(count, known if check is None else check, "the sheet")


@pytest.mark.parametrize("count", [0, 1, 5])
def test_a_log_that_has_gone_on_since_its_head_was_kept_is_sound(count: int) -> None:
    found = scan(log(LINES[:5]))
    assert held_against(found, [head(count)]) is found


@pytest.mark.parametrize(
    ("kept", "told"),
    [
        (0, "The log is empty, but the sheet knows of 5: its end is lost."),
        (3, "The log ends after 3 events, but the sheet knows of 5: its end is lost."),
    ],
)
def test_a_log_that_lost_its_end_is_found_by_its_head(kept: int, told: str) -> None:
    found = held_against(scan(log(LINES[:kept])), [head(2), head(5)])
    assert [(damage.line, damage.reason) for damage in found.damages] == [(kept + 1, told)]
    assert [event.seq for event in found.events] == list(range(kept))


def test_another_log_than_the_one_that_the_head_knows_is_found() -> None:
    found = held_against(scan(log(LINES)), [head(5, check="0" * 16)])
    assert [damage.reason for damage in found.damages] == [
        "The log is not the one that the sheet knows, or it was changed."
    ]


def test_of_a_damaged_log_the_head_proves_nothing_more() -> None:
    found = scan(log([LINES[0], b"rust", *LINES[2:5]]))
    assert found.damages
    assert held_against(found, [head(12)]) is found
