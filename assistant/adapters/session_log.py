"""The session log on disk: one event a line, append only, forced to disk before it counts."""

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import IO

from assistant.errors import LogDamaged, LogError, LogInUse
from assistant.events import Envelope, from_line, to_line

_fcntl: ModuleType | None
_msvcrt: ModuleType | None
try:
    import fcntl as _fcntl
except ImportError:  # Windows
    _fcntl = None
try:
    import msvcrt as _msvcrt
except ImportError:  # everywhere else
    _msvcrt = None


class SessionLog:
    """EventStore over a JSONL file.

    Opening takes the file for this process alone. A torn last line (power lost while writing) is
    moved to a file beside the log, named in ``repaired``; whole lines are never rewritten.
    Raises LogInUse if another session has the log, LogError if it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.repaired: Path | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file: IO[bytes] = path.open("a+b", buffering=0)
        except OSError as error:
            raise LogError(
                f"The log {path} cannot be opened: {error.strerror}. Choose another folder."
            ) from error
        try:
            self._lock()
            self._repair()
        except BaseException:
            self._file.close()
            raise

    def append(self, events: Sequence[Envelope]) -> None:
        """Write all events and force them to disk, or none: what was half written is cut off.

        Raises LogError, with the reason; the log then holds what it held before.
        """
        if self._file.closed:
            raise LogError(f"The log {self.path} is closed: open it again to write.")
        data = "".join(f"{to_line(event)}\n" for event in events).encode()
        try:
            self._cut_off_torn()
            rest = memoryview(data)
            while rest:
                rest = rest[self._file.write(rest) :]
            os.fsync(self._file.fileno())
            self._end += len(data)
        except OSError as error:
            with suppress(OSError):  # then the next append, or the next opening, cuts it off
                self._cut_off_torn()
            raise LogError(
                f"The log {self.path} cannot be written: {error.strerror}. The last call is not "
                "kept. Free some space, then call it again."
            ) from error

    def read(self) -> Sequence[Envelope]:
        """All events, oldest first. Raises LogDamaged naming the line."""
        return read_log(self.path)

    def close(self) -> None:
        """Give the log back; again does no harm."""
        self._file.close()

    def _cut_off_torn(self) -> None:
        if os.fstat(self._file.fileno()).st_size > self._end:
            self._file.truncate(self._end)

    def _lock(self) -> None:
        try:
            if _fcntl is not None:
                _fcntl.flock(self._file, _fcntl.LOCK_EX | _fcntl.LOCK_NB)
            elif _msvcrt is not None:
                self._file.seek(0x7FFFFFFF)  # a byte that no log reaches, so reading stays free
                _msvcrt.locking(self._file.fileno(), _msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise LogInUse(
                f"The log {self.path} is in use by another session. Close that one first."
            ) from error

    def _repair(self) -> None:
        try:
            data = self.path.read_bytes()
        except OSError as error:
            raise LogError(f"The log {self.path} cannot be read: {error.strerror}.") from error
        whole = data.rfind(b"\n") + 1
        self._end = whole  # bytes of whole lines; what lies behind it was never confirmed
        if whole == len(data):
            return
        torn = self.path.with_suffix(f"{self.path.suffix}.torn")
        try:
            with torn.open("ab") as keep:
                keep.write(data[whole:] + b"\n")
                os.fsync(keep.fileno())
            self._file.truncate(whole)
        except OSError as error:
            raise LogError(
                f"The last line of {self.path} is torn and cannot be moved away: {error.strerror}."
            ) from error
        self.repaired = torn


def read_log(path: Path) -> Sequence[Envelope]:
    """All whole events of a log, oldest first, for reading only; a torn last line is left out.

    Raises LogError if there is no such file, LogDamaged naming the first bad line.
    """
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        raise LogError(f"The log {path} cannot be read: {error.strerror}.") from error
    events: list[Envelope] = []
    for number, line in enumerate(lines[:-1], start=1):
        try:
            text = line.decode()
        except UnicodeDecodeError as error:
            raise LogDamaged(f"Line {number} of {path} is not text.") from error
        try:
            event = from_line(text, line=number)
        except LogDamaged as error:
            raise LogDamaged(
                f"{path}: {error} Mend that line from a copy, or begin a new session with --new."
            ) from error
        if event.seq != number - 1:
            raise LogDamaged(
                f"Line {number} of {path} holds event {event.seq}: an event is missing or doubled."
            )
        events.append(event)
    return events
