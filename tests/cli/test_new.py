"""``leafcall new`` at the keyboard: back, the summary, answers kept when it is broken off."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.command_line import Run

ROOT = Path(__file__).resolve().parents[2]
REST = "\n" * 12


def test_the_windows_are_shown_before_it_is_written(run: Run) -> None:
    done = run("new", "a.toml", typed=f"A\n\n\n2\n4\n{REST}yes\n")
    assert done.code == 0
    shown, _, after = done.out.partition("Write it?")
    assert "top ring" in shown
    assert "22 to 24 thou, aim at 23 thou" in shown  # 0.0055 x 4 in = 22 thou, 2 over
    assert "a.toml is written" in after
    assert not Path("a.toml.answers").exists()


def test_a_step_back_from_the_summary_changes_an_answer(run: Run) -> None:
    assert run("new", "a.toml", typed=f"A\n\n\n2\n4\n{REST}back\n0.008\nyes\n").code == 0
    assert "butting_cut = 0.008" in Path("a.toml").read_text("utf-8").replace("  ", " ")


def test_what_was_answered_is_kept_and_offered(run: Run) -> None:
    stopped = run("new", "a.toml", typed="Heron\nAnn\n\n2\n")
    assert stopped.code == 1
    assert "The answers so far are kept in a.toml.answers" in stopped.err
    again = run("new", "a.toml", typed=f"\n\n\n\n4\n{REST}yes\n")
    assert again.code == 0
    assert "Name of the job [Heron]" in again.out
    text = Path("a.toml").read_text("utf-8")
    assert 'name = "Heron"' in text
    assert 'person = "Ann"' in text
    assert not Path("a.toml.answers").exists()


def test_usual_shows_the_windows_too_and_asks_nothing(run: Run) -> None:
    done = run("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert "22 to 24 thou, aim at 23 thou" in done.out
    assert "Write it?" not in done.out


@pytest.mark.parametrize("data", [b"\xff\xfe = \x00\nname = Heron\nno sign\n", b"=" * 70_000, b""])
def test_odd_files_of_answers_do_no_harm(run: Run, data: bytes) -> None:
    Path("a.toml.answers").write_bytes(data)
    assert run("new", "a.toml", typed=f"A\n\n\n2\n4\n{REST}yes\n").code == 0


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent so on Windows")
def test_ctrl_c_keeps_the_answers_and_claims_no_log(tmp_path: Path) -> None:
    going = subprocess.Popen(
        [sys.executable, "-m", "assistant", "new", "a.toml"], cwd=tmp_path, bufsize=0,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={"PYTHONPATH": str(ROOT), "LEAFCALL_HOME": str(tmp_path), "PATH": ""},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    assert going.stdin is not None
    assert going.stdout is not None
    going.stdin.write(b"Heron\nAnn\n")
    seen = b""
    while b"metric" not in seen:
        seen += os.read(going.stdout.fileno(), 4096)
    going.send_signal(signal.SIGINT)
    _, err = going.communicate(timeout=60)
    assert going.returncode == 130
    assert err.decode().splitlines() == [
        "The answers so far are kept in a.toml.answers; the next 'new' offers them.",
        "leafcall: stopped.",
    ]
    assert "name = Heron\nperson = Ann\n" in (tmp_path / "a.toml.answers").read_text("utf-8")
