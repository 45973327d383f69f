"""The log on disk keeps the promises of a store, and loses nothing when the disk or power fails."""

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from assistant.adapters.files.session_log import SessionLog, read_log, scan_log
from assistant.bench.events import to_lines
from assistant.bench.ports import EventStore
from assistant.errors import LogDamaged, LogError, LogInUse
from tests.contract.event_store_contract import EventStoreContract, events


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "deep" / "er" / "log.jsonl"


class TestSessionLog(EventStoreContract):
    @pytest.fixture
    def open_store(self, path: Path) -> Callable[[], EventStore]:
        return lambda: SessionLog(path)


@pytest.fixture
def log(path: Path) -> Any:
    opened = SessionLog(path)
    opened.append(events(0, 3))
    yield opened
    opened.close()


def test_one_event_is_one_line_of_utf8(log: SessionLog, path: Path) -> None:
    text, check = to_lines(events(0, 3))
    assert path.read_text(encoding="utf-8") == text
    assert text.count("\n") == 3
    assert log.check == scan_log(path).check == check


def test_whole_lines_are_never_rewritten(log: SessionLog, path: Path) -> None:
    before = path.read_bytes()
    log.append(events(3, 2))
    assert path.read_bytes().startswith(before)


def test_an_append_is_forced_to_disk_before_it_returns(
    log: SessionLog, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (sizes.append(os.fstat(fd).st_size), real(fd)))
    log.append(events(3, 1))
    assert sizes == [path.stat().st_size]


