"""A session whose microphone and voice are a page, in a Chromium with a fake microphone."""

import contextlib
import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

from assistant.ear.utterance import SAMPLE_RATE_HZ, Samples

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_audio"


def one_after_the_other(
    clips: Sequence[Path], *, before_s: float, between_s: float, after_s: float = 600.0
) -> tuple[Samples, list[float]]:
    """Clips with soft noise between and around them; when each begins, in seconds.

    The noise is that of a quiet room (-70 dB of full scale).
    """
    parts: list[Samples] = []
    begins: list[float] = []
    noise = np.random.default_rng(1)

    def quiet(seconds: float) -> None:
        count = round(seconds * SAMPLE_RATE_HZ)
        parts.append((3e-4 * noise.standard_normal(count)).astype(np.float32))

    quiet(before_s)
    for clip in clips:
        sound, rate_hz = soundfile.read(clip, dtype="float32")
        assert rate_hz == SAMPLE_RATE_HZ
        begins.append(sum(map(len, parts)) / SAMPLE_RATE_HZ)
        parts.append(sound + 3e-4 * noise.standard_normal(len(sound)).astype(np.float32))
        quiet(between_s)
    quiet(after_s)
    return np.concatenate(parts), begins


def browser_options(sound: Path) -> tuple[str, ...]:
    """A microphone that gives a file's sound once, with nobody to be asked whether it may."""
    return (
        "--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-audio-capture={sound}%noloop",
    )  # fmt: skip


class Talked:
    """``leafcall fit JOB --talk-from-page`` under way. url: of the page on this machine."""

    def __init__(self, folder: Path, port: int, *options: str, cylinders: int = 1) -> None:
        environment = {
            **os.environ, "PYTHONPATH": str(ROOT), "LEAFCALL_HOME": str(folder / "home"),
            "PYTHONIOENCODING": "utf-8", "BROWSER": "true",
        }  # fmt: skip
        if not (folder / "job.toml").exists():
            subprocess.run(
                [sys.executable, "-m", "assistant", "new", "job.toml", "--usual", "--bore", "4.000",
                 "--cylinders", str(cylinders), "--name", "Heron"],
                cwd=folder, env=environment, check=True, capture_output=True, timeout=60,
            )  # fmt: skip
        self.folder = folder
        self.child = subprocess.Popen(
            [sys.executable, "-m", "assistant", "fit", "job.toml", "--talk-from-page",
             "--page-port", str(port), *options],
            cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True, encoding="utf-8",
        )  # fmt: skip
        self.told = ""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        found = self._wait_for(rf"http://localhost:{port}/#code=(\w+)")
        self.url, self.code = found[0], found[1]

    def _read(self) -> None:
        assert self.child.stdout is not None
        for line in self.child.stdout:
            self.told += line

    def _wait_for(self, pattern: str, *, longest_s: float = 60.0) -> re.Match[str]:
        ends = time.monotonic() + longest_s
        while time.monotonic() < ends:
            if found := re.search(pattern, self.told):
                return found
            time.sleep(0.05)
        raise AssertionError(self.told)

    def says(self, text: str, *, longest_s: float = 60.0) -> None:
        """Wait until the terminal has told ``text``."""
        self._wait_for(re.escape(text), longest_s=longest_s)

    def end(self) -> None:
        """Kill it: no chance to say goodbye."""
        self.child.kill()
        self.child.wait()
        self._reader.join(10)
        if self.child.stdout is not None:
            self.child.stdout.close()


class Network:
    """A network between the page and the bench that can be held up: nothing comes through then.

    port: where the page finds the bench.
    """

    def __init__(self, bench_port: int) -> None:
        self._bench_port = bench_port
        self._through = threading.Event()
        self._through.set()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self._open: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def hold_up(self) -> None:
        """From now on."""
        self._through.clear()

    def let_through(self) -> None:
        """What was held up, and what comes then."""
        self._through.set()

    def close(self) -> None:
        """End all connections."""
        self._through.set()
        for one in (self._listening, *self._open):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                page, _ = self._listening.accept()
                bench = socket.create_connection(("127.0.0.1", self._bench_port))
                self._open += [page, bench]
                for ends in ((page, bench), (bench, page)):
                    threading.Thread(target=self._carry, args=ends, daemon=True).start()

    def _carry(self, here: socket.socket, there: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := here.recv(65_536):
                self._through.wait()
                there.sendall(data)
        with contextlib.suppress(OSError):
            there.shutdown(socket.SHUT_WR)
