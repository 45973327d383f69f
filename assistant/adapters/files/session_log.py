"""The session log on disk: one event a line, append only, forced to disk before it counts."""

import os
import stat
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import IO, Protocol

from assistant.bench.events import Envelope, Trouble, to_lines
from assistant.bench.log_chain import Scan, scan
from assistant.errors import LogDamaged, LogError, LogInUse

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


class Memory(Protocol):
    """What is known of a log apart from the file itself, so that a lost end is found."""

    def held_against(self, found: Scan) -> Scan:
        """The same, a lost end told as damage."""

    def keep(self, *, first: str, events: int, check: str) -> None:
        """Remember how far the log goes: check of its first line, events, check of the last.

        Never raises: a log that is on disk counts, whether or not this could be kept.
        """


class SessionLog:
    """EventStore over a JSONL file.

    memory: what is known of the log apart from it; None = nothing.

    Opening takes the file for this process alone. What was not written to its end (power lost) is
    moved to a file beside the log, named in ``repaired``; whole lines are never rewritten.
    Raises LogInUse if another session has the log, LogDamaged if a line of it is damaged (nothing
    is changed then), LogError if it cannot be opened.
    """

    def __init__(self, path: Path, memory: Memory | None = None) -> None:
        self.path = path
        self.repaired: Path | None = None
        self._memory = memory
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file: IO[bytes] = path.open("a+b", buffering=0)
            _sync_folder(path.parent)
        except OSError as error:
            raise LogError(
                f"The log {path} cannot be opened: {error.strerror}. Choose another folder."
            ) from error
        try:
            self._lock()
            found, size = _scanned(path)
            if memory is not None:
                found = memory.held_against(found)
            _refuse_damage(path, found)
            self._events: Sequence[Envelope] | None = found.events
            self._count, self._first = len(found.checks), (found.checks or ("",))[0]
            self._end = found.whole_bytes  # what lies behind it was never confirmed
            self._check = found.check
            if self._end < size:
                self._repair()
            self._remember()
        except BaseException:
            self._file.close()
            raise

    @property
    def check(self) -> str:
        """Check of the last line, "" if there is none."""
        return self._check

    def append(self, events: Sequence[Envelope]) -> None:
        """Write all events and force them to disk, or none: what was half written is cut off.

        Raises LogError, with the reason; the log then holds what it held before.
        """
        if self._file.closed:
            raise LogError(f"The log {self.path} is closed: open it again to write.")
        if not events:
            return
        text, check = to_lines(events, before=self._check)
        data = text.encode()
        try:
            self._cut_off_torn()
            rest = memoryview(data)
            while rest:
                rest = rest[self._file.write(rest) :]
            _force(self._file.fileno())
        except OSError as error:
            with suppress(OSError):  # then the next append, or the next opening, cuts it off
                self._cut_off_torn()
            raise LogError(
                f"The log {self.path} cannot be written: {error.strerror}. The last call is not "
                "kept. Free some space, then call it again."
            ) from error
        if not self._count:
            self._first = scan(data).checks[0]
        self._end += len(data)
        self._count += len(events)
        self._check = check
        self._events = None
        self._remember()

    def read(self) -> Sequence[Envelope]:
        """All events, oldest first. Raises LogDamaged naming the line."""
        if self._events is None:
            return read_log(self.path)
        return self._events

    @property
    def only_in_memory(self) -> bool:
        """Never: what it cannot write it refuses."""
        return False

    def troubles(self) -> Sequence[tuple[Trouble, str]]:
        """None: it refuses instead."""
        return ()

    def close(self) -> None:
        """Give the log back; again does no harm."""
        self._file.close()

    def _remember(self) -> None:
        if self._memory is not None and self._count:
            self._memory.keep(first=self._first, events=self._count, check=self._check)

    def _cut_off_torn(self) -> None:
        """Raises OSError if this is not the log any more that was opened."""
        found = os.fstat(self._file.fileno())
        if stat.S_ISREG(found.st_mode):
            if not os.path.samestat(found, self.path.stat()):
                raise OSError(0, "another file has taken its place")
            if found.st_size < self._end:  # appending here would leave a hole in the record
                raise OSError(0, "it has become shorter; something else has cut it off")
        if found.st_size > self._end:
            self._file.truncate(self._end)

    def _lock(self) -> None:
        try:
            _lock(self._file)
        except OSError as error:
            raise LogInUse(
                f"The log {self.path} is in use by another session. Close that one first."
            ) from error

    def _repair(self) -> None:
        torn = self.path.with_suffix(f"{self.path.suffix}.torn")
        try:
            with torn.open("ab") as keep:
                keep.write(self.path.read_bytes()[self._end :].rstrip(b"\n") + b"\n")
                keep.flush()
                os.fsync(keep.fileno())
            self._file.truncate(self._end)
            os.fsync(self._file.fileno())
        except OSError as error:
            raise LogError(
                f"The last line of {self.path} is torn and cannot be moved away: {error.strerror}."
            ) from error
        self.repaired = torn