@pytest.mark.parametrize("known", [True, False])
def test_where_fsync_does_not_reach_the_disk_the_stronger_call_is_used(
    log: SessionLog, monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    """macOS: fsync(2) there says that only F_FULLFSYNC reaches the disk."""
    fcntl = pytest.importorskip("fcntl")
    asked: list[str] = []

    def control(_: int, command: int) -> None:
        asked.append(f"fcntl {command}")
        if not known:
            raise OSError(errno.ENOTSUP, "not here")

    monkeypatch.setattr(fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(fcntl, "fcntl", control)
    monkeypatch.setattr(os, "fsync", lambda _: asked.append("fsync"))
    log.append(events(3, 1))
    assert asked == (["fcntl 51"] if known else ["fcntl 51", "fsync"])


# --- a torn last line -------------------------------------------------------------------------


@pytest.mark.parametrize("cut", [1, 2, 20, 60])
def test_a_torn_last_line_is_moved_beside_the_log_and_named(path: Path, cut: int) -> None:
    log = SessionLog(path)
    log.append(events(0, 2))
    log.append(events(2, 1))
    log.close()
    whole = path.read_bytes()
    torn = whole[:-cut]
    path.write_bytes(torn)
    again = SessionLog(path)
    kept = whole[: whole[:-1].rfind(b"\n") + 1]
    assert again.repaired == path.with_name("log.jsonl.torn")
    assert again.repaired.read_bytes() == torn[len(kept) :] + b"\n"
    assert path.read_bytes() == kept
    again.append(events(2, 1))
    assert list(again.read()) == events(0, 3)
    again.close()


def test_a_second_torn_line_is_kept_beside_the_first(path: Path) -> None:
    for torn in (b"one", b"two"):
        SessionLog(path).close()
        path.write_bytes(torn)
        SessionLog(path).close()
    assert path.with_name("log.jsonl.torn").read_bytes() == b"one\ntwo\n"


def test_a_whole_log_is_not_repaired(log: SessionLog, path: Path) -> None:
    log.close()
    again = SessionLog(path)
    assert again.repaired is None
    assert list(path.parent.iterdir()) == [path]
    again.close()


def test_reading_alone_repairs_nothing_and_leaves_the_torn_line_out(
    log: SessionLog, path: Path
) -> None:
    log.close()
    path.write_bytes(path.read_bytes() + b'{"v": 1, "se')
    before = path.read_bytes()
    assert list(read_log(path)) == events(0, 3)
    assert path.read_bytes() == before


@pytest.mark.parametrize("lines", [1, 2])
def test_half_a_call_is_no_call(path: Path, lines: int) -> None:
    """Power lost between the lines of one call: the lines that are there go with the torn one."""
    log = SessionLog(path)
    log.append(events(0, 2))
    log.append(events(2, 3))
    log.close()
    whole = path.read_bytes().split(b"\n")
    path.write_bytes(b"\n".join(whole[: 2 + lines]) + b"\n" + whole[2 + lines][:30])
    assert list(read_log(path)) == events(0, 2)
    again = SessionLog(path)
    assert path.read_bytes() == b"\n".join(whole[:2]) + b"\n"
    assert again.repaired is not None
    assert again.repaired.read_bytes().startswith(whole[2])
    again.append(events(2, 1))
    assert list(again.read()) == events(0, 3)
    again.close()


def test_blocks_of_zeros_that_the_disk_had_not_filled_are_torn_off(path: Path) -> None:
    log = SessionLog(path)
    log.append(events(0, 2))
    log.append(events(2, 1))
    log.close()
    data = bytearray(path.read_bytes())
    data[-40:-1] = bytes(39)
    path.write_bytes(bytes(data))
    again = SessionLog(path)
    assert list(again.read()) == events(0, 2)
    again.close()


# --- damage -----------------------------------------------------------------------------------

REASONS = [
    (b"garbage", r"Line 2 of the log is not JSON.* 'leafcall mend .*log\.jsonl' goes on in a new"),
    (b"", r"Line 2 of the log is not JSON"),
    (b"\xff\xfe", r"Line 2 of the log is not text"),
]


@pytest.mark.parametrize(("line", "reason"), REASONS)
def test_a_damaged_middle_is_named_by_its_line_and_nothing_is_changed(
    log: SessionLog, path: Path, line: bytes, reason: str
) -> None:
    lines = path.read_bytes().split(b"\n")
    lines[1] = line
    path.write_bytes(b"\n".join(lines))
    before = path.read_bytes()
    with pytest.raises(LogDamaged, match=reason):
        read_log(path)
    log.close()
    with pytest.raises(LogDamaged, match=reason):  # nothing is ever appended to it
        SessionLog(path)
    assert path.read_bytes() == before
    assert list(path.parent.iterdir()) == [path]
    SessionLog(path.with_name("other.jsonl")).close()
    found = scan_log(path)
    known, (damage,) = found.events, found.damages
    assert list(known) == [events(0, 1)[0], events(2, 1)[0]]
    assert damage.line == 2


def test_a_log_that_something_else_has_cut_off_is_not_written_any_more(
    log: SessionLog, path: Path
) -> None:
    path.write_bytes(path.read_bytes()[:-60])
    with pytest.raises(LogError, match="cannot be written: it has become shorter"):
        log.append(events(3, 1))


def test_a_log_that_was_moved_away_or_replaced_is_not_written_any_more(
    log: SessionLog, path: Path
) -> None:
    away = path.with_name("away")
    path.rename(away)
    with pytest.raises(LogError, match="cannot be written: No such file"):
        log.append(events(3, 1))
    path.write_bytes(b"")
    with pytest.raises(LogError, match="cannot be written: another file has taken its place"):
        log.append(events(3, 1))
    path.unlink()
    away.rename(path)
    log.append(events(3, 1))
    assert list(log.read()) == events(0, 4)


def test_a_missing_log_is_refused(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"none\.jsonl cannot be read: No such file"):
        read_log(tmp_path / "none.jsonl")


def test_a_log_that_cannot_be_opened_is_refused_with_the_way_out(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match=r"cannot be opened: .* Choose another folder"):
        SessionLog(tmp_path / "file" / "log.jsonl")
    with pytest.raises(LogError, match="cannot be opened: Is a directory"):
        SessionLog(tmp_path)


# --- one writer -------------------------------------------------------------------------------


def test_a_second_session_is_refused_and_harms_nothing(log: SessionLog, path: Path) -> None:
    before = path.read_bytes()
    with pytest.raises(LogInUse, match=r"in use by another session\. Close that one first"):
        SessionLog(path)
    assert path.read_bytes() == before
    log.append(events(3, 1))
    assert list(log.read()) == events(0, 4)


def test_a_session_in_another_process_is_refused_too(log: SessionLog, path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from assistant.adapters.files.session_log import SessionLog\n"
        "from assistant.errors import LogInUse\n"
        "try: SessionLog(Path(sys.argv[1]))\n"
        "except LogInUse: print('in use')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False,
        timeout=100,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == ("in use\n", "")


def test_a_closed_log_is_free_for_the_next(log: SessionLog, path: Path) -> None:
    log.close()
    SessionLog(path).close()


# --- a full disk ------------------------------------------------------------------------------


class Full:
    """The file of a log on a disk with room for a few bytes more."""

    def __init__(self, file: Any, room: int) -> None:
        self._file, self.room = file, room

    def write(self, data: bytes) -> int:
        if not self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken: int = self._file.write(bytes(data[: self.room]))
        self.room -= taken
        return taken

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@pytest.mark.parametrize("room", [0, 1, 50, 200])
def test_on_a_full_disk_all_of_an_append_fails_and_the_log_stays_whole(
    log: SessionLog, path: Path, room: int
) -> None:
    before = path.read_bytes()
    log._file = Full(log._file, room)
    with pytest.raises(LogError, match=r"cannot be written: No space left on device\. The last"):
        log.append(events(3, 4))
    assert path.read_bytes() == before
    log._file.room = 10**6
    log.append(events(3, 4))
    assert list(log.read()) == events(0, 7)


def test_a_torn_line_that_cannot_be_cut_off_at_once_is_cut_off_before_the_next_append(
    log: SessionLog, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Stuck(Full):
        def truncate(self, _: int) -> int:
            if self.room < 10**6:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            cut: int = self._file.truncate(_)
            return cut

    log._file = Stuck(log._file, 30)
    with pytest.raises(LogError, match="No space left"):
        log.append(events(3, 1))
    with pytest.raises(LogError, match="Input/output error"):
        log.append(events(3, 1))
    log._file.room = 10**7
    log.append(events(3, 1))
    assert list(log.read()) == events(0, 4)


def test_a_disk_that_does_not_take_the_sync_keeps_nothing(
    log: SessionLog, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    before = path.read_bytes()
    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(LogError, match="Input/output error"):
        log.append(events(3, 1))
    assert path.read_bytes() == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_the_device_that_is_always_full_gives_the_same_sentence(log: SessionLog) -> None:
    real = log._file
    with Path("/dev/full").open("ab", buffering=0) as full:
        log._file = full
        with pytest.raises(LogError, match="No space left on device"):
            log.append(events(3, 1))
        log._file = real
