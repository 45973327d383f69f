"""The door of the live page: codes, tickets, and how wrong ones are slowed down."""

import stat
import sys
from pathlib import Path

import pytest

from assistant.adapters.page.door import (
    CODE_LENGTH,
    CODE_LETTERS,
    TICKET_S,
    Door,
    kept_secret,
)  # fmt: skip
from assistant.errors import LeafcallError

SECRET = bytes(range(32))
NOW_S = 1_800_000_000.0


def wrong(door: Door) -> str:
    return "".join("A" if letter != "A" else "B" for letter in door.code)


def test_the_code_opens_however_it_is_typed() -> None:
    door = Door(SECRET)
    assert len(door.code) == CODE_LENGTH
    assert set(door.code) <= set(CODE_LETTERS)
    typed = (door.code, door.code.lower(), f" {door.code[:4]} {door.code[4:]}",
             f"{door.code[:4]}-{door.code[4:]}")  # fmt: skip
    assert all(door.by_code(code, "x", now_s=NOW_S) for code in typed)


@pytest.mark.parametrize("code", ["", "A", "é" * 8, "\ud800" * 8, "A" * 10_000])
def test_what_is_no_code_opens_nothing(code: str) -> None:
    assert Door(SECRET).by_code(code, "x", now_s=NOW_S) is None


def test_a_code_of_an_earlier_start_opens_nothing_but_its_ticket_comes_back() -> None:
    before, now = Door(SECRET), Door(SECRET)
    ticket = before.by_code(before.code, "x", now_s=NOW_S)
    assert ticket is not None
    assert before.code != now.code
    assert now.by_code(before.code, "x", now_s=NOW_S) is None
    assert now.by_ticket(ticket, now_s=NOW_S + 60)


def test_a_ticket_ends_and_is_of_this_machine_only() -> None:
    door = Door(SECRET)
    ticket = door.by_code(door.code, "x", now_s=NOW_S)
    assert ticket is not None
    assert door.by_ticket(ticket, now_s=NOW_S + TICKET_S - 1)
    assert not door.by_ticket(ticket, now_s=NOW_S + TICKET_S + 1)
    assert not door.by_ticket(ticket, now_s=NOW_S - TICKET_S)
    assert not Door(bytes(32)).by_ticket(ticket, now_s=NOW_S)


@pytest.mark.parametrize("place", [0, 5, 12, 20, 40])
def test_a_ticket_that_was_changed_opens_nothing(place: int) -> None:
    door = Door(SECRET)
    ticket = door.by_code(door.code, "x", now_s=NOW_S)
    assert ticket is not None
    other = "A" if ticket[place] != "A" else "B"
    assert not door.by_ticket(ticket[:place] + other + ticket[place + 1 :], now_s=NOW_S)


@pytest.mark.parametrize("ticket", ["", "AAAA", "é", "====", "A" * 5000])
def test_what_is_no_ticket_opens_nothing(ticket: str) -> None:
    assert not Door(SECRET).by_ticket(ticket, now_s=NOW_S)


def test_five_wrong_codes_shut_one_address_for_a_minute_and_no_other() -> None:
    door = Door(SECRET)
    for n in range(5):
        assert door.by_code(wrong(door), "near", now_s=NOW_S + n) is None
    assert door.by_code(door.code, "near", now_s=NOW_S + 30) is None
    assert door.by_code(door.code, "far", now_s=NOW_S + 30)
    assert door.by_code(door.code, "near", now_s=NOW_S + 61)


def test_wrong_codes_from_everywhere_shut_the_door_for_all() -> None:
    door = Door(SECRET)
    for n in range(40):
        door.by_code(wrong(door), f"address {n}", now_s=NOW_S)
    assert door.by_code(door.code, "mine", now_s=NOW_S + 1) is None
    assert door.by_code(door.code, "mine", now_s=NOW_S + 61)


def test_addresses_are_not_remembered_without_end() -> None:
    door = Door(SECRET)
    for n in range(3000):
        door.by_code("", f"address {n}", now_s=NOW_S + 100 * n)
    assert len(door._failed) == 1000


def test_the_secret_is_kept_for_its_user_only(tmp_path: Path) -> None:
    path = tmp_path / "page" / "secret"
    secret = kept_secret(path)
    assert len(secret) == 32
    assert kept_secret(path) == secret
    if sys.platform != "win32":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.write_bytes(b"short")
    assert len(kept_secret(path)) == 32


def test_a_secret_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    (tmp_path / "page").write_text("no folder")
    with pytest.raises(LeafcallError, match="cannot be kept"):
        kept_secret(tmp_path / "page" / "secret")
