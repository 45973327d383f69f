"""Single keys without Enter, for push-to-talk: foot pedals are keyboards.

While it is open the terminal gives every key at once and does not show it; Ctrl-C still stops the
program. The terminal is put back on ``close``, at the end of the ``with`` block, when the
program ends in any ordinary way, on a hang-up or termination, and around Ctrl-Z.
"""

import atexit
import contextlib
import os
import select
import signal
import sys
import threading
from types import FrameType, TracebackType
from typing import Any, Self

from assistant.errors import TerminalError

_READ_BYTES = 64
_NAMES = {" ": "space", "\r": "enter", "\n": "enter", "\t": "tab", "\x7f": "backspace",
          "\x08": "backspace", "\x1b": "escape"}  # fmt: skip
_SEQUENCE_END = range(0x40, 0x7F)  # last byte of an arrow or function key (ECMA-48, 5.4)
_FATAL = ("SIGTERM", "SIGHUP")


def open_keys() -> "Keys | NoKeys":
    """Keys of the terminal, or none of them where standard input is no terminal."""
    try:
        return Keys()
    except TerminalError:
        return NoKeys()


class NoKeys:
    """A keyboard that nobody touches (a ports.Keys): input is a file, a pipe or nothing."""

    def pressed(self) -> str | None:
        """None."""
        return None

    def close(self) -> None:
        """Nothing to put back."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to put back."""


class Keys:
    """The keyboard of this terminal, key by key (a ports.Keys).

    Raises TerminalError if standard input is no terminal.
    """

    def __init__(self) -> None:
        self._reader = _windows_reader() if sys.platform == "win32" else _UnixReader()
        self._waiting: list[str] = []
        self._left = b""

    def pressed(self) -> str | None:
        """The oldest key that was pressed and not told yet, None if there is none; never waits.

        A printable key is its own character, in the case typed; others are ``space``, ``enter``,
        ``tab``, ``backspace``, ``escape``, ``ctrl-d`` and the like, or ``key`` for one without a
        name here (arrows, function keys): any of them can be a pedal.
        """
        if not self._waiting:
            found, self._left = _keys_in(self._left + self._reader.read())
            self._waiting += found
        return self._waiting.pop(0) if self._waiting else None

    def close(self) -> None:
        """Put the terminal back as it was; calling it twice does no harm."""
        self._reader.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self.close()


def _keys_in(data: bytes) -> tuple[list[str], bytes]:
    """Names of the keys in ``data``, and bytes at its end that begin a character (UTF-8)."""
    keys: list[str] = []
    at = 0
    while at < len(data):
        if data[at : at + 1] == b"\x1b" and data[at + 1 : at + 2] in (b"[", b"O"):
            end = at + 2
            while end < len(data) and data[end] not in _SEQUENCE_END:
                end += 1
            keys.append("key")
            at = end + 1
            continue
        size = _utf8_size(data[at])
        if at + size > len(data):
            return keys, data[at:]
        keys.append(_name_of(data[at : at + size].decode("utf-8", "replace")))
        at += size
    return keys, b""


def _utf8_size(first: int) -> int:
    """Bytes of a character by its first byte (RFC 3629, 3)."""
    for size, lead in ((4, 0xF0), (3, 0xE0), (2, 0xC0)):
        if first >= lead and first < 0xF8:
            return size
    return 1


def _name_of(character: str) -> str:
    if character in _NAMES:
        return _NAMES[character]
    if len(character) == 1 and 1 <= ord(character) <= 26:
        return f"ctrl-{chr(ord(character) + 0x60)}"
    return character if character.isprintable() else "key"


class _UnixReader:
    """The terminal of standard input, taken out of line mode (termios)."""

    def __init__(self) -> None:
        import termios  # there is none on Windows

        self._termios: Any = termios
        self._handlers: dict[int, Any] = {}
        self._open = False
        try:
            self._file = sys.stdin.fileno()
            self._before = termios.tcgetattr(self._file)
        except (OSError, ValueError, AttributeError, termios.error) as error:
            raise TerminalError(
                "Single keys need a terminal, and standard input is none: run it in a terminal "
                "window, or go without push-to-talk."
            ) from error
        self._take()
        self._open = True
        atexit.register(self.close)
        self._watch_signals()

    def read(self) -> bytes:
        """The bytes typed since the last look; empty if there are none or the terminal is gone."""
        if not self._open:
            return b""
        try:
            ready, _, _ = select.select([self._file], [], [], 0)
            return os.read(self._file, _READ_BYTES) if ready else b""
        except OSError:  # the terminal was closed
            return b""

    def close(self) -> None:
        if not self._open:
            return
        self._open = False
        self._give_back()
        for number, handler in self._handlers.items():
            with contextlib.suppress(ValueError):  # not in the main thread: it dies with us
                signal.signal(number, handler)
        atexit.unregister(self.close)

    def _take(self) -> None:
        mode = self._termios.tcgetattr(self._file)
        mode[3] &= ~(self._termios.ICANON | self._termios.ECHO)
        mode[6][self._termios.VMIN], mode[6][self._termios.VTIME] = 0, 0
        with contextlib.suppress(self._termios.error):
            self._termios.tcsetattr(self._file, self._termios.TCSANOW, mode)

    def _give_back(self) -> None:
        # Not flushed: what was typed ahead goes to the shell.
        with contextlib.suppress(self._termios.error, OSError):
            self._termios.tcsetattr(self._file, self._termios.TCSANOW, self._before)

    def _watch_signals(self) -> None:
        if threading.current_thread() is not threading.main_thread():
            return
        for name in _FATAL:
            number = getattr(signal, name)
            # A handler that somebody set, or SIG_IGN of nohup, is left as it is.
            if signal.getsignal(number) is signal.SIG_DFL:
                self._handlers[number] = signal.signal(number, self._die)
        if signal.getsignal(signal.SIGTSTP) is signal.SIG_DFL:
            self._handlers[signal.SIGTSTP] = signal.signal(signal.SIGTSTP, self._sleep)

    def _die(self, number: int, _frame: FrameType | None) -> None:
        # As an exit, so that the log, the sheet and the terminal are left in order.
        self._give_back()
        raise SystemExit(128 + number)

    def _sleep(self, number: int, _frame: FrameType | None) -> None:
        held = signal.getsignal(number)  # ours, or one that calls ours
        self._give_back()
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)  # stops here until the shell says go on
        signal.signal(number, held)
        self._take()


def _windows_reader() -> Any:
    return _WindowsReader()


class _WindowsReader:
    """The console, through msvcrt: it has no mode to put back."""

    def __init__(self) -> None:
        import importlib

        if sys.stdin is None or not sys.stdin.isatty():
            raise TerminalError(
                "Single keys need a console, and standard input is none: run it in a console "
                "window, or go without push-to-talk."
            )
        self._console: Any = importlib.import_module("msvcrt")

    def read(self) -> bytes:
        typed = ""
        while self._console.kbhit() and len(typed) < _READ_BYTES:
            character = self._console.getwch()
            if character in "\x00\xe0":  # an arrow or function key: its second half follows
                self._console.getwch()
                character = "\x1b[A"
            elif character == "\x03":
                raise KeyboardInterrupt
            typed += character
        return typed.encode("utf-8", "replace")

    def close(self) -> None:
        """Nothing to put back."""
