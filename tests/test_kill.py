"""Nothing that was confirmed is missing, wherever the program or the power ends."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from assistant.adapters.files.session_log import SessionLog, read_log
from assistant.bench.dialogue import Call, Dialogue
from assistant.bench.events import ReplyGiven
from assistant.bench.session import State, replay
from assistant.bench.wording import Wording
from assistant.ear.utterance import Heard, Hypothesis
from assistant.language.grammar import Grammar
from tests.contract.event_store_contract import events
from tests.fakes import FakeClock, FakeSpeaker, small_job

ROOT = Path(__file__).resolve().parent.parent


class Killed(BaseException):
    """The process ends here: nothing after it is done."""


class Dying:
    """The file of a log whose process dies in the ``call``-th write after so many bytes of it."""

    def __init__(self, file: Any, after_bytes: int, call: int = 1) -> None:
        self._file, self._after_bytes, self._left = file, after_bytes, call

    def write(self, data: bytes) -> int:
        self._left -= 1
        if self._left:
            return int(self._file.write(data))
        self._file.write(bytes(data[: self._after_bytes]))
        raise Killed

    def truncate(self, _: int) -> int:
        raise AssertionError("a dead process cuts nothing off")

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@pytest.mark.parametrize("count", [1, 3])
def test_killed_at_any_byte_of_a_write_leaves_the_call_whole_or_not_at_all(
    tmp_path: Path, count: int
) -> None:
    path = tmp_path / "log.jsonl"
    log = SessionLog(path)
    log.append(events(0, 2))
    size = path.stat().st_size
    log.append(events(2, count))
    whole = path.read_bytes()
    log.close()
    added = len(whole) - size
    ends = {n + d for n in range(added) if whole[size + n] == 10 for d in (0, 1)}
    for after_bytes in sorted({*range(0, added + 1, count), added, *ends}):
        path.write_bytes(whole[:size])
        dying = SessionLog(path)
        dying._file = Dying(dying._file, after_bytes)
        with pytest.raises(Killed):
            dying.append(events(2, count))
        dying.close()
        assert path.read_bytes() == whole[: size + after_bytes]
        again = SessionLog(path)
        written = after_bytes == added
        assert list(again.read()) == events(0, 2 + count if written else 2)
        assert (again.repaired is None) == (after_bytes in (0, added))
        again.append(events(len(again.read()), 1))
        assert path.read_bytes().startswith(whole[:size])
        again.close()


@pytest.mark.parametrize("when", ["before fsync", "after fsync"])
def test_killed_around_the_sync_the_call_is_there_though_nobody_was_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    log = SessionLog(tmp_path / "log.jsonl")
    log.append(events(0, 1))
    real = os.fsync

    def die(handle: int) -> None:
        if when == "after fsync":
            real(handle)
        raise Killed

    monkeypatch.setattr(os, "fsync", die)
    with pytest.raises(Killed):
        log.append(events(1, 3))
    monkeypatch.undo()
    log.close()
    assert list(read_log(log.path)) == events(0, 4)


CALLS = (
    "top ring", "ten goes eleven no go", "what now", "ground three", "take that back", "note",
    "the blue rag", "banana", "deburred", "skip this ring", "wrap up",
)  # fmt: skip


@pytest.mark.parametrize("at", range(1, len(CALLS) + 2))
@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 1.0])
def test_killed_in_any_call_of_a_session_all_that_was_shown_and_said_is_in_the_log(
    tmp_path: Path, grammar: Grammar, wording: Wording, at: int, share: float
) -> None:
    """The write of each call in turn ends before, within and after its bytes."""
    told: list[str] = []
    log = SessionLog(tmp_path / "log.jsonl")
    real = log._file

    class Sized(Dying):
        def write(self, data: bytes) -> int:
            self._after_bytes = int(share * len(data))
            return super().write(data)

    log._file = Sized(real, 0, call=at)  # type: ignore[assignment]
    dialogue = Dialogue(
        store=log, clock=FakeClock(), grammar=grammar, wording=wording, speaker=FakeSpeaker(),
        show=lambda turn: told.append(turn.reply.spoken), state=State(),
    )  # fmt: skip

    def session() -> None:
        dialogue.open(small_job(), software="leafcall test")
        for line in CALLS:
            heard = Heard((Hypothesis(grammar.words_of(line), 1.0),), 1.0)
            dialogue.take(_typed(heard))

    with pytest.raises(Killed):
        session()
    real.close()
    again = SessionLog(log.path)
    stored = again.read()
    said = [e.event.text for e in stored if isinstance(e.event, ReplyGiven)]
    assert said[: len(told)] == told
    assert len(told) == at - 1
    assert len(said) - len(told) == (share == 1.0)
    assert (replay(stored).turn == at - 1) if share == 1.0 else (replay(stored).turn == at - 2)
    again.close()


def _typed(heard: Heard) -> Call:
    return Call(heard, source="keyboard", typed=True)


# --- real kills ---------------------------------------------------------------------------------

posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")


def rounds(folder: Path, *options: str) -> dict[str, int]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.kill_rounds", str(folder), *options], cwd=ROOT, check=True,
        capture_output=True, text=True, timeout=110,
    )  # fmt: skip
    found: dict[str, int] = json.loads(done.stdout)
    return found


@posix
def test_200_sessions_killed_by_the_system_lose_nothing_that_was_confirmed(tmp_path: Path) -> None:
    found = rounds(tmp_path, "--rounds", "200")
    assert found["rounds"] == 200
    assert found["confirmed"] > 200
    assert (found["lost"], found["half"], found["rewritten"]) == (0, 0, 0)


@posix
def test_a_store_that_keeps_calls_back_would_be_noticed(tmp_path: Path) -> None:
    assert rounds(tmp_path, "--rounds", "8", "--careless")["lost"] > 0


@posix
def test_a_killed_writer_leaves_the_log_free_and_a_live_one_holds_it(
    tmp_path: Path, spawn: Callable[[str], Any]
) -> None:
    path = tmp_path / "log.jsonl"
    first = SessionLog(path)
    first.append(events(0, 2))
    first.close()
    holder = spawn(str(path))
    assert holder.stdout.readline() == "open 2\n"
    second = spawn(str(path))
    assert second.stdout.readline() == "in use\n"
    holder.kill()
    holder.wait(20)
    third = spawn(str(path))
    assert third.stdout.readline() == "open 2\n"


@pytest.fixture
def spawn() -> Any:
    """Starts a process that opens a log, says what it found and waits."""
    code = (
        "import sys; from pathlib import Path\n"
        "from assistant.adapters.files.session_log import SessionLog\n"
        "from assistant.errors import LogInUse\n"
        "try:\n"
        "    log = SessionLog(Path(sys.argv[1]))\n"
        "    print('open', len(log.read()), flush=True)\n"
        "    sys.stdin.read()\n"
        "except LogInUse: print('in use')\n"
    )
    started = []

    def start(path: str) -> Any:
        process = subprocess.Popen(
            [sys.executable, "-c", code, path], cwd=ROOT, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate(timeout=20)
