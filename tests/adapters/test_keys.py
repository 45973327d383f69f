"""Single keys, through a real pseudo-terminal and in processes that end in all ways."""

import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.terminal import keys as keys_module
from assistant.adapters.terminal.keys import Keys, NoKeys, _keys_in, _WindowsReader, open_keys
from assistant.errors import TerminalError
from tests.stopping import can_be_stopped

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is needed")


class Terminal:
    """A pseudo-terminal: ``type`` on it; ``mode`` is how it is set."""

    def __init__(self) -> None:
        self.ours, self.theirs = pty.openpty()

    def type(self, data: bytes) -> None:
        os.write(self.ours, data)
        select.select([self.theirs], [], [], 1)  # until it is through

    @property
    def mode(self) -> list[Any]:
        return termios.tcgetattr(self.theirs)

    @property
    def by_lines(self) -> bool:
        return bool(self.mode[3] & termios.ICANON and self.mode[3] & termios.ECHO)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[Terminal]:
    made = Terminal()
    with os.fdopen(os.dup(made.theirs), "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield made
    os.close(made.ours)
    os.close(made.theirs)


def all_of(keys: Keys | NoKeys) -> list[str]:
    return list(iter(keys.pressed, None))


def test_a_key_is_told_at_once_without_enter_and_only_once(terminal: Terminal) -> None:
    with Keys() as keys:
        assert keys.pressed() is None
        terminal.type(b" ")
        assert keys.pressed() == "space"
        assert keys.pressed() is None


def test_keys_come_in_the_order_typed(terminal: Terminal) -> None:
    with Keys() as keys:
        terminal.type(b"aQ \r\t\x7f\x04\xc3\xbc")
        assert all_of(keys) == ["a", "Q", "space", "enter", "tab", "backspace", "ctrl-d", "ü"]


def test_arrows_and_function_keys_are_one_key_each(terminal: Terminal) -> None:
    # ECMA-48 control sequences, as xterm sends them: up, F5, F1.
    with Keys() as keys:
        terminal.type(b"\x1b[A\x1b[15~\x1bOPx\x1b")
        assert all_of(keys) == ["key", "key", "key", "x", "escape"]


def test_a_character_in_two_parts_is_one_key(terminal: Terminal) -> None:
    with Keys() as keys:
        terminal.type(b"\xc3")
        assert keys.pressed() is None
        terminal.type(b"\xbc")
        assert keys.pressed() == "ü"


def test_nothing_is_echoed_while_it_is_open_and_the_mode_comes_back(terminal: Terminal) -> None:
    before = terminal.mode
    keys = Keys()
    assert not terminal.by_lines
    terminal.type(b"abc")
    assert select.select([terminal.ours], [], [], 0.05)[0] == []
    keys.close()
    keys.close()
    assert terminal.mode == before
    assert keys.pressed() is None


def test_the_mode_comes_back_after_an_error_and_handlers_too(terminal: Terminal) -> None:
    before = [signal.getsignal(n) for n in (signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP)]
    with Keys():
        assert signal.getsignal(signal.SIGHUP) != before[1]
    with pytest.raises(ZeroDivisionError), Keys():
        _ = 1 / 0
    assert terminal.by_lines
    after = [signal.getsignal(n) for n in (signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP)]
    assert after == before


def test_a_terminal_that_went_away_gives_no_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    made = Terminal()
    with os.fdopen(made.theirs, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with Keys() as keys:
            os.close(made.ours)
            assert keys.pressed() is None


def test_without_a_terminal_there_are_no_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    with open(os.devnull) as nothing:  # noqa: PTH123 - standard input as a program has it
        monkeypatch.setattr(sys, "stdin", nothing)
        with pytest.raises(TerminalError, match="standard input is none: run it in a terminal"):
            Keys()
        with open_keys() as keys:
            assert isinstance(keys, NoKeys)
            assert keys.pressed() is None


CHILD = (
    "import os, signal, sys, time\n"
    "from assistant.adapters.terminal.keys import Keys\n"
    "keys = Keys()\n"
    "print('ready', flush=True)\n"
)
ENDS = {
    "end of the program": ("", None, 0),
    "an error": ("1 / 0", None, 1),
    "sys.exit": ("sys.exit(3)", None, 3),
    "Ctrl-C": ("time.sleep(60)", signal.SIGINT, -signal.SIGINT),
    "terminated": ("time.sleep(60)", signal.SIGTERM, 128 + signal.SIGTERM),
    "hung up": ("time.sleep(60)", signal.SIGHUP, 128 + signal.SIGHUP),
}


@pytest.mark.parametrize("way", ENDS)
def test_the_terminal_is_put_back_however_the_program_ends(terminal: Terminal, way: str) -> None:
    code, sent, status = ENDS[way]
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD + code], stdin=terminal.theirs, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    with child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        if sent is not None:
            assert not terminal.by_lines
            child.send_signal(sent)
        assert child.wait(20) == status
    assert terminal.by_lines


def test_ctrl_z_gives_the_terminal_back_until_it_goes_on(terminal: Terminal) -> None:
    if not can_be_stopped():
        pytest.skip("no shell looks after this process group")
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD + "time.sleep(60)"], stdin=terminal.theirs,
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    with child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        child.send_signal(signal.SIGTSTP)
        assert soon(lambda: terminal.by_lines)
        child.send_signal(signal.SIGCONT)
        assert soon(lambda: not terminal.by_lines)
        child.kill()


def soon(true: Callable[[], bool]) -> bool:
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        if true():
            return True
        time.sleep(0.01)
    return False


@given(st.binary(max_size=30))
def test_any_bytes_become_keys_with_names(data: bytes) -> None:
    found, left = _keys_in(data)
    assert all(key and key.isprintable() for key in found)
    assert len(left) < 4


@given(st.text(st.characters(categories=["L", "N", "P", "S"]), max_size=20))
def test_printable_text_comes_out_as_typed(text: str) -> None:
    assert _keys_in(text.encode()) == (list(text), b"")


class Console:
    """msvcrt, with keys to hand out."""

    def __init__(self, typed: str) -> None:
        self.typed = list(typed)

    def kbhit(self) -> bool:
        return bool(self.typed)

    def getwch(self) -> str:
        return self.typed.pop(0)


def test_the_windows_console_gives_the_same_names(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    console = Console("\xe0H x")
    monkeypatch.setitem(sys.modules, "msvcrt", console)
    monkeypatch.setattr(keys_module.sys, "platform", "win32")
    with Keys() as keys:
        assert isinstance(keys._reader, _WindowsReader)
        assert all_of(keys) == ["key", "space", "x"]
        console.typed.append("\x03")
        with pytest.raises(KeyboardInterrupt):
            keys.pressed()