def in_use(path: Path) -> bool:
    """Whether another session has the log now; nothing is changed. False if there is none."""
    try:
        with path.open("rb") as file:
            try:
                _lock(file)
            except OSError:
                return True
    except OSError:  # not there, or not ours to read
        return False
    return False


def _lock(file: IO[bytes]) -> None:
    """Take a log for this process until it is closed. Raises OSError if another has it."""
    if _fcntl is not None:
        _fcntl.flock(file, _fcntl.LOCK_EX | _fcntl.LOCK_NB)
    elif _msvcrt is not None:
        file.seek(0x7FFFFFFF)  # a byte that no log reaches, so reading stays free
        _msvcrt.locking(file.fileno(), _msvcrt.LK_NBLCK, 1)


class LogPlace:
    """Place of a log on disk (sturdy_log.Place)."""

    def __init__(self, path: Path, memory: Memory | None = None) -> None:
        self.path = path
        self.name = str(path)
        self._memory = memory
        self.repaired: Path | None = None

    def exists(self) -> bool:
        """Whether a log is there now."""
        try:
            return self.path.exists()
        except OSError:  # a device that is gone
            return False

    def open(self) -> SessionLog:
        """Open it, made new if there is none. Raises LogError, LogInUse, LogDamaged."""
        log = SessionLog(self.path, self._memory)
        self.repaired = log.repaired or self.repaired
        return log

    def read(self) -> Sequence[Envelope]:
        """All events, without opening it to be written. Raises LogError, LogDamaged."""
        found = scan_log(self.path)
        if self._memory is not None:
            found = self._memory.held_against(found)
        _refuse_damage(self.path, found)
        return found.events

    def erase(self) -> None:
        """Remove it, and its folder if nothing else is in it; no harm if that cannot be done."""
        with suppress(OSError):
            self.path.unlink(missing_ok=True)
            self.path.parent.rmdir()


def read_log(path: Path) -> Sequence[Envelope]:
    """All whole events of a log, oldest first, for reading only; a torn end is left out.

    Raises LogError if there is no such file, LogDamaged naming the first bad line.
    """
    found, _ = _scanned(path)
    _refuse_damage(path, found)
    return found.events


def scan_log(path: Path) -> Scan:
    """All that can be told of a log, sound or damaged. Raises LogError if there is no such file."""
    found, _ = _scanned(path)
    return found


def _scanned(path: Path) -> tuple[Scan, int]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogError(f"The log {path} cannot be read: {error.strerror}.") from error
    return scan(data), len(data)


def _refuse_damage(path: Path, found: Scan) -> None:
    if found.damages:
        raise LogDamaged(
            f"{path}: {found.damages[0].reason} 'leafcall mend {path}' goes on in a new session "
            "from what can still be read; or begin anew with --new."
        )


def _force(handle: int) -> None:
    """Force what was written to the disk itself. Raises OSError."""
    full = getattr(_fcntl, "F_FULLFSYNC", None)  # macOS: fsync leaves it in the disk's own memory
    if _fcntl is not None and full is not None:
        with suppress(OSError):  # a file system that does not know it; then fsync has to do
            _fcntl.fcntl(handle, full)
            return
    os.fsync(handle)


def _sync_folder(folder: Path) -> None:
    """Make the log's own name in its folder last through a loss of power."""
    if os.name != "posix":  # elsewhere a folder cannot be opened
        return
    with suppress(OSError):  # some file systems refuse it; then nothing can be done
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
