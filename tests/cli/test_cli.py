"""The command line: help, exit codes, error sentences, whole sessions by keyboard and by sound."""

import json
import re
import signal
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest
import typer

from assistant import cli
from assistant.adapters.files.session_log import SessionLog
from assistant.bench import decisions
from assistant.errors import LogError
from tests.command_line import Ran, Run

ROOT = Path(__file__).resolve().parents[2]
GROUP = typer.main.get_command(cli.app)
COMMANDS = sorted(GROUP.list_commands(None))  # type: ignore[attr-defined]


@pytest.fixture
def job(run: Run) -> str:
    """A job of one cylinder, inch, usual rings."""
    assert (
        run("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual").code == 0
    )
    return "a.toml"


# --- help and documentation -------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_for_itself_and_all_its_options(command: str) -> None:
    found = GROUP.get_command(None, command)  # type: ignore[attr-defined]
    assert found is not None
    assert found.name == command
    assert found.help
    assert found.help.strip()[0].isupper()
    assert [p.name for p in found.params if not getattr(p, "help", None)] == []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_readme(command: str) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.search(rf"leafcall {command}\b", readme)


def test_the_readme_names_no_command_that_does_not_exist() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = "\n".join(re.findall(r"`([^`]*leafcall [^`]*)`", readme))
    named = set(re.findall(r"\bleafcall ([a-z]+)\b", blocks))
    assert named
    assert named <= set(COMMANDS)


def test_without_a_command_the_help_is_shown(run: Run) -> None:
    done = run()
    assert "Fit piston rings by voice" in done.out + done.err
    for command in COMMANDS:
        assert command in done.out + done.err


def test_the_version_is_that_of_the_package(run: Run) -> None:
    from assistant import __version__

    assert run("--version") == Ran(0, f"leafcall {__version__}\n", "")


# --- wrong usage: 2 ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["dance"], "No such command 'dance'"),
        (["fit"], "Missing argument 'JOB'"),
        (["type", "a.toml", "--loud"], "No such option: --loud"),
        (["type", "a.toml", "--speed", "20"], "Invalid value for '--speed'"),
        (["hear"], "Missing argument"),
        (["hear", "a.wav"], "a.wav: name a job file (.toml) and then the recordings"),
        (["hear", "a.toml"], "name a job file (.toml) and then the recordings"),
        (["hear", "a.toml", "b.wav", "--grammar", "g"], "--grammar goes with --json"),
        (["new", "a.toml", "--answer", "leaves"], "--answer 'leaves': write KEY=VALUE"),
    ],
)
def test_wrong_usage_is_code_2_with_the_reason(run: Run, arguments: list[str], reason: str) -> None:
    done = run(*arguments)
    assert done.code == 2
    assert reason in " ".join(done.err.replace("│", " ").split())
    assert "Traceback" not in done.err


# --- what failed: 1, one sentence ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["type", "none.toml"],
         "There is no file none.toml: make one with 'leafcall new none.toml'."),
        (["review", "none.toml"],
         "There is no file none.toml: name a job file, or the log of a session."),
        (["sheet", "none.toml"],
         "There is no file none.toml: name a job file, or the log of a session."),
        (["review", "none.jsonl"],
         "The log none.jsonl cannot be read: No such file or directory."),
        (["phrases", "--grammar", "none"],
         "There is no grammar folder none: name a folder that holds calls.abnf."),
        (["new", "b.toml", "--usual"],
         "name is missing: Name of the job. Give it as an option."),
    ],
)  # fmt: skip
def test_what_fails_says_one_sentence_and_ends_with_1(
    run: Run, arguments: list[str], sentence: str
) -> None:
    done = run(*arguments)
    assert (done.code, done.err) == (1, f"leafcall: {sentence}\n")


def test_an_ear_that_is_not_there_is_refused_with_those_that_are(run: Run) -> None:
    done = run("hear", "--json", "x.wav", "--ear", "none")
    assert done.code == 1
    assert done.err.startswith("leafcall: There is no ear 'none': write own")
    assert done.err.endswith("the folder of a Vosk model ('leafcall models' explains).\n")


def test_an_existing_job_is_not_overwritten_unless_wanted(run: Run, job: str) -> None:
    before = Path(job).read_text(encoding="utf-8")
    again = ["new", job, "--name", "B", "--cylinders", "2", "--bore", "3", "--usual"]
    done = run(*again)
    assert done == Ran(
        1, "", "leafcall: a.toml is there already: choose another name, or use --overwrite.\n"
    )
    assert Path(job).read_text(encoding="utf-8") == before
    assert run(*again, "--overwrite").code == 0
    assert 'name = "B"' in Path(job).read_text(encoding="utf-8")


