"""Synthetic voices that call, and sound at 16 kHz.

The tests use only the voice that the wheels bring. The benchmark also uses flite where it is
installed, and Kokoro. All are of families that the sound model learned from, if not the very voice:
what they show is that the whole program works, not how well it hears people.
"""

import random
import shutil
import subprocess
import tempfile
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from assistant.adapters.sound.speaker import VoiceSpeaker
from assistant.ear.utterance import SAMPLE_RATE_HZ
from tests.benchmarks.dev_clips import kokoro_sound
from tests.benchmarks.noises import active_level

Sound = NDArray[np.float64]

CALL_LEVEL = 0.05  # active level of a call at the microphone, about -26 dB of full scale


class Caller(Protocol):
    """A voice that calls."""

    name: str

    def call(self, words: str, *, slowly: bool = False) -> Sound:
        """The words at 16 kHz, their active level at CALL_LEVEL, no quiet at the ends."""


class EspeakCaller:
    """eSpeak NG from the wheel. name: a voice with or without a variant, like "en-us+f3"."""

    def __init__(self, name: str = "en-us+f3", *, words_per_minute: int = 165) -> None:
        self.name = name
        self._usual = VoiceSpeaker(words_per_minute=words_per_minute, voice=name)
        self._slow = VoiceSpeaker(words_per_minute=round(0.8 * words_per_minute), voice=name)

    def call(self, words: str, *, slowly: bool = False) -> Sound:
        samples, rate_hz = (self._slow if slowly else self._usual).sound(words)
        return levelled(at_16_khz(samples / 32_768.0, rate_hz))


class FliteCaller:
    """A voice of the program flite. Raises FileNotFoundError if it is not installed."""

    def __init__(self, name: str) -> None:
        program = shutil.which("flite")
        if program is None:
            raise FileNotFoundError("flite is not installed: leave its voices out.")
        self.name = name
        self._program = program

    def call(self, words: str, *, slowly: bool = False) -> Sound:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "call.wav")
            stretch = f"duration_stretch={1.2 if slowly else 0.95}"
            subprocess.run(
                [self._program, "-voice", self.name, "--setf", stretch, "-t", words, "-o", path],
                check=True,
                capture_output=True,
            )
            samples, rate_hz = soundfile.read(path)
        return levelled(at_16_khz(samples, rate_hz))


class KokoroCaller:
    """A voice of Kokoro that the sound model never met. Needs the extra ``train``."""

    def __init__(self, number: int) -> None:
        self.name = f"kokoro-{number}"
        self._number = number
        self._rng = random.Random(number)
        # In a process of its own: its sounds come from eSpeak, which a process can start but once.
        self._other = ProcessPoolExecutor(1, mp_context=get_context("spawn"))

    def call(self, words: str, *, slowly: bool = False) -> Sound:
        speed = self._rng.uniform(0.95, 1.1) * (0.85 if slowly else 1.0)
        said = self._other.submit(kokoro_sound, self._number, words, speed).result()
        return levelled(said.astype(np.float64))


def at_16_khz(samples: NDArray[np.float64], rate_hz: int) -> Sound:
    """Sound of any rate at 16 kHz."""
    if rate_hz == SAMPLE_RATE_HZ:
        return np.asarray(samples, np.float64)
    return np.asarray(soxr.resample(samples, rate_hz, SAMPLE_RATE_HZ), np.float64)


def levelled(sound: Sound) -> Sound:
    """The sound with its quiet ends cut off and its active level at CALL_LEVEL."""
    loud = np.flatnonzero(np.abs(sound) > 1e-3 * np.max(np.abs(sound)))
    trimmed = sound[loud[0] : loud[-1] + 1]
    return np.asarray(trimmed * (CALL_LEVEL / active_level(trimmed)), np.float64)


def caller(name: str) -> Caller:
    """The voice ``name``: "flite:slt", "kokoro:3", or one of eSpeak NG."""
    kind, _, voice = name.rpartition(":")
    if kind == "kokoro":
        return KokoroCaller(int(voice))
    return FliteCaller(voice) if kind == "flite" else EspeakCaller(voice)
