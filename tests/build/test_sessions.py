"""Which session a job gets: one at a time, and those too that had to be kept elsewhere."""

import shutil
from pathlib import Path

import pytest

from assistant.adapters.files.session_log import SessionLog, in_use, read_log
from assistant.build.sessions import SessionFolder, session_folders, spare_log
from tests.command_line import Run

JOB = Path("a.toml")


@pytest.fixture
def folder(run: Run) -> SessionFolder:
    run("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert run("type", "a.toml", "--mute", typed="top ring\n10 goes\n").code == 0
    (only,) = session_folders(JOB)
    return only


def test_a_new_session_is_refused_while_another_of_the_job_is_under_way(
    run: Run, folder: SessionFolder
) -> None:
    before = folder.log.read_bytes()
    running = SessionLog(folder.log)
    for arguments in (("--new",), ()):
        code, _, err = run("type", "a.toml", "--mute", *arguments, typed="top ring\n")
        assert (code, len(session_folders(JOB))) == (1, 1)
        assert "another session" in err.lower()
        assert folder.log.read_bytes() == before
    running.close()
    assert run("type", "a.toml", "--mute", "--new", typed="top ring\n").code == 0
    # And an older session that still runs counts as well.
    running = SessionLog(folder.log)
    assert run("type", "a.toml", "--mute", "--new", typed="top ring\n").code == 1
    running.close()


def test_looking_whether_a_log_is_in_use_changes_nothing(folder: SessionFolder) -> None:
    assert not in_use(folder.log)
    assert not in_use(folder.path / "none.jsonl")
    assert not (folder.path / "none.jsonl").exists()
    running = SessionLog(folder.log)
    assert in_use(folder.log)
    running.close()
    assert not in_use(folder.log)


def test_a_session_kept_in_the_data_folder_is_found_by_every_command(
    run: Run, folder: SessionFolder
) -> None:
    """As on a read-only folder: nothing of the session lies beside the job."""
    away = spare_log(folder.log)
    away.parent.mkdir(parents=True)
    shutil.move(folder.log, away)
    shutil.rmtree("a-sessions")
    shutil.rmtree("home/heads")
    Path("a-sessions").write_text("no folder can be made here")
    assert [one.path for one in session_folders(JOB)] == [folder.path]
    for command in (("sheet",), ("review", "--text"), ("forget", "--yes"), ("history",)):
        code, out, err = run(command[0], "a.toml", *command[1:])
        assert (code, "has no session yet" in err) == (0, False), (command, out, err)
    known = len(read_log(away))
    assert run("type", "a.toml", "--mute", typed="11 no go\n").code == 0
    assert len(read_log(away)) > known
    assert "10 thou goes" in (away.parent / "sheet.html").read_text(encoding="utf-8")
    # The folder can be written again: it comes home.
    Path("a-sessions").unlink()
    assert run("sheet", "a.toml").code == 0
    assert "11 thou no go" in folder.sheet.read_text(encoding="utf-8")
    assert not away.exists()
