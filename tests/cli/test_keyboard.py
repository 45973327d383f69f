"""``leafcall type`` for a person: prompt, help, quit, undo, figures as written, notes, hints."""

import json
import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from assistant.build.words import load_grammar
from tests.command_line import Run

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def job(run: Run) -> str:
    """A job of one cylinder, inch, usual rings."""
    made = run("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert made.code == 0
    return "a.toml"


def events(number: str = "001") -> list[dict[str, object]]:
    """The events of a session's log, oldest first."""
    text = Path(f"a-sessions/{number}/log.jsonl").read_text("utf-8")
    return [json.loads(line)["event"] for line in text.splitlines()]


def labelled(out: str, label: str) -> list[str]:
    """What stands after a label."""
    rows = (line.split(None, 1) for line in out.splitlines())
    return [row[1] for row in rows if len(row) == 2 and row[0] == label]


def test_it_says_how_to_get_help_and_how_to_leave(run: Run, job: str) -> None:
    out = run("type", job, "--mute").out
    told = out.index("'help' lists them, 'undo' takes the last one back, 'quit' leaves.")
    assert out.index("Eye protection") < told < out.index("means  cylinder 1 upper rail")


def test_help_lists_every_call_and_is_none(run: Run, job: str) -> None:
    out = run("type", job, "--mute", typed="help\n?\n").out
    flat = " ".join(out.split())
    for command in load_grammar().commands:
        assert flat.count(f"{command.about}: ") >= 2
        assert all(example in flat for example in command.examples)
    assert "what is the target, where am i, read it back" in flat
    assert [e["kind"] for e in events()].count("call heard") == 0


@pytest.mark.parametrize("word", ["quit", "exit", " Quit ", "EXIT"])
def test_quit_leaves_and_the_session_goes_on_later(run: Run, job: str, word: str) -> None:
    done = run("type", job, "--mute", typed=f"top ring\n{word}\n15 goes\n")
    assert done.code == 0
    assert "'leafcall type a.toml' goes on from here." in done.out
    assert "Sheet" in done.out
    kinds = [e["kind"] for e in events()]
    assert "leaf tried" not in kinds
    assert "session closed" not in kinds
    assert "Going on. Cylinder 1 top ring." in run("type", job, "--mute").out


def test_undo_takes_the_last_entry_back(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="top ring\n15 goes\nundo\n")
    assert events()[-2]["kind"] == "entry retracted"


def test_figures_are_taken_as_they_are_written(run: Run, job: str) -> None:
    typed = "top ring\n0.0155 goes 16 thou snug\n"
    assert run("type", job, "--mute", typed=typed).code == 0
    tried = [e["leaf_nm"] for e in events() if e["kind"] == "leaf tried"]
    assert tried == [], "the usual set has no leaf of 15.5 thou"
    run("type", job, "--mute", typed="0.015 goes .016 snug\n")
    tried = [e["leaf_nm"] for e in events() if e["kind"] == "leaf tried"]
    assert tried == [381_000, 406_400]  # 0.015 in and 0.016 in; 1 in = 25.4 mm


def test_what_it_shows_can_be_typed(run: Run, job: str) -> None:
    """The echo of a call, its lengths with their unit, means that call."""
    first = run("type", job, "--mute", typed="top ring\n10 goes 11 snug\nground 2\n").out
    echoes = [line for line in labelled(first, "means") if "thou" in line]
    assert echoes == ["10 thou goes; 11 thou snug", "ground 2 thou"]
    again = run("type", job, "--new", "--mute", typed="top ring\n" + "\n".join(echoes)).out
    assert [line for line in labelled(again, "means") if "thou" in line] == echoes


def test_a_figure_that_no_leaves_make_is_refused_with_the_nearest(run: Run, job: str) -> None:
    out = run("type", job, "--mute", typed="top ring\n10.25 goes\n").out
    (told,) = labelled(out, "hint")
    assert told == "No leaves of yours make 10.25 thou. Nearest: 10 thou or 9 thou plus 1.5 thou."
    assert not [e for e in events() if e["kind"] == "leaf tried"]


def test_a_slip_is_answered_with_the_nearest_call_and_does_nothing(run: Run, job: str) -> None:
    out = run("type", job, "--mute", typed="top ring\nspoild ring\nstand by\nspoild ring\n").out
    assert labelled(out, "hint") == ["The nearest call: spoiled ring"]  # none while standing by
    assert not [e for e in events() if e["kind"] == "ring spoiled"]


def test_a_typed_call_has_no_score(run: Run, job: str) -> None:
    out = run("type", job, "--mute", typed="what now\n").out
    assert labelled(out, "heard") == ["what now"]
    assert labelled(run("review", job, "--text").out, "heard") == ["what now  (keyboard)"]


NOTE = "Land is Scored; see photo #2 (left side)..."


@pytest.mark.parametrize("typed", [f"note\n{NOTE}\n", f"note: {NOTE}\n", f"Note {NOTE}\n"])
def test_a_note_is_kept_as_typed_with_its_ring(run: Run, job: str, typed: str) -> None:
    run("type", job, "--mute", typed=f"top ring\n{typed}second ring\n")
    (kept,) = [e for e in events() if e["kind"] == "note kept"]
    assert kept["text"] == NOTE
    record = json.loads(Path("a-sessions/001/sheet.json").read_text("utf-8"))
    (on_sheet,) = record["kept_notes"]
    assert (on_sheet["text"], on_sheet["cylinder"], on_sheet["ring"]) == (NOTE, 1, "top")
    page = Path("a-sessions/001/sheet.html").read_text("utf-8")
    assert f"cylinder 1 top: {NOTE}" in page


def test_what_is_typed_after_note_is_the_note_whatever_it_is(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="note\nquit\nnote\nundo\nnote\n\n???\nwhat now\n")
    assert [e["text"] for e in events() if e["kind"] == "note kept"] == ["quit", "undo", "???"]
    assert events()[-1]["kind"] == "reply given"


def test_codes_of_keys_are_left_out_of_notes(run: Run, job: str) -> None:
    run("type", job, "--mute", typed="note\nred\x1b[31m rag\x07\n")
    assert [e["text"] for e in events() if e["kind"] == "note kept"] == ["red [31m rag"]


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is needed")
def test_at_a_terminal_the_ring_at_hand_is_the_prompt(run: Run, job: str, tmp_path: Path) -> None:
    import pty

    own, theirs = pty.openpty()
    going = subprocess.Popen(
        [sys.executable, "-m", "assistant", "type", job, "--mute"], cwd=tmp_path,
        stdin=theirs, stdout=theirs, stderr=theirs,
        env={"PYTHONPATH": str(ROOT), "LEAFCALL_HOME": str(tmp_path), "PATH": "", "TERM": "dumb"},
    )  # fmt: skip
    os.close(theirs)
    screen = b""

    def wait_for(text: bytes) -> None:
        nonlocal screen
        end = time.monotonic() + 60
        while text not in screen and time.monotonic() < end:
            if select.select([own], [], [], 0.2)[0]:
                screen += os.read(own, 65536)
        assert text in screen, screen.decode()
        screen = screen.partition(text)[2]

    for prompt, line in (
        (b"cylinder 1 upper rail > ", b"top ring\n"),
        (b"cylinder 1 top ring > ", b"ground 12\n"),
        (b"yes or no > ", b"no\n"),
        (b"cylinder 1 top ring > ", b"note\n"),
        (b"note > ", b"Blue rag\n"),
        (b"cylinder 1 top ring > ", b"\x04"),
    ):
        wait_for(prompt)
        os.write(own, line)
    wait_for(b"Sheet")
    assert going.wait(timeout=60) == 0
    os.close(own)
