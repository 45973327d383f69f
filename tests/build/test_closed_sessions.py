"""After a session: the sheet held against its log, a damaged log read and mended, sound erased."""

import json
import os
import shutil
from itertools import groupby
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.clips import Clips
from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.session_log import SessionLog, read_log, scan_log
from assistant.bench import events as ev
from assistant.bench.events import to_lines
from assistant.bench.log_chain import scan, told_damage
from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.build.closed_sessions import forget_sound, mend_log, verify_sheet
from assistant.build.sessions import SessionFolder, session_folders
from assistant.errors import LogDamaged, LogError, LogInUse, SheetError
from assistant.language.grammar import Grammar
from assistant.record.review_text import review_lines
from assistant.record.seal import Verdict
from assistant.record.sheet_forms import sheet_page
from assistant.record.sheet_from_log import sheet_of
from tests.command_line import Run
from tests.examples import FEW
from tests.fakes import START, TOP, Bench, small_job, stored
from tests.past_sessions import play

AT = {"cylinder": 1, "position": TOP}
CALLS = "top ring\n10 goes 11 no go\nground 3\ntake that back\n13 goes 14 snug\nnote\nblue rag\n"


@pytest.fixture
def folder(run: Run) -> SessionFolder:
    """A session of a small job: calls, a note, a sheet."""
    run("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert run("type", "a.toml", "--mute", typed=CALLS)[0] == 0
    (only,) = session_folders(Path("a.toml"))
    return only


def damaged(folder: SessionFolder, line: int) -> bytes:
    """The log with one line of rubbish; its bytes."""
    lines = folder.log.read_bytes().split(b"\n")
    lines[line - 1] = b"rubbish"
    folder.log.write_bytes(b"\n".join(lines))
    return folder.log.read_bytes()


# --- sheet --verify -----------------------------------------------------------------------------

KINDS = ["sheet.html", "sheet.csv", "sheet.json"]


@pytest.mark.parametrize("name", KINDS)
def test_a_fresh_sheet_belongs_to_its_log(run: Run, folder: SessionFolder, name: str) -> None:
    sheet, events = folder.path / name, len(read_log(folder.log))
    code, out, err = run("sheet", "--verify", str(sheet))
    assert (code, err) == (0, "")
    assert out == (
        f"{sheet} belongs to this log, and holds all of it.\n"
        f"Log {folder.log}: {events} events; sheet: {events}.\n"
    )


@pytest.mark.parametrize("name", KINDS)
def test_a_sheet_is_older_than_its_log_once_the_session_went_on(
    run: Run, folder: SessionFolder, name: str
) -> None:
    kept = Path(name)
    shutil.copy(folder.path / name, kept)
    run("type", "a.toml", "--mute", typed="what now\n")
    code, out, _ = run("sheet", "--verify", str(kept), str(folder.log))
    assert code == 1
    assert "belongs to this log, but the log went on afterwards: write the sheet again" in out


@pytest.mark.parametrize("name", KINDS)
def test_an_altered_sheet_and_a_foreign_log_are_told(
    run: Run, folder: SessionFolder, name: str
) -> None:
    other = Path("other.jsonl")
    log = SessionLog(other)
    log.append(stored([ev.SessionOpened(job=small_job(), software="x")]))
    log.close()
    sheet = folder.path / name
    code, out, _ = run("sheet", "--verify", str(sheet), str(other))
    assert code == 1
    assert "was not made from this log, or the log was changed or cut off" in out
    text = sheet.read_bytes()
    assert b"10 thou goes" in text
    sheet.write_bytes(text.replace(b"10 thou goes", b"12 thou goes"))
    code, out, _ = run("sheet", "--verify", str(sheet))
    assert (code, "was changed after it was written: do not rely on it" in out) == (1, True)


def test_a_log_whose_end_was_cut_off_is_told_by_its_sheet(folder: SessionFolder) -> None:
    """Whole calls cut off at the end leave a sound chain; only the sheet remembers them."""
    lines = folder.log.read_bytes().split(b"\n")[:-1]
    turns = [json.loads(line)["turn"] for line in lines]
    left = [line for line, turn in zip(lines, turns, strict=True) if turn < turns[-1]]
    folder.log.write_bytes(b"\n".join(left) + b"\n")
    assert scan_log(folder.log).damages == ()
    assert verify_sheet(folder.sheet).verdict is Verdict.FOREIGN


def test_a_sheet_leads_to_no_log_outside_its_own_folder(folder: SessionFolder) -> None:
    record = json.loads(folder.record.read_text())
    record["log"] = "..\\../a-sessions/001/../../secret.jsonl"
    Path("x.json").write_text(json.dumps(record))
    with pytest.raises(LogError, match=r"The log secret\.jsonl cannot be read"):
        verify_sheet(Path("x.json"))


def test_what_is_no_sheet_is_refused_with_what_is_one(folder: SessionFolder) -> None:
    for name in ("a.toml", "none.html"):
        with pytest.raises(SheetError, match=r"name a \.html|cannot be read: No such file"):
            verify_sheet(Path(name))
    Path("b.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SheetError, match="is not text"):
        verify_sheet(Path("b.csv"))


# --- a damaged log ------------------------------------------------------------------------------


def test_a_damaged_log_is_reviewed_and_gets_a_sheet_with_the_warning_on_it(
    run: Run, folder: SessionFolder
) -> None:
    before = damaged(folder, 9)
    for command in (("review", "a.toml", "--text"), ("sheet", "a.toml")):
        code, _, err = run(*command)
        assert code == 0
        assert "The log of this session is damaged. What was called out there is missing" in err
        assert "Line 9 of the log is not JSON" in err
    for path in (folder.sheet, folder.table, folder.record):
        assert "The log of this session is damaged." in path.read_text(encoding="utf-8")
    assert folder.log.read_bytes() == before
    code, _, err = run("sheet", "--verify", str(folder.sheet))
    assert (code, "It cannot be held against a sheet." in err) == (1, True)


def test_a_session_is_not_gone_on_with_on_a_damaged_log_but_on_a_mended_one(
    run: Run, folder: SessionFolder
) -> None:
    whole = read_log(folder.log)
    before = damaged(folder, 9)
    code, _, err = run("type", "a.toml", "--mute")
    assert code == 1
    assert f"'leafcall mend {folder.log}' goes on in a new session from what can still be" in err
    code, out, err = run("mend", "a.toml")
    new = session_folders(Path("a.toml"))[1]
    assert (code, out.splitlines()[0]) == (0, str(new.log))
    assert "Line 9 of the log is not JSON" in err
    assert folder.log.read_bytes() == before
    mended = read_log(new.log)
    assert [(e.turn, e.event) for e in mended[:-2]] == [
        (e.turn, e.event) for e in whole if e.seq != 8
    ]
    assert [e.event.kind for e in mended[-2:]] == ["session resumed", "trouble noted"]
    code, out, _ = run("type", "a.toml", "--mute", typed="where am i\n")
    assert (code, "Cylinder 1 top ring." in out) == (0, True)
    # The warning stays with everything that is made of it.
    assert "The log of this session is damaged." in new.sheet.read_text(encoding="utf-8")


def test_clips_go_with_a_mended_log(folder: SessionFolder) -> None:
    folder.clips.mkdir()
    (folder.clips / "0001.wav").write_bytes(b"sound")
    damaged(folder, 9)
    new, _ = mend_log(folder)
    assert (new.clips / "0001.wav").read_bytes() == b"sound"


def test_a_log_that_lies_alone_is_mended_beside_itself(tmp_path: Path) -> None:
    folder = SessionFolder(tmp_path / "mail", "copy.jsonl")
    log = SessionLog(folder.log)
    log.append(stored([ev.SessionOpened(job=small_job(), software="x"), ev.RingPicked(**AT)]))
    log.close()
    damaged(folder, 2)
    new, _ = mend_log(folder)
    assert new.log == tmp_path / "mail" / "mended" / "log.jsonl"
    assert replay(read_log(new.log)).job == small_job()


def test_a_sound_log_is_not_mended_and_one_without_its_job_cannot_be(
    run: Run, folder: SessionFolder
) -> None:
    with pytest.raises(LogError, match="is sound: there is nothing to mend"):
        mend_log(folder)
    damaged(folder, 1)
    with pytest.raises(LogDamaged, match=r"The line with the job cannot be read.*--new"):
        mend_log(folder)
    code, _, err = run("sheet", "a.toml")
    assert (code, "there is nothing to make a sheet of" in err) == (1, True)
    assert len(session_folders(Path("a.toml"))) == 1


@pytest.mark.parametrize("lost", range(1, 8))
def test_taking_back_takes_back_its_own_entry_though_others_are_lost(lost: int) -> None:
    """Each turn lost in turn; what the others leave, worked out by hand."""
    turns = stored(
        [ev.SessionOpened(job=small_job(), software="x"), ev.RingPicked(**AT)],
        [ev.MetalGround(**AT, feed_nm=10_000)],  # 1
        [ev.MetalGround(**AT, feed_nm=20_000)],  # 2
        [ev.MetalGround(**AT, feed_nm=30_000)],  # 3
        [ev.EntryRetracted(retracted_turn=3)],  # 4
        [ev.EntryRetracted(retracted_turn=2)],  # 5
        [ev.MetalGround(**AT, feed_nm=40_000)],  # 6
        [ev.ReplyGiven(text="x")],  # 7
    )
    left = {
        1: [40_000],
        2: [10_000, 40_000],
        3: [10_000, 40_000],
        4: [10_000, 40_000],  # to take back 2, 3 must have been taken back before
        5: [10_000, 20_000, 40_000],
        6: [10_000],
        7: [10_000, 40_000],
    }
    state = replay(one for one in turns if one.turn != lost)
    assert [fact.feed_nm for fact in state.ring((1, TOP)).facts] == left[lost]  # type: ignore[union-attr]


# --- forget -------------------------------------------------------------------------------------


def with_sound(folder: SessionFolder) -> None:
    folder.clips.mkdir(exist_ok=True)
    for number in (1, 2):
        (folder.clips / f"000{number}.wav").write_bytes(b"sound")
    log = SessionLog(folder.log)
    seq, turn = log.read()[-1].seq, log.read()[-1].turn
    kept = ev.NoteKept(clip="0002.wav")
    log.append([ev.envelope(kept, seq=seq + 1, at=START, turn=turn + 1)])
    log.close()
    (folder.path / "review.html").write_text("<audio src='data:audio/wav;base64,AAAA'>")
    (folder.path / "plain.html").write_text("<p>no sound</p>")


def test_forget_asks_erases_the_sound_and_leaves_a_valid_log(
    run: Run, folder: SessionFolder
) -> None:
    with_sound(folder)
    before = folder.log.read_bytes()
    code, out, _ = run("forget", "a.toml", typed="n\n")
    assert (code, "Nothing was erased." in out) == (0, True)
    assert len(list(folder.clips.glob("*.wav"))) == 2
    code, out, _ = run("forget", "a.toml", typed="y\n")
    assert code == 0
    assert f"{folder.path}: 3 files with sound" in out
    assert f"{folder.path}: erased 0001.wav, 0002.wav, review.html" in out
    assert list(folder.clips.glob("*.wav")) == []
    assert sorted(p.name for p in folder.path.glob("*.html")) == ["plain.html", "sheet.html"]
    events = read_log(folder.log)
    assert events[-1].event == ev.ClipsForgotten(clips=2)
    assert folder.log.read_bytes().startswith(before)
    # The sheet was written again: it belongs to the log, and names no clip.
    assert verify_sheet(folder.sheet).verdict is Verdict.CURRENT
    text = folder.sheet.read_text(encoding="utf-8")
    assert "(its sound was erased on request)" in text
    assert "0002.wav" not in text
    assert run("type", "a.toml", "--mute", typed="where am i\n")[0] == 0
    assert run("forget", "a.toml")[1] == "No sound is kept: there is nothing to erase.\n"


def test_forget_all_is_of_every_session_of_the_job(run: Run, folder: SessionFolder) -> None:
    run("type", "a.toml", "--mute", "--new")
    first, second = session_folders(Path("a.toml"))
    for one in (first, second):
        with_sound(one)
    run("forget", "a.toml", "--yes")
    assert [len(list(one.clips.glob("*.wav"))) for one in (first, second)] == [2, 0]
    run("forget", "a.toml", "--all", "--yes")
    assert list(first.clips.glob("*.wav")) == []
    code, _, err = run("forget", str(first.log), "--all")
    assert (code, "--all goes with a job file" in err) == (2, True)


def test_a_number_that_was_erased_is_not_given_to_new_sound(folder: SessionFolder) -> None:
    with_sound(folder)
    forget_sound(folder)
    assert Clips(folder.clips).keep(np.zeros(160, np.float32)) == "0003.wav"


def test_sound_of_a_session_under_way_is_left_alone(folder: SessionFolder) -> None:
    with_sound(folder)
    going = SessionLog(folder.log)
    with pytest.raises(LogInUse):
        forget_sound(folder)
    going.close()
    assert len(list(folder.clips.glob("*.wav"))) == 2


def test_sound_that_cannot_be_erased_is_named(
    folder: SessionFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_sound(folder)

    def refuse(path: Path, **_: object) -> None:
        raise PermissionError(13, os.strerror(13), str(path))

    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(LogError, match=r"0001\.wav cannot be erased: Permission denied"):
        forget_sound(folder)
    assert scan(folder.log.read_bytes()).damages == ()


# --- any damage ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def whole_session(grammar: Grammar, wording: Wording) -> list[bytes]:
    """Lines of a session of a simulated builder, written turn by turn as a bench does."""
    bench = play(Bench(small_job(), grammar, wording), Random(2), events=220)
    text, check = "", ""
    for _, turn in groupby(bench.store.events, key=lambda envelope: envelope.turn):
        more, check = to_lines(turn, before=check)
        text += more
    return text.encode().split(b"\n")[:-1]


HARM = st.lists(
    st.tuples(
        st.sampled_from(["out", "broken", "doubled", "swapped"]),
        st.integers(0, 10**6),
        st.integers(0, 10**6),
    ),
    min_size=1,
    max_size=6,
)


@FEW
@given(harm=HARM)
def test_whatever_is_lost_the_rest_can_be_read_shown_and_printed(
    whole_session: list[bytes], wording: Wording, harm: list[tuple[str, int, int]]
) -> None:
    """Lines are taken out, broken, doubled and swapped; only the first, with the job, is left."""
    lines = list(whole_session)
    for kind, one, two in harm:
        at, other = (1 + n % (len(lines) - 1) for n in (one, two))
        match kind:
            case "out":
                del lines[at]
            case "broken":
                lines[at] = lines[at][: len(lines[at]) // 2]
            case "doubled":
                lines.insert(other, lines[at])
            case _:
                lines[at], lines[other] = lines[other], lines[at]
    found = scan(b"".join(line + b"\n" for line in lines))
    known = {line for line in lines if line in whole_session}
    told = told_damage(found.events, found.damages)
    # Every line that is still whole is there once, unless only the end was cut off.
    assert len(found.events) == len(known) - _unfinished(lines)
    assert bool(told) == bool(found.damages)
    state = replay(found.events)
    assert state.job == small_job()
    sheet = sheet_of(found.events, log_name="log", wording=wording, damage=told)
    page = sheet_page(sheet, template=page_template("sheet"))
    assert ("The log of this session is damaged." in page) == bool(found.damages)
    assert list(review_lines(found.events, wording))


def _unfinished(lines: list[bytes]) -> int:
    """Lines after the last that ended a call, if all of them are whole: those were never told."""
    count = 0
    for line in reversed(lines):
        if b'"end":true' in line or not line.endswith(b"}"):
            return count if b'"end":true' in line else 0
        count += 1
    return count
