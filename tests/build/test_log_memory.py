"""Records are never overwritten by less: a log that lost its end, its sheet, its kept head."""

import shutil
from pathlib import Path

import pytest

from assistant.adapters.files.log_heads import LogHeads
from assistant.adapters.files.session_log import SessionLog, read_log, scan_log
from assistant.bench.log_chain import Head, held_against
from assistant.build.log_memory import LogMemory
from assistant.build.sessions import SessionFolder, memory_of, session_folders
from assistant.errors import LogDamaged
from tests.command_line import Run

CALLS = "top ring\n10 goes 11 no go\nground 3\n13 goes 14 snug\n"
JOB = Path("a.toml")
SHEETS = ("sheet.html", "sheet.csv", "sheet.json")


@pytest.fixture
def folder(run: Run) -> SessionFolder:
    """A session of a small job: calls and a sheet."""
    run("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert run("type", "a.toml", "--mute", typed=CALLS)[0] == 0
    (only,) = session_folders(JOB)
    return only


def forget_heads() -> None:
    shutil.rmtree("home/heads")


def forget_sheets(folder: SessionFolder) -> None:
    for name in SHEETS:
        (folder.path / name).unlink()


def refused(folder: SessionFolder) -> str:
    """Why the log cannot be gone on with; nothing in its folder may have changed by that."""
    before = {path: path.read_bytes() for path in folder.path.iterdir() if path.is_file()}
    memory = memory_of(folder)
    with pytest.raises(LogDamaged) as error:
        from_disk(folder, memory)
    assert {p: p.read_bytes() for p in folder.path.iterdir() if p.is_file()} == before
    return str(error.value)


def from_disk(folder: SessionFolder, memory: LogMemory) -> None:
    SessionLog(folder.log, memory).close()


@pytest.mark.parametrize("only", ["sheet", "head"])
def test_a_log_cut_off_at_any_line_or_byte_of_its_end_is_never_gone_on_with(
    folder: SessionFolder, only: str
) -> None:
    """Of the last two lines every byte, of the others every line."""
    forget_heads() if only == "sheet" else forget_sheets(folder)
    whole = folder.log.read_bytes()
    lines = whole.splitlines(keepends=True)
    ends = [sum(map(len, lines[:n])) for n in range(len(lines))]
    cuts = sorted({*ends, *range(ends[-2], len(whole))})
    for cut in cuts:
        folder.log.write_bytes(whole[:cut])
        told = refused(folder)
        assert f"knows of {len(lines)}: its end is lost." in told, cut
        assert f"'leafcall mend {folder.log}'" in told
    folder.log.write_bytes(whole)
    from_disk(folder, memory_of(folder))


@pytest.mark.parametrize("rest", [b"", b"\0" * 5000, b"\n", b"{"])
@pytest.mark.parametrize("only", ["sheet", "head"])
def test_an_empty_log_beside_a_good_sheet_changes_nothing(
    run: Run, folder: SessionFolder, rest: bytes, only: str
) -> None:
    forget_heads() if only == "sheet" else forget_sheets(folder)
    folder.log.write_bytes(rest)
    before = {path: path.read_bytes() for path in folder.path.iterdir()}
    for command in (("type", "a.toml", "--mute"), ("sheet", "a.toml"), ("mend", "a.toml")):
        code, _, err = run(*command, typed="top ring\n")
        assert code == 1
        assert "--new" in err or "nothing to make a sheet of" in err
    assert {path: path.read_bytes() for path in folder.path.iterdir()} == before
    assert run("type", "a.toml", "--mute", "--new", typed="top ring\n").code == 0
    assert [one.path.name for one in session_folders(JOB)] == ["001", "002"]
    assert {path: path.read_bytes() for path in folder.path.iterdir()} == before


def cut_to(folder: SessionFolder, turn: int) -> int:
    """Cut the log off cleanly behind a turn; how many events are left."""
    events = [one for one in read_log(folder.log) if one.turn <= turn]
    lines = folder.log.read_bytes().splitlines(keepends=True)
    folder.log.write_bytes(b"".join(lines[: len(events)]))
    assert scan_log(folder.log).damages == ()
    return len(events)


@pytest.mark.parametrize("heads", [True, False])
def test_a_shortened_log_gets_a_sheet_that_says_so_and_the_older_is_kept(
    run: Run, folder: SessionFolder, heads: bool
) -> None:
    if not heads:
        forget_heads()
    older = {name: (folder.path / name).read_bytes() for name in SHEETS}
    left = cut_to(folder, 3)
    for _ in range(2):  # and a second time no further copy
        code, _, err = run("sheet", "a.toml")
        assert code == 0
        assert f"The log ends after {left} events" in err
        assert "The log of this session is damaged." in folder.sheet.read_text(encoding="utf-8")
    for name, text in older.items():
        assert (folder.path / name.replace("sheet", "sheet-1")).read_bytes() == text
    assert not list(folder.path.glob("sheet-2*"))
    assert "its end is lost" in run("type", "a.toml", "--mute").err
    assert f"The log ends after {left} events" in run("review", "a.toml", "--text").err


def test_mend_offers_what_the_log_and_the_sheet_hold(run: Run, folder: SessionFolder) -> None:
    cut_to(folder, 3)
    before = {path: path.read_bytes() for path in folder.path.iterdir()}
    code, _, err = run("mend", "a.toml")
    assert code == 0
    assert "its end is lost" in err
    assert "sheet.json knew of cylinder 1 top, " in err
    assert "14 thou snug" in err
    assert {path: path.read_bytes() for path in folder.path.iterdir()} == before
    assert run("type", "a.toml", "--mute", typed="13 goes\n").code == 0
    new = session_folders(JOB)[-1]
    assert new.path.name == "002"
    assert "10 thou goes" in new.sheet.read_text(encoding="utf-8")


def test_a_restored_backup_is_told_and_the_whole_log_put_back_is_fine(
    run: Run, folder: SessionFolder
) -> None:
    shutil.copytree(folder.path, "backup")
    run("type", "a.toml", "--mute", typed="15 no go\n")
    shutil.copytree(folder.path, "newest")
    shutil.rmtree(folder.path)
    shutil.copytree("backup", folder.path)  # log and sheet, both older
    assert "this computer knows of" in run("type", "a.toml", "--mute").err
    shutil.rmtree(folder.path)
    shutil.copytree("newest", folder.path)
    assert run("type", "a.toml", "--mute", typed="where am i\n").code == 0


def test_a_copy_that_went_on_elsewhere_is_told(run: Run, folder: SessionFolder) -> None:
    """Two machines go on from one copy: the branches must not be mixed."""
    shutil.copytree(folder.path, "copy")
    run("type", "a.toml", "--mute", typed="15 no go\n")
    here = folder.log.read_bytes()
    shutil.rmtree(folder.path)
    shutil.copytree("copy", folder.path)
    shutil.move("home/heads", "mine")
    run("type", "a.toml", "--mute", typed="16 no go\n17 no go\n")
    shutil.rmtree("home/heads")
    shutil.move("mine", "home/heads")
    assert folder.log.read_bytes() != here
    told = run("type", "a.toml", "--mute").err
    assert "The log is not the one that this computer knows, or it was changed." in told


def test_swapped_logs_are_told_by_their_sheets(run: Run, folder: SessionFolder) -> None:
    run("type", "a.toml", "--mute", "--new", typed=CALLS + "15 no go\n")
    other = session_folders(JOB)[1]
    one, two = folder.log.read_bytes(), other.log.read_bytes()
    folder.log.write_bytes(two)
    other.log.write_bytes(one)
    assert "is lost" in refused(other)
    assert "is not the one that sheet" in refused(folder)


@pytest.mark.parametrize("only", ["sheet", "head"])
def test_a_log_that_is_gone_is_told_and_its_folder_not_used_again(
    run: Run, folder: SessionFolder, only: str
) -> None:
    forget_heads() if only == "sheet" else forget_sheets(folder)
    before = {path: path.read_bytes() for path in folder.path.iterdir() if path != folder.log}
    events = len(read_log(folder.log))
    folder.log.unlink()
    for command in (("type", "a.toml", "--mute"), ("sheet", "a.toml"), ("review", "a.toml")):
        code, _, err = run(*command, typed="top ring\n")
        assert code == 1
        assert f"{folder.log} is gone, but " in err
        assert f"knows of {events} events in it. Look for it" in err
        assert "'leafcall mend a.toml'" in err
    assert session_folders(JOB) == []
    assert run("type", "a.toml", "--mute", "--new", typed="top ring\n").code == 0
    assert [one.path.name for one in session_folders(JOB)] == ["002"]
    assert {path: path.read_bytes() for path in folder.path.iterdir()} == before
    # A newer session is there now: nobody is told again.
    assert run("type", "a.toml", "--mute", typed="where am i\n").code == 0
    assert run("sheet", "a.toml").err == ""


def test_a_log_that_is_put_back_is_gone_on_with(run: Run, folder: SessionFolder) -> None:
    shutil.move(folder.log, "away.jsonl")
    assert run("type", "a.toml", "--mute", typed="15 no go\n").code == 1
    shutil.move("away.jsonl", folder.log)
    assert run("type", "a.toml", "--mute", typed="15 no go\n").code == 0
    assert [one.path.name for one in session_folders(JOB)] == ["001"]


def test_sheet_and_review_of_the_session_before_tell_that_a_newer_log_is_gone(
    run: Run, folder: SessionFolder
) -> None:
    run("type", "a.toml", "--mute", "--new", typed=CALLS)
    newer = session_folders(JOB)[1]
    newer.log.unlink()
    for command in (("sheet", "a.toml"), ("review", "a.toml", "--text")):
        code, _, err = run(*command)
        assert code == 0
        assert f"{newer.log} is gone" in err
        assert "This is of the session before it." in err


@pytest.mark.parametrize("by", ["job", "log"])
def test_mend_of_a_log_that_is_gone_begins_anew_and_tells_what_the_sheet_knew(
    run: Run, folder: SessionFolder, by: str
) -> None:
    folder.log.unlink()
    code, out, err = run("mend", "a.toml" if by == "job" else str(folder.log))
    (new,) = session_folders(JOB)
    assert (code, Path(out.splitlines()[0]).resolve()) == (0, new.log.resolve())
    assert "measure every ring before you rely on it." in err
    assert "sheet.json knew of cylinder 1 top, " in err
    assert "13 thou goes; 14 thou snug" in err
    assert new.path.name == "002"
    assert run("type", "a.toml", "--mute", typed="top ring\n13 goes\n").code == 0
    text = new.sheet.read_text(encoding="utf-8")
    assert "measure every ring before you rely on it." in text  # it stays with what is made of it
    assert "13 thou goes" in text
    assert "14 thou snug" not in text  # what has no time and no call is no event


def test_of_a_folder_that_is_gone_as_a_whole_the_computer_still_knows(
    run: Run, folder: SessionFolder
) -> None:
    shutil.rmtree("a-sessions")
    assert "this computer knows of" in run("type", "a.toml", "--mute").err
    assert run("mend", "a.toml").code == 0
    assert [one.path.name for one in session_folders(JOB)] == ["002"]
    assert run("type", "a.toml", "--mute", typed="top ring\n").code == 0
    shutil.rmtree("a-sessions")
    shutil.rmtree("home/heads")  # nothing is known: it is a new job
    assert run("type", "a.toml", "--mute", typed="top ring\n").code == 0
    assert [one.path.name for one in session_folders(JOB)] == ["001"]


def test_a_sheet_that_was_altered_or_is_of_another_log_stops_nobody(
    run: Run, folder: SessionFolder
) -> None:
    text = folder.sheet.read_bytes().replace(b"10 thou goes", b"12 thou goes")
    folder.sheet.write_bytes(text)
    ran = run("type", "a.toml", "--mute", typed="15 no go\n")
    assert ran.code == 0
    assert "it is kept: sheet-1.csv, sheet-1.html, sheet-1.json." in ran.err
    assert (folder.path / "sheet-1.html").read_bytes() == text
    copied = SessionFolder(folder.path, "copy.jsonl")
    shutil.copy(folder.log, copied.log)
    cut_to(copied, 2)
    assert memory_of(copied).scan().damages == ()


def test_a_head_that_cannot_be_written_or_read_stops_nothing(
    run: Run, folder: SessionFolder
) -> None:
    forget_heads()
    Path("home/heads").write_text("a file where the folder should be")
    assert run("type", "a.toml", "--mute", typed="15 no go\n").code == 0
    Path("home/heads").unlink()
    heads = LogHeads(Path("home/heads"), "x")
    heads.keep(first="ab", events=12, check="0" * 15 + "c")
    assert heads.of("ab") == [Head(12, "0" * 15 + "c", "this computer")]
    heads.keep(first="ab", events=13, check="0" * 15 + "d")
    (path,) = Path("home/heads").iterdir()
    assert heads.all() == [Head(13, "0" * 15 + "d", "this computer")]
    path.write_bytes(b"\0" * 27)
    assert heads.all() == []


def test_a_head_behind_the_log_is_no_damage(folder: SessionFolder) -> None:
    found = scan_log(folder.log)
    assert held_against(found, [Head(2, found.checks[1], "x")]) is found
    (damage,) = held_against(found, [Head(2, found.checks[0], "x")]).damages
    assert "is not the one that x knows" in damage.reason
