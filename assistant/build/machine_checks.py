"""Tries the parts of this machine before work; what is found is judged in checkup.py."""

import platform
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path

import numpy as np

from assistant import __version__
from assistant.adapters.files.data_files import shipped
from assistant.adapters.files.disk import newest_file_s, try_disk
from assistant.adapters.sound.loudspeaker import LoudSpeaker, check_output
from assistant.adapters.sound.microphone import Microphone
from assistant.adapters.sound.speaker import VoiceSpeaker
from assistant.adapters.sound.wav_file import WavFile
from assistant.bench.ports import Speaker
from assistant.build.ears import DEFAULT_EAR, open_ear
from assistant.build.words import load_grammar
from assistant.ear.levels import figures_of, level_db
from assistant.ear.ports import AudioSource
from assistant.ear.utterance import FRAME_S, SAMPLE_RATE_HZ, Samples
from assistant.errors import LeafcallError
from assistant.tryout import checkup
from assistant.tryout.checkup import Finding

SENTENCE = "Leafcall is ready. Fifteen goes, sixteen snug."
MEASURED_S = 3.0
_SAMPLE = ("calls/07-fifteen-goes-sixteen-snug.wav", "fifteen goes sixteen snug")
_PACKAGES = ("numpy", "scipy", "pydantic", "rich", "vosk", "sounddevice", "soundfile", "soxr",
             "pyttsx3")  # fmt: skip
_LONGEST_SPEECH_S = 20.0

Watch = Callable[[float, float], None]
"""Told while a source is measured: seconds so far, level in dB of full scale."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to try. sound: a recording to measure instead of the microphone. device: microphone.

    folder: where the job and its logs are.
    """

    folder: Path = Path()
    ear: str = DEFAULT_EAR
    microphone: bool = True
    device: str | None = None
    sound: Path | None = None
    voice: bool = True


def checks(wanted: Wanted, *, watch: Watch) -> Iterator[Finding]:
    """Try all parts, one after the other. watch: told how the measuring of the microphone goes.

    Never raises a LeafcallError: a part that fails is a finding.
    """
    steps: tuple[tuple[str, Callable[[], list[Finding]]], ...] = (
        ("versions", lambda: [checkup.versions(tuple(_versions()))]),
        ("clock", lambda: [_clock(wanted.folder)]),
        ("disk", lambda: [_disk(wanted.folder)]),
        ("hearing", lambda: _hearing(wanted)),
        ("voice", lambda: [_voice(wanted)]),
        ("microphone", lambda: [_microphone(wanted, watch)]),
    )
    for part, step in steps:
        try:
            yield from step()
        except LeafcallError as error:
            yield checkup.broken(part, error)


def measure(source: AudioSource, *, seconds: float, watch: Watch) -> Samples:
    """The first ``seconds`` of a source; less if it ends before. Raises AudioError."""
    frames: list[Samples] = []
    wanted = round(seconds / FRAME_S)
    for frame in source.frames():
        frames.append(frame)
        watch(len(frames) * FRAME_S, level_db(frame))
        if len(frames) >= wanted:
            break
    return np.concatenate(frames) if frames else np.zeros(0, np.float32)


def _versions() -> Iterator[tuple[str, str | None]]:
    yield "leafcall", __version__
    yield "python", platform.python_version()
    for name in _PACKAGES:
        try:
            yield name, metadata.version(name)
        except metadata.PackageNotFoundError:
            yield name, None


def _clock(folder: Path) -> Finding:
    steady, wall = time.monotonic(), time.time()
    newest = datetime.fromtimestamp(max(newest_file_s(folder), 0.0), UTC)
    time.sleep(0.05)
    drift_s = (time.time() - wall) - (time.monotonic() - steady)
    return checkup.clock(datetime.now(UTC), newest=newest, drift_s=drift_s)


def _disk(folder: Path) -> Finding:
    found = try_disk(folder)
    return checkup.disk(str(folder.resolve()), free_bytes=found.free_bytes, fsync_s=found.fsync_s)


def _hearing(wanted: Wanted) -> list[Finding]:
    file, asked = _SAMPLE
    source = WavFile(shipped("sample_audio") / file)
    with open_ear(load_grammar(), ear=wanted.ear) as ear:
        began, computed_s = time.perf_counter(), time.process_time()
        heard = [h for _, h in ear.listener(source).calls() if h.words]
        wall_s, compute_s = time.perf_counter() - began, time.process_time() - computed_s
        words = " ".join(word for h in heard for word in h.words)
        score = min((h.score for h in heard), default=0.0)
        return [
            checkup.hearing(
                ear.recognizer.name, asked, words, score, compute_s=compute_s,
                wall_s=wall_s, audio_s=source.sound.length_s,
            ),
        ]  # fmt: skip


def _voice(wanted: Wanted) -> Finding:
    if not wanted.voice:
        return checkup.left_out("voice", "--mute")
    voice = VoiceSpeaker()
    samples, rate_hz = voice.sound(SENTENCE)
    device = check_output()
    speaker: Speaker = LoudSpeaker(voice, tones=False)
    try:
        speaker.say(SENTENCE)
        ends = time.monotonic() + _LONGEST_SPEECH_S
        while speaker.speaking and time.monotonic() < ends:
            time.sleep(0.02)
        speaker.say("")  # tells if it could not be played
    finally:
        speaker.close()
    return checkup.voice(device, spoken_s=len(samples) / rate_hz)


def _microphone(wanted: Wanted, watch: Watch) -> Finding:
    if wanted.sound is not None:
        recorded = WavFile(wanted.sound)
        sound = measure(recorded, seconds=recorded.sound.length_s, watch=watch)
        # The file's own ends are cut off: what was added to fill the last frame is not its sound.
        sound = sound[: round(recorded.sound.length_s * SAMPLE_RATE_HZ)]
        return checkup.microphone(recorded.name, figures_of(sound))
    if not wanted.microphone:
        return checkup.left_out("microphone", "--no-microphone")
    source = Microphone(wanted.device)
    try:
        sound = measure(source, seconds=MEASURED_S, watch=watch)
        return checkup.microphone(source.name, figures_of(sound), lost_frames=source.overflows)
    finally:
        with suppress(LeafcallError):  # what it gave is measured already
            source.close()
