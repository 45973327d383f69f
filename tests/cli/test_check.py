"""The commands check and practice, and what they measure with: disk, voice, fake microphones."""

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from assistant.adapters.files import disk as disk_module
from assistant.adapters.files.disk import newest_file_s, try_disk
from assistant.adapters.sound.speaker import VoiceSpeaker
from assistant.build import machine_checks as checks_module
from assistant.build.machine_checks import MEASURED_S, SENTENCE, Wanted, checks, measure
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import LogError, MicrophoneError, SpeakerError
from assistant.tryout import checkup
from assistant.tryout.checkup import Finding, Verdict
from assistant.tryout.practice import phrases
from tests.command_line import Run

ROOT = Path(__file__).resolve().parents[2]


class Mic:
    """A microphone that gives a second of noise, then 'speech', for ever; closed: let go of."""

    name = "bench mic"
    overflows = 0

    def __init__(self, device: object = None, *, speech: float = 0.1, noise: float = 1e-3) -> None:
        self.device, self.speech, self.noise = device, speech, noise
        self.closed = False

    def frames(self) -> Iterator[Samples]:
        rng = np.random.default_rng(1)
        while True:
            for n in range(200):
                loud = self.speech if n >= 100 and n % 20 < 10 else self.noise
                yield rng.normal(0, loud, FRAME_SAMPLES).clip(-1, 1).astype(np.float32)

    def drop_waiting(self) -> float:
        return 0.0

    def close(self) -> None:
        self.closed = True


class Voice:
    """A voice of half a second a word; ``said`` is what was played."""

    said: list[str]

    def __init__(self, **_: object) -> None: ...

    def sound(self, text: str) -> tuple[Any, int]:
        return np.zeros(11_025 * len(text.split()), np.int16), 22_050


class Loud:
    """A loudspeaker; ``broken``: playing fails, which the next say tells."""

    broken = False
    said: list[str]

    def __init__(self, _voice: object, **_: object) -> None:
        type(self).said = []

    speaking = False

    def say(self, text: str) -> None:
        if self.broken and self.said:
            raise SpeakerError("Nothing here can play sound: use --mute.")
        self.said.append(text)

    def close(self) -> None: ...


