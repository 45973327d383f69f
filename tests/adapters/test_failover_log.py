"""A log that goes on when its disk is full, read-only or pulled, and comes home afterwards."""

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.failover_log import SturdyLog
from assistant.adapters.files.session_log import LogPlace, SessionLog, read_log
from assistant.bench.ports import EventStore
from assistant.errors import LogDamaged, LogError, LogInUse
from tests.contract.event_store_contract import EventStoreContract, events
from tests.examples import FEW


class Disk(LogPlace):
    """A place on a disk that can fail. fault: number of the error that every access meets."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.fault: int | None = None
        self.room: int | None = None
        self.opened = 0

    def fail(self) -> None:
        if self.fault is not None:
            raise OSError(self.fault, os.strerror(self.fault))

    def exists(self) -> bool:
        return self.fault is None and super().exists()

    def open(self) -> SessionLog:
        try:
            self.fail()
        except OSError as error:
            raise LogError(f"The log {self.path} cannot be opened: {error.strerror}.") from error
        log = super().open()
        log._file = _File(log._file, self)
        self.opened += 1
        return log


class _File:
    """The open file of a log on such a disk; half of what does not fit is written."""

    def __init__(self, file: Any, disk: Disk) -> None:
        self._file, self._disk = file, disk

    def write(self, data: bytes) -> int:
        self._disk.fail()
        room = self._disk.room
        if room is None:
            return int(self._file.write(data))
        if not room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = int(self._file.write(bytes(data[:room])))
        self._disk.room = room - taken
        return taken

    def fileno(self) -> int:
        self._disk.fail()
        return int(self._file.fileno())

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@pytest.fixture
def home(tmp_path: Path) -> Disk:
    return Disk(tmp_path / "stick" / "job-sessions" / "001" / "log.jsonl")


@pytest.fixture
def spare(tmp_path: Path) -> Disk:
    return Disk(tmp_path / "own" / "elsewhere" / "log.jsonl")


class TestSturdyLog(EventStoreContract):
    @pytest.fixture
    def open_store(self, home: Disk, spare: Disk) -> Callable[[], EventStore]:
        return lambda: SturdyLog(home, spare)


@pytest.fixture
def log(home: Disk, spare: Disk) -> Iterator[SturdyLog]:
    opened = SturdyLog(home, spare)
    opened.append(events(0, 3))
    yield opened
    home.fault = spare.fault = home.room = None
    opened.close()


def told(log: SturdyLog) -> list[str]:
    return [about for about, _ in log.troubles()]


def test_while_all_is_well_there_is_one_file(log: SturdyLog, home: Disk, spare: Disk) -> None:
    assert list(read_log(home.path)) == events(0, 3)
    assert not spare.path.parent.exists()
    assert (told(log), log.elsewhere, log.only_in_memory) == ([], False, False)


FAULTS = [errno.EIO, errno.ENODEV, errno.EROFS, errno.ESTALE, errno.EACCES]


@pytest.mark.parametrize("fault", FAULTS, ids=errno.errorcode.get)
def test_a_stick_that_is_pulled_is_told_once_and_the_log_goes_on_elsewhere(
    log: SturdyLog, home: Disk, spare: Disk, fault: int
) -> None:
    home.fault = fault
    for n in range(3, 6):
        log.append(events(n, 1))
        # A whole log of its own, on disk before append returns.
        assert list(read_log(spare.path)) == events(0, n + 1)
    ((about, detail),) = log.troubles()
    assert about == "log elsewhere"
    assert os.strerror(fault) in detail
    assert f"It goes on in {spare.path}." in detail
    assert "not kept" not in detail
    assert (log.elsewhere, log.only_in_memory) == (True, False)
    assert list(log.read()) == events(0, 6)


def test_what_was_called_meanwhile_comes_home_when_the_stick_is_back(
    log: SturdyLog, home: Disk, spare: Disk
) -> None:
    home.fault = errno.EIO
    log.append(events(3, 2))
    log.append(events(5, 1))
    home.fault = None
    log.append(events(6, 1))
    assert told(log) == ["log elsewhere", "log back"]
    assert list(read_log(home.path)) == events(0, 7)
    assert not spare.path.exists()
    assert not log.elsewhere
    home.fault = errno.EIO  # a second time is told again
    log.append(events(7, 1))
    assert told(log) == ["log elsewhere"]


def test_a_full_disk_makes_it_go_on_elsewhere_and_room_brings_it_back(
    log: SturdyLog, home: Disk, spare: Disk
) -> None:
    home.room = 50
    log.append(events(3, 2))
    assert list(read_log(home.path)) == events(0, 3)
    assert list(read_log(spare.path)) == events(0, 5)
    home.room = None
    log.append(events(5, 1))
    assert list(read_log(home.path)) == events(0, 6)
    assert told(log) == ["log elsewhere", "log back"]


def test_an_empty_place_where_the_stick_was_is_left_alone(
    log: SturdyLog, home: Disk, spare: Disk
) -> None:
    """The folder of a stick that is out belongs to another disk."""
    home.fault = errno.EIO
    log.append(events(3, 1))
    home.path.rename(home.path.with_name("away"))
    home.fault = None
    log.append(events(4, 1))
    assert not home.path.exists()
    assert list(read_log(spare.path)) == events(0, 5)
    home.path.with_name("away").rename(home.path)
    log.append(events(5, 1))
    assert list(read_log(home.path)) == events(0, 6)


def test_another_log_in_its_place_is_not_touched(log: SturdyLog, home: Disk, spare: Disk) -> None:
    home.fault = errno.EIO
    log.append(events(3, 1))
    home.path.unlink()
    other = SessionLog(home.path)
    other.append(events(0, 2)[1:2])
    other.close()
    before = home.path.read_bytes()
    home.fault = None
    log.append(events(4, 1))
    assert home.path.read_bytes() == before
    assert list(read_log(spare.path)) == events(0, 5)
    home.path.unlink()


def test_what_no_disk_takes_is_in_memory_only_and_that_can_be_seen(
    log: SturdyLog, home: Disk, spare: Disk
) -> None:
    home.fault = spare.fault = errno.EIO
    log.append(events(3, 1))
    assert log.only_in_memory
    assert list(log.read()) == events(0, 4)
    log.append(events(4, 1))
    assert told(log) == ["log only in memory"]
    spare.fault = None
    log.append(events(5, 1))
    assert not log.only_in_memory
    assert list(read_log(spare.path)) == events(0, 6)
    home.fault = None
    log.append(events(6, 1))
    assert told(log) == ["log elsewhere", "log back"]
    assert list(read_log(home.path)) == events(0, 7)


def test_closing_with_calls_in_memory_tries_once_more_and_says_what_is_lost(
    home: Disk, spare: Disk
) -> None:
    log = SturdyLog(home, spare)
    log.append(events(0, 1))
    home.fault = spare.fault = errno.EIO
    log.append(events(1, 2))
    with pytest.raises(LogError, match="The last 2 events could be written neither to"):
        log.close()
    log.close()
    home.fault = spare.fault = None
    again = SturdyLog(home, spare)
    again.append(events(1, 1))
    home.fault = spare.fault = errno.EIO
    again.append(events(2, 1))
    home.fault = None
    again.close()
    assert list(read_log(home.path)) == events(0, 3)


# --- from one session to the next --------------------------------------------------------------


def left_elsewhere(home: Disk, spare: Disk) -> None:
    log = SturdyLog(home, spare)
    log.append(events(0, 2))
    home.fault = errno.EIO
    log.append(events(2, 2))
    log.close()
    assert list(read_log(home.path)) == events(0, 2)


def test_the_next_session_brings_home_what_was_left_elsewhere(home: Disk, spare: Disk) -> None:
    left_elsewhere(home, spare)
    home.fault = None
    log = SturdyLog(home, spare)
    assert list(log.read()) == events(0, 4) == list(read_log(home.path))
    assert (told(log), spare.path.exists()) == (["log back"], False)
    log.close()


def test_without_its_home_the_next_session_goes_on_from_the_spare(home: Disk, spare: Disk) -> None:
    left_elsewhere(home, spare)
    log = SturdyLog(home, spare)
    assert list(log.read()) == events(0, 4)
    log.append(events(4, 1))
    assert told(log) == ["log elsewhere"]
    assert list(read_log(spare.path)) == events(0, 5)
    log.close()


def test_a_spare_that_home_already_holds_is_put_away(home: Disk, spare: Disk) -> None:
    """Power lost after the calls had come home, before the spare was erased."""
    left_elsewhere(home, spare)
    home.fault = None
    kept = spare.path.read_bytes()
    SturdyLog(home, spare).close()
    spare.path.parent.mkdir(parents=True)
    spare.path.write_bytes(kept)
    log = SturdyLog(home, spare)
    assert list(log.read()) == events(0, 4)
    assert not spare.path.exists()
    log.close()


@pytest.mark.parametrize("home_holds", range(5))
def test_killed_while_it_was_brought_home_the_next_opening_brings_the_rest(
    home: Disk, spare: Disk, home_holds: int
) -> None:
    for place, count in ((home, home_holds), (spare, 4)):
        log = place.open()
        for n in range(count):
            log.append(events(n, 1))
        log.close()
    sturdy = SturdyLog(home, spare)
    sturdy.close()
    assert list(read_log(home.path)) == events(0, 4)
    assert not spare.path.exists()


def test_a_spare_of_something_else_is_refused_and_both_are_left(home: Disk, spare: Disk) -> None:
    left_elsewhere(home, spare)
    home.fault = None
    other = SessionLog(home.path)
    other.append(events(2, 1)[0:1])
    other.close()
    home.path.write_bytes(home.path.read_bytes())
    second = SessionLog(home.path)
    second.append([event.model_copy(update={"turn": 99}) for event in events(3, 1)])
    second.close()
    before = home.path.read_bytes(), spare.path.read_bytes()
    with pytest.raises(LogError, match=r"holds calls that do not belong to the log .* review"):
        SturdyLog(home, spare)
    assert (home.path.read_bytes(), spare.path.read_bytes()) == before
    SessionLog(home.path).close()  # nothing is held locked
    SessionLog(spare.path).close()


def test_a_read_only_folder_at_the_start_is_no_end(home: Disk, spare: Disk) -> None:
    home.fault = errno.EROFS
    log = SturdyLog(home, spare)
    log.append(events(0, 1))
    assert told(log) == ["log elsewhere"]
    assert list(read_log(spare.path)) == events(0, 1)
    log.close()
    spare.fault = errno.EROFS
    with pytest.raises(LogError, match="cannot be opened: Read-only file system"):
        SturdyLog(home, spare)


def test_damage_and_a_second_writer_are_refused_as_ever(home: Disk, spare: Disk) -> None:
    log = SturdyLog(home, spare)
    log.append(events(0, 3))
    with pytest.raises(LogInUse):
        SturdyLog(home, spare)
    log.close()
    lines = home.path.read_bytes().split(b"\n")
    home.path.write_bytes(b"\n".join([lines[0], b"x", *lines[2:]]))
    with pytest.raises(LogDamaged):
        SturdyLog(home, spare)
    assert not spare.path.exists()


# --- any order of troubles -----------------------------------------------------------------------

STEPS = st.lists(
    st.sampled_from(
        ["call", "call", "home out", "home in", "spare out", "spare in", "home full", "home room"]
    ),
    max_size=25,
)


@FEW
@given(steps=STEPS)
def test_whatever_fails_nothing_that_was_called_safe_is_ever_missing(
    tmp_path_factory: pytest.TempPathFactory, steps: list[str]
) -> None:
    folder = tmp_path_factory.mktemp("sturdy")
    home, spare = Disk(folder / "home" / "log.jsonl"), Disk(folder / "spare" / "log.jsonl")
    log, called, safe = SturdyLog(home, spare), 0, 0
    for step in steps:
        match step:
            case "call":
                log.append(events(called, 2))
                called += 2
                if not log.only_in_memory:
                    safe = called
            case "home out":
                home.fault = errno.EIO
            case "home in":
                home.fault = None
            case "spare out":
                spare.fault = errno.EIO
            case "spare in":
                spare.fault = None
            case "home full":
                home.room = 100
            case _:
                home.room = None
        kept = [list(read_log(disk.path)) for disk in (home, spare) if disk.path.exists()]
        assert max(map(len, kept), default=0) >= safe
        assert all(one == events(0, len(one)) for one in kept)
        assert list(log.read()) == events(0, called)
    home.fault = spare.fault = home.room = None
    log.close()
    assert list(read_log(home.path)) == events(0, called)


class ReadOnly(Disk):
    """A disk that is still read, but no more written, since ``fault`` is set."""

    def exists(self) -> bool:
        return self.path.exists()


def test_a_disk_that_is_read_only_from_the_start_is_gone_on_from_and_comes_home(
    tmp_path: Path, spare: Disk
) -> None:
    """Nothing that was called before may be forgotten, nor stand in the way afterwards."""
    home = ReadOnly(tmp_path / "stick" / "log.jsonl")
    first = SturdyLog(home, spare)
    first.append(events(0, 3))
    first.close()
    home.fault = errno.EROFS
    for n in (3, 4):
        log = SturdyLog(home, spare)
        assert list(log.read()) == events(0, n)
        log.append(events(n, 1))
        assert (log.elsewhere, log.only_in_memory) == (True, False)
        log.close()
        assert list(read_log(spare.path)) == events(0, n + 1)
        assert list(read_log(home.path)) == events(0, 3)
    home.fault = None
    log = SturdyLog(home, spare)
    assert (list(log.read()), log.elsewhere) == (events(0, 5), False)
    log.close()
    assert list(read_log(home.path)) == events(0, 5)
    assert not spare.path.exists()


def test_a_damaged_log_on_a_read_only_disk_is_not_gone_on_from(tmp_path: Path, spare: Disk) -> None:
    home = ReadOnly(tmp_path / "stick" / "log.jsonl")
    first = SturdyLog(home, spare)
    first.append(events(0, 3))
    first.close()
    lines = home.path.read_bytes().splitlines(keepends=True)
    home.path.write_bytes(b"".join([lines[0], b"{}\n", *lines[2:]]))
    home.fault = errno.EROFS
    with pytest.raises(LogDamaged):
        SturdyLog(home, spare)
    assert not spare.path.exists()