def test_questions_are_asked_again_with_the_reason_and_may_end_early(run: Run) -> None:
    done = run("new", "c.toml", typed="C\n\nfurlongs\ninch\n")
    assert done.code == 1
    assert "furlongs" in done.err
    assert "leafcall: The answers ended before all questions were asked" in done.err
    assert not Path("c.toml").exists()


# --- a session by keyboard ----------------------------------------------------------------------

CALLS = "top ring\n15 goes 16 snug\nwhat now\ntake that back\nbanana\nwrap up\n15 goes\n"


def test_a_typed_session_shows_logs_and_leaves_a_sheet(run: Run, job: str) -> None:
    done = run("type", job, "--mute", typed=CALLS)
    assert (done.code, done.err) == (0, "")
    lines = [line.strip() for line in done.out.splitlines()]
    assert "heard  fifteen goes sixteen snug" in lines
    assert "means  15 thou goes; 16 thou snug" in lines
    assert "means  no effect: unknown words" in lines
    assert "says   Not understood. Say what are the calls." in lines
    back = "says   Taken back: 15 thou goes, 16 thou snug. Cylinder 1 top ring."
    assert any(line.startswith(back) for line in lines)
    folder = Path("a-sessions/001")
    assert lines[-2:] == [
        f"Log    {folder / 'log.jsonl'}",
        f"Sheet  {folder / 'sheet.html'}   {folder / 'sheet.csv'}",
    ]
    kinds = [json.loads(line)["event"]["kind"] for line in
             (folder / "log.jsonl").read_text("utf-8").splitlines()]  # fmt: skip
    assert kinds[-2:] == ["session closed", "reply given"]  # nothing after "wrap up"
    assert "<html" in (folder / "sheet.html").read_text("utf-8")


def test_cautions_come_before_work(run: Run, job: str) -> None:
    out = run("type", job, "--mute").out
    assert out.startswith("The ring and engine makers' sheets and the responsible builder's")
    assert out.index("Eye protection") < out.index("ring   cylinder 1 upper rail")


