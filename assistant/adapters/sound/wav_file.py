"""Sound files as a source: any rate, width and number of channels that libsndfile reads."""

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import AudioError

_LONGEST_S = 4 * 3600
_RATES_HZ = (4_000, 768_000)
_FULL_SCALE = 0.999
_CLIPPED_SHARE = 1e-3  # samples at full scale: fewer is one loud knock, more is a wrong gain
_SILENT_DB = -75.0  # loudest sample of a file that holds nothing to hear


@dataclass(frozen=True, slots=True)
class SoundFile:
    """A file read into memory.

    samples: mono, 16 kHz. length_s: seconds. peak_db: loudest sample, dB of full scale.
    warnings: sentences on what may spoil hearing (silent, clipped, cut short); often empty.
    """

    path: Path
    samples: Samples
    length_s: float
    peak_db: float
    warnings: tuple[str, ...]


def read_sound(path: Path) -> SoundFile:
    """Read a file whole and turn it into mono 16 kHz.

    Raises AudioError when the file is missing, empty, not sound, or longer than four hours.
    """
    raw, rate_hz = _read(path)
    clipped = float(np.mean(np.abs(raw) >= _FULL_SCALE))
    mono = _resample(_mono(raw), rate_hz)
    peak = float(np.max(np.abs(mono)))
    peak_db = 20.0 * float(np.log10(peak + 1e-10))
    length_s = len(raw) / rate_hz
    warnings = []
    if (promised_s := _promised_s(path)) > length_s + 0.001:
        warnings.append(
            f"{path.name} is cut short: it promises {promised_s:.2f} s "
            f"and holds {length_s:.2f} s. Copy it again if the end is missing."
        )
    if peak_db < _SILENT_DB:
        warnings.append(
            f"{path.name} is silent (loudest sample {max(peak_db, -100):.0f} dB of full scale): "
            "look at the microphone's mute switch and gain."
        )
    if clipped > _CLIPPED_SHARE:
        warnings.append(
            f"{path.name} is clipped ({clipped:.1%} of the samples are at full scale): "
            "turn the microphone's gain down and record again."
        )
    return SoundFile(path, mono, length_s, peak_db, tuple(warnings))


class WavFile:
    """A sound file as an AudioSource.

    Raises AudioError like ``read_sound``.
    """

    def __init__(self, path: Path) -> None:
        self.sound = read_sound(path)

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return self.sound.path.name

    @property
    def overflows(self) -> int:
        """Nothing of a file is ever lost."""
        return 0

    def frames(self) -> Iterator[Samples]:
        """Frames of FRAME_SAMPLES; k whole frames in the file come out as k frames."""
        samples = self.sound.samples
        for first in range(0, len(samples), FRAME_SAMPLES):
            frame = samples[first : first + FRAME_SAMPLES]
            if len(frame) < FRAME_SAMPLES:
                frame = np.concatenate([frame, np.zeros(FRAME_SAMPLES - len(frame), np.float32)])
            yield frame

    def drop_waiting(self) -> float:
        """A file waits for its reader: nothing is dropped."""
        return 0.0

    def close(self) -> None:
        """Nothing to let go of: the file was read whole."""


def _read(path: Path) -> tuple[NDArray[np.float32], int]:
    """Samples (frames x channels) and rate in Hz."""
    if path.is_dir():
        raise AudioError(f"{path} is a folder: name sound files (wav, flac, ogg).")
    if not path.exists():
        raise AudioError(f"{path} does not exist: check the name.")
    if not path.stat().st_size:
        raise AudioError(f"{path} is empty (0 bytes): record it again.")
    try:
        with soundfile.SoundFile(path) as file:
            rate_hz = file.samplerate
            if not _RATES_HZ[0] <= rate_hz <= _RATES_HZ[1]:
                raise AudioError(
                    f"{path} has {rate_hz} samples a second: {_RATES_HZ[0]} to {_RATES_HZ[1]} "
                    "are allowed; 16000 is best."
                )
            if file.frames > _LONGEST_S * rate_hz:
                raise AudioError(f"{path} is longer than four hours: cut it into pieces.")
            raw = file.read(dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, OSError) as exc:
        raise AudioError(
            f"{path} is not a sound file that can be read ({exc}): give a wav, flac or ogg file."
        ) from exc
    if not len(raw):
        raise AudioError(f"{path} holds no sound (0 samples): record it again.")
    return np.nan_to_num(raw, posinf=1.0, neginf=-1.0), rate_hz


def _promised_s(path: Path) -> float:
    """Seconds that the header of a wav file promises; 0 if it is no wav or says nothing definite.

    libsndfile reads what is there and does not tell that there should have been more.
    """
    with path.open("rb") as file:
        if file.read(12)[:4] != b"RIFF":
            return 0.0
        bytes_per_s = 0
        while len(head := file.read(8)) == 8:
            kind, size = struct.unpack("<4sI", head)
            if kind == b"data":
                open_ended = size == 0 or size >= 0x7FFF0000  # written to a pipe
                return 0.0 if open_ended or not bytes_per_s else size / bytes_per_s
            if kind == b"fmt ":
                bytes_per_s = int.from_bytes(file.read(12)[8:12], "little")
                file.seek(size - 12, 1)
            else:
                file.seek(size + size % 2, 1)
    return 0.0


def _mono(raw: NDArray[np.float32]) -> Samples:
    """Mean of the channels, unless they cancel each other: then the loudest one."""
    mean = raw.mean(axis=1)
    powers = np.mean(np.square(raw), axis=0)
    if float(np.mean(np.square(mean))) < 0.1 * float(powers.max()):
        mean = raw[:, int(np.argmax(powers))]
    return np.asarray(np.clip(mean, -1.0, 1.0), np.float32)


def _resample(mono: Samples, rate_hz: int) -> Samples:
    if rate_hz == SAMPLE_RATE_HZ:
        return mono
    narrow = soxr.resample(mono, rate_hz, SAMPLE_RATE_HZ)
    return np.asarray(np.clip(narrow, -1.0, 1.0), np.float32)