@pytest.fixture
def world(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """All parts of the check faked, each of them well."""
    monkeypatch.setattr(checks_module, "Microphone", Mic)
    monkeypatch.setattr(checks_module, "VoiceSpeaker", Voice)
    monkeypatch.setattr(checks_module, "LoudSpeaker", Loud)
    monkeypatch.setattr(checks_module, "check_output", lambda: "card")
    heard = [checkup.hearing("own", "note", "note", 0.95, compute_s=0.1, wall_s=0.1, audio_s=1.0)]
    monkeypatch.setattr(checks_module, "_hearing", lambda _wanted: heard)
    return monkeypatch


def found(wanted: Wanted) -> dict[str, Finding]:
    return {one.part: one for one in checks(wanted, watch=lambda *_: None)}


def test_a_machine_that_is_well(world: pytest.MonkeyPatch, tmp_path: Path) -> None:
    findings = found(Wanted(folder=tmp_path))
    assert {part: one.verdict for part, one in findings.items()} == dict.fromkeys(
        ("versions", "clock", "disk", "hearing", "voice", "microphone"), Verdict.OK
    )
    assert findings["microphone"].measured.startswith("bench mic: 3.0 s, noise -60 dB, speech -2")
    # Half a second a word (the fake voice).
    assert f"{len(SENTENCE.split()) / 2:.1f} s were played" in findings["voice"].measured
    assert Loud.said == [SENTENCE, ""]


def test_without_a_microphone_the_rest_is_tried_all_the_same(
    world: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def missing(_device: object) -> Mic:
        raise MicrophoneError("No microphone can be opened: plug one in.")

    world.setattr(checks_module, "Microphone", missing)
    findings = found(Wanted(folder=tmp_path))
    assert findings["microphone"].verdict is Verdict.BROKEN
    assert findings["microphone"].measured == "No microphone can be opened: plug one in."
    assert len(findings) == 6
    left_out = found(Wanted(folder=tmp_path, microphone=False))
    assert left_out["microphone"].verdict is Verdict.OK


@pytest.mark.parametrize(
    ("speech", "noise", "verdict"),
    [(0.1, 1e-3, Verdict.OK), (0.0, 0.0, Verdict.BROKEN), (0.05, 0.02, Verdict.LOOK)],
)
def test_the_microphone_is_judged_by_what_it_gives(
    world: pytest.MonkeyPatch, tmp_path: Path, speech: float, noise: float, verdict: Verdict
) -> None:
    opened: list[Mic] = []

    def open_it(device: object) -> Mic:
        opened.append(Mic(device, speech=speech, noise=noise))
        return opened[0]

    world.setattr(checks_module, "Microphone", open_it)
    assert found(Wanted(folder=tmp_path, device="usb"))["microphone"].verdict is verdict
    assert (opened[0].device, opened[0].closed) == ("usb", True)


def test_a_loudspeaker_that_fails_while_it_plays_is_broken(
    world: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    world.setattr(Loud, "broken", True)
    findings = found(Wanted(folder=tmp_path))
    assert findings["voice"].verdict is Verdict.BROKEN
    assert findings["microphone"].verdict is Verdict.OK
    assert found(Wanted(folder=tmp_path, voice=False))["voice"].verdict is Verdict.OK


def test_a_recording_is_measured_in_place_of_the_microphone(
    world: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path = tmp_path / "mine.wav"
    soundfile.write(path, np.zeros(2 * SAMPLE_RATE_HZ), SAMPLE_RATE_HZ)
    finding = found(Wanted(folder=tmp_path, sound=path))["microphone"]
    assert finding.verdict is Verdict.BROKEN
    assert "mine.wav: 2.0 s" in finding.measured
    missing = found(Wanted(folder=tmp_path, sound=tmp_path / "no.wav"))["microphone"]
    assert "does not exist" in missing.measured


def test_the_measuring_is_watched_and_ends_in_time() -> None:
    seen: list[tuple[float, float]] = []
    sound = measure(Mic(), seconds=MEASURED_S, watch=lambda s, db: seen.append((s, db)))
    assert len(sound) == MEASURED_S * SAMPLE_RATE_HZ
    assert [round(s, 2) for s, _ in seen[:2]] == [0.01, 0.02]
    assert seen[-1][0] == pytest.approx(MEASURED_S)
    assert max(db for _, db in seen) > -25 > -55 > min(db for _, db in seen)


def test_the_disk_is_tried_where_the_folder_is_or_would_be(tmp_path: Path) -> None:
    figures = try_disk(tmp_path / "not" / "yet")
    free = os.statvfs(tmp_path)
    assert figures.free_bytes == pytest.approx(free.f_bavail * free.f_frsize, rel=0.05)
    assert 0 < figures.fsync_s < 30
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(disk_module.tempfile, "NamedTemporaryFile", refuse)
    with pytest.raises(LogError, match=r"Nothing can be written in .* \(Permission denied\)"):
        try_disk(tmp_path)


def test_the_newest_file_of_a_folder(tmp_path: Path) -> None:
    assert newest_file_s(tmp_path) == newest_file_s(tmp_path / "none") == 0.0
    for name, changed_s in (("a", 1000), ("b", 2000)):
        (tmp_path / name).write_text("")
        os.utime(tmp_path / name, (changed_s, changed_s))
    assert newest_file_s(tmp_path) == 2000.0


# --- the commands ---------------------------------------------------------------------------------


def environment(home: Path) -> dict[str, str]:
    return {
        **os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", "COLUMNS": "200",
        "LEAFCALL_HOME": str(home / "home"),
    }  # fmt: skip


@pytest.mark.audio
def test_check_hears_the_shipped_clip_and_measures_a_recording(run: Run) -> None:
    clip = ROOT / "sample_audio" / "calls" / "07-fifteen-goes-sixteen-snug.wav"
    done = run("check", "--mute", "--sound", str(clip), "--json")
    told = json.loads(done.out)
    findings = {one["part"]: one for one in told["findings"]}
    assert "fifteen goes sixteen snug" in findings["hearing"]["measured"]
    assert findings["microphone"]["verdict"] == "ok"
    assert (done.code, told["ok"]) == (0, True)


@pytest.mark.audio
def test_check_says_what_is_broken_and_fails(run: Run, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "mute.wav", np.zeros(32_000), SAMPLE_RATE_HZ)
    done = run("check", "--mute", "--sound", "mute.wav")
    assert done.code == 1
    assert "BROKEN  microphone  mute.wav: 2.0 s" in done.out
    assert "change      Dead silence: look at the mute switch" in done.out
    assert done.out.splitlines()[-1].startswith("1 broken, ")
    assert "Traceback" not in done.err


@pytest.fixture(scope="module")
def spoken(tmp_path_factory: pytest.TempPathFactory, grammar: Any) -> list[Path]:
    """Three phrases of seed 3, spoken by the assistant's own voice."""
    folder = tmp_path_factory.mktemp("spoken")
    voice = VoiceSpeaker(words_per_minute=150)
    paths = []
    for number, words in enumerate(phrases(grammar, seed=3, count=3, avoid=["hundredths"]), 1):
        paths.append(folder / f"{number}.wav")
        voice.save(" ".join(words), paths[-1])
    return paths


@pytest.mark.audio
def test_practice_from_recordings_kept_and_heard_again(
    run: Run, spoken: list[Path], tmp_path: Path
) -> None:
    files = [str(path) for path in spoken]
    first = ["practice", "--seed", "3", "--count", "3", "--keep", "mine", "--from"]
    done = run(*first, *files, typed="y\n")
    assert (done.code, done.err) == (0, "")
    assert "on this machine only" in done.out
    assert "of 3 understood" in done.out
    assert "leafcall practice --again mine" in done.out
    understood = done.out.count("  understood   (")
    assert understood >= 2  # a clear synthetic voice; which words it slurs is its own affair
    again = run("practice", "--again", "mine")
    assert f"{understood} of 3 understood" in again.out
    assert f"When they were kept: {understood} of 3 understood." in again.out
    assert len(list((tmp_path / "mine" / "calls").glob("*.wav"))) == 3


@pytest.mark.audio
def test_nothing_is_kept_without_a_yes_and_a_part_is_gone_on_with(
    run: Run, spoken: list[Path], tmp_path: Path
) -> None:
    done = run("practice", "--seed", "3", "--count", "3", "--keep", "mine", "--from",
               str(spoken[0]))  # fmt: skip
    assert done.code == 0
    assert "Nothing is kept." in done.out
    assert not (tmp_path / "mine").exists()
    assert "Go on with: leafcall practice --seed 3 --count 3 --begin 2" in done.out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("take.wav",), "recordings are heard with --from"),
        (("--from",), "--from needs recordings"),
        (("--again", "nothing"), "holds no kept practice"),
        (("no.toml", "--from", "a.wav"), "no.toml"),
    ],
)
def test_practice_says_what_is_wrong_in_a_sentence(
    run: Run, arguments: tuple[str, ...], told: str
) -> None:
    done = run("practice", *arguments)
    assert done.code in (1, 2)
    assert told in " ".join(done.err.split())
    assert "Traceback" not in done.err


# --- practice in a terminal, with a fake microphone -----------------------------------------------


FAKE = """
import sys, time
import numpy as np
from assistant.cli import check, main

class Mic:
    name, overflows = "fake", 0
    def __init__(self, device): pass
    def frames(self):
        while True:
            time.sleep(0.005)
            yield np.full(160, 1e-4, np.float32)
    def drop_waiting(self): return 0.0
    def close(self): print("closed", flush=True)

check.Microphone = Mic
sys.argv = ["leafcall", "practice", "--seed", "3", "--ear", "own"]
main()
"""


Session = tuple["subprocess.Popen[bytes]", Callable[[str], str], int]


@contextmanager
def in_a_terminal(home: Path) -> Iterator[Session]:
    """(process, read until a text, our end): practice on a pseudo-terminal."""
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-c", FAKE], stdin=theirs, stdout=theirs, stderr=theirs, cwd=home,
        env=environment(home), start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    told = ""

    def until(text: str) -> str:
        nonlocal told
        ends = time.monotonic() + 60
        while text not in told and time.monotonic() < ends:
            if select.select([ours], [], [], 0.2)[0]:
                try:
                    told += os.read(ours, 4096).decode()
                except OSError:  # the other end was closed
                    break
        return told

    try:
        yield child, until, ours
    finally:
        child.kill()
        child.wait()
        os.close(ours)


@pytest.mark.audio
@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is needed")
@pytest.mark.parametrize("way", ["q", "ctrl-c"])
def test_practice_in_a_terminal_is_skipped_and_stopped_by_keys(tmp_path: Path, way: str) -> None:
    with in_a_terminal(tmp_path) as (child, until, ours):
        assert " 1 of 10" in until(" 1 of 10")
        os.write(ours, b"s")
        assert "skipped" in until(" 2 of 10")
        if way == "q":
            os.write(ours, b"q")
        else:
            child.send_signal(signal.SIGINT)
        told = until("closed")
        assert child.wait(30) == 0
    assert "Nothing was tried." in told
    assert "Go on with: leafcall practice --seed 3 --begin 2" in told
    assert "Traceback" not in told
