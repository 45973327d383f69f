"""A stick or disk that goes away during a session: said once, the log goes on, and comes home."""

import re
from pathlib import Path

import numpy as np
import pytest

from assistant.adapters.files.clips import Clips
from assistant.adapters.files.session_log import LogPlace, SessionLog, read_log
from assistant.bench import events as ev
from assistant.build.closed_sessions import forget_sound, verify_sheet
from assistant.build.sessions import SessionFolder
from assistant.errors import LogError
from assistant.record.seal import Verdict
from tests.command_line import Run


class Stick:
    """The folder of the job; while it is out, nothing can be written or found there."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.out_from: int | None = None  # the append that fails first, counted from 1
        self.appends = 0
        self.everything = False  # not the stick alone: no disk takes anything
        append, opened, exists = SessionLog.append, LogPlace.open, LogPlace.exists

        def failing(path: Path) -> bool:
            out = self.out_from is not None and self.appends >= self.out_from
            return out and (self.everything or "elsewhere" not in str(path))

        def try_append(log: SessionLog, events: object) -> None:
            self.appends += "elsewhere" not in str(log.path)
            if failing(log.path):
                raise LogError(f"The log {log.path} cannot be written: Input/output error.")
            append(log, events)  # type: ignore[arg-type]

        def try_open(place: LogPlace) -> SessionLog:
            if failing(place.path):
                raise LogError(f"The log {place.path} cannot be opened: No such device.")
            return opened(place)

        monkeypatch.setattr(SessionLog, "append", try_append)
        monkeypatch.setattr(LogPlace, "open", try_open)
        monkeypatch.setattr(
            LogPlace, "exists", lambda place: not failing(place.path) and exists(place)
        )


@pytest.fixture
def stick(run: Run, monkeypatch: pytest.MonkeyPatch) -> Stick:
    """The stick with a new job on it; it goes out at the third write."""
    run("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    stick = Stick(monkeypatch)
    stick.out_from = 3
    return stick


def test_a_pulled_stick_is_said_once_and_the_next_session_brings_all_home(
    run: Run, stick: Stick
) -> None:
    code, out, _ = run("type", "a.toml", "--mute", typed="top ring\n10 goes\n11 no go\n")
    assert code == 0
    assert out.count("The log cannot be written in its folder. It goes on elsewhere.") == 1
    (away,) = Path("home/elsewhere").glob("*/log.jsonl")
    assert f"Log    {away.resolve()}" in out
    assert "11 thou no go" in (away.parent / "sheet.html").read_text(encoding="utf-8")
    at_home = SessionFolder(Path("a-sessions/001"))
    assert len(read_log(at_home.log)) < len(read_log(away))
    stick.out_from = None
    code, out, _ = run("type", "a.toml", "--mute", typed="read it back\n")
    assert code == 0
    assert out.count("The log is back in its folder.") == 1
    assert "Last: 11 thou no go." in out
    assert not away.parent.exists()
    kinds = [e.event for e in read_log(at_home.log) if isinstance(e.event, ev.TroubleNoted)]
    assert [event.about for event in kinds] == ["log elsewhere", "log back"]
    assert verify_sheet(at_home.sheet).verdict is Verdict.CURRENT


def test_what_is_elsewhere_is_found_by_other_commands_and_brought_home(
    run: Run, stick: Stick
) -> None:
    run("type", "a.toml", "--mute", typed="top ring\n10 goes\n11 no go\n")
    (away,) = Path("home/elsewhere").glob("*")
    code, out, _ = run("sheet", "a.toml")
    assert (code, out.splitlines()[0]) == (0, str(away.resolve() / "sheet.html"))
    assert "11 thou no go" in (away / "sheet.html").read_text(encoding="utf-8")
    with_clip = away / "clips" / "away-00012.wav"
    with_clip.parent.mkdir()
    with_clip.write_bytes(b"sound")
    at_home = SessionFolder(Path("a-sessions/001"))
    with pytest.raises(LogError, match=r"A part of this session is in .* Bring that back first"):
        forget_sound(at_home)
    stick.out_from = None
    assert run("sheet", "a.toml")[1].startswith(str(at_home.sheet))
    assert not away.exists()
    assert (at_home.clips / "away-00012.wav").read_bytes() == b"sound"
    assert "11 thou no go" in at_home.sheet.read_text(encoding="utf-8")


def test_what_is_only_in_memory_is_said_to_be_so(run: Run, stick: Stick) -> None:
    stick.everything = True
    code, out, err = run("type", "a.toml", "--mute", typed="top ring\n10 goes\n11 no go\n")
    assert out.count("No disk takes the log. What you call is only in memory.") == 1
    before, after = out.split("No disk takes the log.")
    assert "Not on disk." not in before
    assert re.search(r"says .*11 thou.*Not on disk\.|11 no go.*Not on disk\.", after, re.S)
    assert code == 1
    assert "are lost: write down what the screen shows" in err


def test_clips_kept_elsewhere_come_home_with_the_log(tmp_path: Path) -> None:
    folder = SessionFolder(tmp_path / "a-sessions" / "001")
    away = Clips(tmp_path / "home" / "elsewhere" / "x" / "clips")
    silence = np.zeros(160, np.float32)
    assert away.keep(silence, stem="away-00012") == "away-00012.wav"
    assert away.keep(silence, stem="away-00013") == "away-00013.wav"
    home = Clips(folder.clips)
    assert home.keep(silence) == "0001.wav"
    (folder.clips / "away-00013.wav").write_bytes(b"another")
    away.move_to(folder.clips)
    assert [p.name for p in home.all()] == ["0001.wav", "away-00012.wav", "away-00013.wav"]
    assert (folder.clips / "away-00013.wav").read_bytes() == b"another"
    assert [p.name for p in away.all()] == ["away-00013.wav"]
