"""Sound files as a source: any rate, width and number of channels that libsndfile reads.

A file is read twice in blocks, once to survey it and once to hear it, so that memory does not grow
with its length.
"""

import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import AudioError

_LONGEST_S = 4 * 3600
_RATES_HZ = (4_000, 768_000)
_NARROW_HZ = 8_000  # below: less than a telephone's band
_FULL_SCALE = 0.999
_LOUDEST = 1000.0  # samples of a float file may be anything; no sum may overflow
_CLIPPED_SHARE = 1e-3  # samples at full scale: fewer is one loud knock, more is a wrong gain
_SILENT_DB = -75.0  # loudest sample of a file that holds nothing to hear
_BLOCK_S = 1.0
_TOLD_EVERY_S = 60.0


@dataclass(frozen=True, slots=True)
class SoundFile:
    """What a file holds, without its samples.

    channel: the one that is heard, None for the mean of all. length_s: seconds. peak_db: loudest
    sample of what is heard, dB of full scale. warnings: sentences on what may spoil hearing
    (silent, clipped, narrow, cut short); often empty.
    """

    path: Path
    rate_hz: int
    channel: int | None
    length_s: float
    peak_db: float
    warnings: tuple[str, ...]

    def blocks(self) -> Iterator[Samples]:
        """The sound, mono, 16 kHz, in blocks of any length. Raises AudioError."""
        stream = soxr.ResampleStream(self.rate_hz, SAMPLE_RATE_HZ, 1, dtype="float32")
        with _opened(self.path) as file:
            for raw in _raw_blocks(file):
                mono = raw.mean(axis=1) if self.channel is None else raw[:, self.channel]
                mono = np.asarray(np.clip(mono, -1.0, 1.0), np.float32)
                if self.rate_hz != SAMPLE_RATE_HZ:
                    mono = np.clip(stream.resample_chunk(mono), -1.0, 1.0)
                yield mono
        if self.rate_hz != SAMPLE_RATE_HZ:
            yield np.clip(stream.resample_chunk(np.zeros(0, np.float32), last=True), -1.0, 1.0)

    def samples(self) -> Samples:
        """The whole sound, mono, 16 kHz. Raises AudioError."""
        return np.concatenate(list(self.blocks()))


def survey(path: Path) -> SoundFile:
    """Look a file through.

    Raises AudioError when it is missing, empty, not sound, or longer than four hours.
    """
    if path.is_dir():
        raise AudioError(f"{path} is a folder: name sound files (wav, flac, ogg).")
    if not path.exists():
        raise AudioError(f"{path} does not exist: check the name.")
    if not path.stat().st_size:
        raise AudioError(f"{path} is empty (0 bytes): record it again.")
    count, clipped, square_of_mean = 0, 0, 0.0
    with _opened(path) as file:
        rate_hz = file.samplerate
        squares, peaks = np.zeros(file.channels), np.zeros(file.channels)
        peak_of_mean = 0.0
        for raw in _raw_blocks(file):
            mean = raw.mean(axis=1)
            count += len(raw)
            clipped += int(np.count_nonzero(np.abs(raw) >= _FULL_SCALE))
            square_of_mean += float(np.sum(np.square(mean, dtype=np.float64)))
            squares += np.sum(np.square(raw, dtype=np.float64), axis=0)
            peaks = np.maximum(peaks, np.max(np.abs(raw), axis=0))
            peak_of_mean = max(peak_of_mean, float(np.max(np.abs(mean))))
    if not count:
        raise AudioError(f"{path} holds no sound (0 samples): record it again.")
    # Channels that cancel each other (a balanced cable wired as stereo): the loudest one is heard.
    cancelled = square_of_mean < 0.1 * float(squares.max())
    channel = int(np.argmax(squares)) if cancelled else None
    peak = peak_of_mean if channel is None else float(peaks[channel])
    peak_db = 20.0 * float(np.log10(peak + 1e-10))
    found = SoundFile(path, rate_hz, channel, count / rate_hz, peak_db, ())
    warnings = _warnings(found, clipped_share=clipped / (count * len(squares)))
    return SoundFile(path, rate_hz, channel, count / rate_hz, peak_db, warnings)


