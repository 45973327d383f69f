"""leafcall fit in a real pseudo-terminal: a fake microphone, the real ear, the drawn screen."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pyte
import pytest

from tests.stopping import can_be_stopped

ROOT = Path(__file__).resolve().parents[2]
pytestmark = [
    pytest.mark.audio,
    pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is needed"),
]

FAKE = """
import sys, time
from pathlib import Path
import numpy as np
from assistant.adapters.sound.wav_file import WavFile
from assistant.cli import fit as live, main

CLIPS = sorted(Path("clips").glob("*.wav"))

class Mic:
    # As quick as it is read; after the calls it is quiet for ever.
    name, overflows = "fake", 0
    def __init__(self, device): pass
    def frames(self):
        quiet = np.random.default_rng(1).normal(0, 3e-4, (200, 160)).astype(np.float32)
        yield from quiet
        for clip in CLIPS:
            yield from WavFile(clip).frames()
            yield from quiet
        while True:
            time.sleep(0.01)
            yield quiet[0]
    def drop_waiting(self): return 0.0
    def close(self): pass

live.Microphone = Mic
sys.argv = ["leafcall", "fit", "job.toml", "--mute", *sys.argv[1:]]
main()
"""


class Session:
    """``fit`` on a pseudo-terminal of 80 x 24; ``raw`` is all that it wrote."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        environment = {
            **os.environ, "PYTHONPATH": str(ROOT), "LEAFCALL_HOME": str(folder / "home"),
            "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24",
        }  # fmt: skip
        made = subprocess.run(
            [sys.executable, "-m", "assistant", "new", "job.toml", "--usual", "--cylinders", "4",
             "--name", "Heron four", "--bore", "4.000"],
            cwd=folder, env=environment, capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
        assert made.returncode == 0, made.stderr
        self.ours, self.theirs = pty.openpty()
        self.before = termios.tcgetattr(self.theirs)
        self.raw = b""
        self.child = subprocess.Popen(
            [sys.executable, "-c", FAKE, *arguments], cwd=folder, env=environment,
            stdin=self.theirs, stdout=self.theirs, stderr=self.theirs,
        )  # fmt: skip

    def read_until(self, text: str, *, longest_s: float = 60.0) -> bool:
        """Read on until ``text`` was written; False if it never was."""
        ends = time.monotonic() + longest_s
        while time.monotonic() < ends:
            if text in self.text:
                return True
            if select.select([self.ours], [], [], 0.1)[0]:
                self.raw += os.read(self.ours, 65536)
            elif self.child.poll() is not None:
                return text in self.text
        return False

    def read_mode(self, *, by_lines: bool) -> bool:
        """Read on until the terminal gives whole lines, or single keys."""
        ends = time.monotonic() + 20
        while time.monotonic() < ends:
            self.read_until("never", longest_s=0.05)
            if bool(termios.tcgetattr(self.theirs)[3] & termios.ICANON) is by_lines:
                return True
        return False

    @property
    def text(self) -> str:
        """All that was written, without control sequences."""
        return re.sub(rb"\x1b\[[0-9;?]*[a-zA-Z]", b"", self.raw).decode("utf-8", "replace")

    def screen(self) -> list[str]:
        """What a terminal shows now."""
        screen = pyte.Screen(80, 24)
        pyte.ByteStream(screen).feed(self.raw)
        return [line.rstrip() for line in screen.display]

    def shows(self, text: str) -> bool:
        """Read on until the screen shows ``text``; False if it does not within seconds."""
        ends = time.monotonic() + 20
        while text not in "\n".join(self.screen()) and time.monotonic() < ends:
            self.read_until("never", longest_s=0.05)
        return text in "\n".join(self.screen())

    def end(self) -> None:
        self.child.kill()
        self.child.wait()
        os.close(self.ours)
        os.close(self.theirs)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with two calls of the sample sound to be heard: a reading, then acceptance."""
    (tmp_path / "clips").mkdir()
    calls = ROOT / "sample_audio" / "calls"
    reading = next(calls.glob("*-fifteen-goes-sixteen-snug.wav"))
    (tmp_path / "clips" / "1.wav").write_bytes(reading.read_bytes())
    return tmp_path


def test_a_call_is_seen_on_the_read_out_and_ctrl_c_leaves_the_terminal_in_order(
    folder: Path,
) -> None:
    session = Session(folder)
    try:
        assert session.read_until("heard   fifteen goes sixteen snug")
        assert session.read_until("upper     >▓i")  # the whole screen is there
        assert session.shows("LISTENING")
        shown = "\n".join(session.screen())
        assert shown.startswith("> NOT DONE YET: 16 open")
        assert "gap     16 thou (15 to 17 thou)" in shown
        assert "upper     >▓i" in shown
        assert not termios.tcgetattr(session.theirs)[3] & termios.ICANON  # keys come at once
        session.child.send_signal(signal.SIGINT)
        assert session.read_until("leafcall: stopped. What was confirmed is in the log.")
        assert session.child.wait(30) == 130
        after = session.raw[session.raw.rindex(b"\x1b[?1049l") :].decode()  # xterm: back again
        assert "\x1b[?25h" in session.raw.decode()
        assert "Sheet  job-sessions/001/sheet.html" in after
        assert "Traceback" not in session.text
        assert termios.tcgetattr(session.theirs) == session.before
    finally:
        session.end()


def test_ctrl_z_lends_the_terminal_to_the_shell(folder: Path) -> None:
    if not can_be_stopped():
        pytest.skip("no shell looks after this process group")
    session = Session(folder)
    try:
        for _ in range(2):  # it can be done more than once
            assert session.read_until("upper     >▓i")
            assert session.read_mode(by_lines=False)
            session.child.send_signal(signal.SIGTSTP)
            assert session.read_mode(by_lines=True)
            assert session.raw.rindex(b"\x1b[?1049l") > session.raw.rindex(b"\x1b[?1049h")
            session.raw = b""
            session.child.send_signal(signal.SIGCONT)
            assert session.read_until("NOT DONE YET")
            assert b"\x1b[?1049h" in session.raw
    finally:
        session.end()


def test_plain_lines_are_drawn_on_no_screen(folder: Path) -> None:
    session = Session(folder, "--plain")
    try:
        assert session.read_until("16 thou, plus or minus 1, inside. Accept it.")
        assert b"\x1b[?1049h" not in session.raw
        assert "heard  fifteen goes sixteen snug" in session.text
        assert "Eye protection" in session.text
    finally:
        session.end()


def test_with_key_to_talk_nothing_is_heard_before_a_key(folder: Path) -> None:
    session = Session(folder, "--key-to-talk")
    try:
        assert session.read_until("PRESS A KEY TO TALK")
        session.read_until("never", longest_s=0.4)
        assert "fifteen goes" not in session.text
        os.write(session.ours, b" ")
        assert session.read_until(" o LISTENING ")
    finally:
        session.end()


def test_key_to_talk_without_a_keyboard_says_so(folder: Path) -> None:
    session = Session(folder)
    session.end()
    done = subprocess.run(
        [sys.executable, "-c", FAKE, "--key-to-talk"], cwd=folder, input="", text=True,
        capture_output=True, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "LEAFCALL_HOME": str(folder / "home")},
    )  # fmt: skip
    assert done.returncode == 1
    assert "--key-to-talk needs a keyboard" in done.stderr