def test_an_unfinished_session_goes_on_and_new_begins_another(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n15 goes 16 snug\n")
    again = run("type", job, "--mute", typed="read it back\n")
    assert "Going on. Cylinder 1 top ring. About 16 thou." in again.out
    assert "Last: 15 thou goes, 16 thou snug." in again.out
    run("type", job, "--mute", "--new")
    assert sorted(p.name for p in Path("a-sessions").iterdir()) == ["001", "002"]


def test_a_finished_session_is_not_gone_on_with(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="spoiled ring\n" * 4)
    run("type", job, "--mute", typed="wrap up\n")
    assert sorted(p.name for p in Path("a-sessions").iterdir()) == ["001", "002"]


def test_bytes_that_are_no_text_are_a_word_not_understood(run: Run, job: str) -> None:
    done = run("type", job, "--mute", typed=b"caf\xe9 goes\n\xff\nwhat now\n")
    assert done.code == 0
    assert "Not understood." in done.out


def test_review_tells_what_was_heard_meant_answered_and_taken_back(run: Run, job: str) -> None:
    run("type", job, "--mute", typed=CALLS)
    done = run("review", job, "--text")
    assert done.code == 0
    assert "A: 1 cylinder, bore 4 in, wrapped up" in done.out
    assert "heard   fifteen goes sixteen snug  (keyboard)" in done.out
    assert "entry   cylinder 1 top ring: 15 thou goes" in done.out
    assert done.out.count("(taken back)") == 1
    assert "heard   banana  (keyboard, no effect: unknown words)" in done.out
    assert run("review", "a-sessions/001/log.jsonl", "--text").out == done.out


def test_review_reads_the_log_that_it_is_given(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n")
    log = Path("a-sessions/001/log.jsonl")
    copy = log.with_name("copy.jsonl")
    copy.write_bytes(log.read_bytes())
    run("type", job, "--mute", typed="15 goes 16 snug\n")
    assert "16 thou snug" not in run("review", str(copy), "--text").out
    assert "16 thou snug" in run("review", str(log), "--text").out


def test_the_sheet_can_be_written_again(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n15 goes 16 snug\n")
    page = Path("a-sessions/001/sheet.html")
    before = page.read_bytes()
    page.unlink()
    done = run("sheet", job)
    others = f"{page.with_suffix('.csv')}\n{page.with_suffix('.json')}\n"
    assert done == Ran(0, f"{page}\n{others}", "")
    assert page.read_bytes() == before


# --- what goes wrong in a session ---------------------------------------------------------------


def test_a_torn_log_is_told_and_the_session_goes_on(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n")
    log = Path("a-sessions/001/log.jsonl")
    log.write_bytes(log.read_bytes() + b'{"v":1,"seq":')
    done = run("type", job, "--mute", typed="where am I\n")
    assert done.code == 0
    assert done.err == (
        "The last line of the log was torn (power lost?). It was never confirmed; it is kept in "
        f"{log}.torn.\n"
    )
    assert "Cylinder 1 top ring. 4 rings open." in done.out


def test_a_damaged_log_is_named_by_its_line_with_the_way_out(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n")
    log = Path("a-sessions/001/log.jsonl")
    lines = log.read_bytes().split(b"\n")
    log.write_bytes(b"\n".join([lines[0], b"garbage", *lines[2:]]))
    before = log.read_bytes()
    done = run("type", job, "--mute")
    assert done.code == 1
    assert re.fullmatch(
        rf"leafcall: {log}: Line 2 of the log is not JSON: .* 'leafcall mend {log}' goes on in a "
        r"new session from what can still be read; or begin anew with --new\.\n",
        done.err,
    )
    assert log.read_bytes() == before
    assert run("type", job, "--mute", "--new").code == 0


def test_a_log_in_use_is_refused(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n")
    held = SessionLog(Path("a-sessions/001/log.jsonl"))
    done = run("type", job, "--mute")
    held.close()
    assert (done.code, done.err) == (
        1,
        f"leafcall: The log {held.path} is in use by another session. Close that one first.\n",
    )


def test_when_no_disk_takes_the_log_that_is_said_and_the_session_goes_on_in_memory(
    run: Run, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is confirmed as if it were safe, and the end says what is lost."""
    real = SessionLog.append
    full = "The log x cannot be written: No space left on device. The last call is not kept."

    def append(self: SessionLog, events: object) -> None:
        if any(e.event.kind == "leaf tried" for e in events):  # type: ignore[attr-defined]
            raise LogError(full)
        real(self, events)  # type: ignore[arg-type]

    monkeypatch.setattr(SessionLog, "append", append)
    done = run("type", job, "--mute", typed="top ring\n15 goes\nwhere am i\n")
    assert done.code == 1
    assert "could be written neither to a-sessions/001/log.jsonl nor to" in done.err
    assert "are lost: write down what the screen shows" in done.err
    assert "No disk takes the log." in done.out
    assert re.search(r"says   Cylinder 1 top ring\. 4 rings open\. Not on disk\.", done.out)
    monkeypatch.setattr(SessionLog, "append", real)
    assert "Going on. Cylinder 1 top ring. Window" in run("type", job, "--mute").out


def test_a_changed_job_file_is_refused_with_the_way_out(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n")
    text = Path(job).read_text(encoding="utf-8")
    Path(job).write_text(text.replace("cylinders = 1", "cylinders = 2"), encoding="utf-8")
    done = run("type", job, "--mute")
    assert (done.code, done.err) == (
        1,
        "leafcall: The job file has changed since this session began. Put it back, or begin a new "
        "session with --new.\n",
    )
    assert run("type", job, "--mute", "--new").code == 0


def test_a_fault_of_our_own_is_not_hidden(
    run: Run, job: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(decisions, "_accept", broken)
    with pytest.raises(ZeroDivisionError):
        run("type", job, "--mute", typed="accept it\n")
    monkeypatch.undo()


def _hear_ctrl_c() -> None:
    # Tests run in the background of a shell inherit its deafness to Ctrl-C.
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent so on Windows")
def test_ctrl_c_says_what_is_kept_and_leaves_the_sheet(run: Run, job: str, tmp_path: Path) -> None:
    going = subprocess.Popen(
        [sys.executable, "-m", "assistant", "type", job, "--mute"], cwd=tmp_path, text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={"PYTHONPATH": str(ROOT), "LEAFCALL_HOME": str(tmp_path), "PATH": ""},
        preexec_fn=_hear_ctrl_c,
    )  # fmt: skip
    assert going.stdin is not None
    assert going.stdout is not None
    going.stdin.write("where am i\n")
    going.stdin.flush()
    for line in going.stdout:
        if "rings open" in line:
            break
    going.send_signal(signal.SIGINT)
    out, err = going.communicate(timeout=60)
    assert (going.returncode, err) == (
        130, "leafcall: stopped. What was confirmed is in the log.\n",
    )  # fmt: skip
    assert "Sheet" in out
    assert Path("a-sessions/001/sheet.html").exists()


# --- by sound -----------------------------------------------------------------------------------


def silence(path: str, seconds: float = 0.5) -> str:
    with wave.open(path, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(16_000)
        file.writeframes(np.zeros(int(16_000 * seconds), "<i2").tobytes())
    return path


@pytest.mark.audio
def test_json_has_one_object_a_file_with_the_promised_keys_in_order(run: Run) -> None:
    clip = str(ROOT / "tests" / "contract" / "clips" / "fifteen_goes.flac")
    done = run("hear", "--json", clip, silence("quiet.wav"), "none.wav")
    records = [json.loads(line) for line in done.out.splitlines()]
    keys = ["file", "words", "command", "refused", "score", "audio_s", "compute_s", "latency_s"]
    assert [list(record)[: len(keys)] for record in records] == [keys, keys]
    assert (records[0]["file"], records[0]["words"], records[0]["command"]) == (
        clip, "fifteen goes", "readings",
    )  # fmt: skip
    assert records[0]["refused"] is None
    assert records[0]["score"] > 0.5
    assert 0 < records[0]["latency_s"] < 5
    assert (records[1]["words"], records[1]["command"], records[1]["refused"]) == (
        "", None, "no speech",
    )  # fmt: skip
    assert records[1]["latency_s"] is None
    assert records[1]["audio_s"] == pytest.approx(0.5, abs=0.02)
    assert done.code == 1
    warned, missing = done.err.splitlines()
    assert warned.startswith("Note: quiet.wav is silent")
    assert [record["warnings"] for record in records] == [[], [warned.removeprefix("Note: ")]]
    assert missing == "leafcall: none.wav does not exist: check the name."


@pytest.mark.audio
def test_another_grammar_hears_other_words(run: Run) -> None:
    folder = Path("g")
    folder.mkdir()
    calls = "#ABNF 1.0 UTF-8; root $call; $call = $hi; $hi = what now;"
    (folder / "calls.abnf").write_text(calls, encoding="utf-8")
    clip = str(ROOT / "tests" / "contract" / "clips" / "what_now.flac")
    done = run("hear", "--json", "--grammar", str(folder), clip)
    (record,) = [json.loads(line) for line in done.out.splitlines()]
    assert (done.code, record["words"], record["command"]) == (0, "what now", "hi")
    assert "what now" in run("phrases", "--grammar", str(folder)).out


@pytest.mark.audio
def test_a_session_heard_from_recordings_is_the_one_typed(run: Run, job: str) -> None:
    clips = ROOT / "tests" / "contract" / "clips"
    sounds = [str(clips / f"{name}.flac") for name in ("fifteen_goes", "what_now")]
    heard = run("hear", job, *sounds)
    assert heard.code == 0, heard.err
    assert "means  15 thou goes" in heard.out
    assert "(taken back)" not in run("review", job, "--text").out
    missing = run("hear", job, "none.wav")
    assert (missing.code, missing.err) == (
        1, "leafcall: none.wav does not exist: check the name.\n",
    )  # fmt: skip


def test_phrases_are_those_of_the_grammar(run: Run) -> None:
    out = run("phrases", "--all").out
    for line in (
        "take that back",
        "<place> <reading> (1 to 3 times)",
        "<leaf>  1 to 60, said like",
    ):
        assert line in out


def test_the_phrase_card_is_text_or_a_page(run: Run, tmp_path: Path) -> None:
    out = run("phrases").out
    assert "fifteen goes sixteen snug" in out
    assert "<leaf>" not in out
    done = run("phrases", "--page", str(tmp_path / "card.html"))
    assert done.code == 0
    assert "fifteen goes sixteen snug" in (tmp_path / "card.html").read_text("utf-8")


def test_models_explains_and_fetches_nothing(run: Run, tmp_path: Path) -> None:
    done = run("models")
    assert (done.code, list(tmp_path.iterdir())) == (0, [])
    assert "leafcall models --fetch" in done.out