class WavFile:
    """A sound file as an AudioSource.

    told: called with the seconds read so far, about every minute of sound. Raises AudioError like
    ``survey``.
    """

    def __init__(self, path: Path, *, told: Callable[[float], None] | None = None) -> None:
        self.sound = survey(path)
        self._told = told

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
        waiting: Samples = np.zeros(0, np.float32)
        read, next_told_s = 0, _TOLD_EVERY_S
        for block in self.sound.blocks():
            waiting = np.concatenate([waiting, block])
            whole = len(waiting) - len(waiting) % FRAME_SAMPLES
            for first in range(0, whole, FRAME_SAMPLES):
                read += 1
                yield waiting[first : first + FRAME_SAMPLES]
            waiting = waiting[whole:]
            if self._told is not None and read * FRAME_S >= next_told_s:
                self._told(read * FRAME_S)
                next_told_s += _TOLD_EVERY_S
        if len(waiting):
            yield np.concatenate([waiting, np.zeros(FRAME_SAMPLES - len(waiting), np.float32)])

    def drop_waiting(self) -> float:
        """A file waits for its reader: nothing is dropped."""
        return 0.0

    def close(self) -> None:
        """Nothing to let go of: the file is open only while it is read."""


@contextmanager
def _opened(path: Path) -> Iterator[soundfile.SoundFile]:
    try:
        with soundfile.SoundFile(path) as file:
            if not _RATES_HZ[0] <= file.samplerate <= _RATES_HZ[1]:
                raise AudioError(
                    f"{path} has {file.samplerate} samples a second: {_RATES_HZ[0]} to "
                    f"{_RATES_HZ[1]} are allowed; 16000 is best."
                )
            if file.frames > _LONGEST_S * file.samplerate:
                raise AudioError(f"{path} is longer than four hours: cut it into pieces.")
            yield file
    except (soundfile.LibsndfileError, OSError) as exc:
        raise AudioError(
            f"{path} is not a sound file that can be read ({exc}): give a wav, flac or ogg file."
        ) from exc


def _raw_blocks(file: soundfile.SoundFile) -> Iterator[NDArray[np.float32]]:
    """Samples (frames x channels), as they lie in the file."""
    size = max(1, round(file.samplerate * _BLOCK_S))
    while len(raw := file.read(size, dtype="float32", always_2d=True)):
        yield np.clip(np.nan_to_num(raw, posinf=1.0, neginf=-1.0), -_LOUDEST, _LOUDEST)


def _warnings(sound: SoundFile, *, clipped_share: float) -> tuple[str, ...]:
    name = sound.path.name
    warnings = []
    if (promised_s := _promised_s(sound.path)) > sound.length_s + 0.001:
        warnings.append(
            f"{name} is cut short: it promises {promised_s:.2f} s "
            f"and holds {sound.length_s:.2f} s. Copy it again if the end is missing."
        )
    if sound.peak_db < _SILENT_DB:
        warnings.append(
            f"{name} is silent (loudest sample {max(sound.peak_db, -100):.0f} dB of full scale): "
            "look at the microphone's mute switch and gain."
        )
    if clipped_share > _CLIPPED_SHARE:
        warnings.append(
            f"{name} is clipped ({clipped_share:.1%} of the samples are at full scale): "
            "turn the microphone's gain down and record again."
        )
    if sound.rate_hz < _NARROW_HZ:
        warnings.append(
            f"{name} has only {sound.rate_hz} samples a second, less than a telephone: what tells "
            "fifteen from sixteen is lost. Record at 16000."
        )
    return tuple(warnings)


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
