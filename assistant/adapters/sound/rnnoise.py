"""Front ends: the denoiser that stands before every recogniser, and a plain stand-in for it.

RNNoise (J.-M. Valin, "A Hybrid DSP/Deep Learning Approach to Real-Time Full-Band Speech
Enhancement", 2018; BSD licence) is a small recurrent network that takes noise out of speech and
says for every 10 ms how likely it is that someone speaks. The shared library comes with the
``pyrnnoise`` wheel; it is loaded by its path, since importing that package draws in a plotting
library. It works on frames of 480 samples at 48 kHz in the scale of 16-bit integers.
"""

import ctypes
import importlib.util
import math
import sys
from collections import deque
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import AudioError

_UP = 3  # 48 kHz is three times 16 kHz
_WIDE = _UP * FRAME_SAMPLES
_HALF = 240  # taps on each side of the interpolating filter: 5 ms at 48 kHz
_RNNOISE_FRAMES = 2  # its sound comes out 960 samples late (measured by cross-correlation)
_DELAY_FRAMES = _RNNOISE_FRAMES + 1  # and 2 x 5 ms of filters make one frame
_INT16 = 32768.0
# After a while of steady noise the network takes the noise for speech (0.7 in white noise, 0.5 in
# pink, measured after 15 s) and answers low to soft beginnings of words: the level over the noise
# floor knows better.
_NOISE_DB, _VOICE_DB = 1.5, 3.5  # over the floor: no speech at all; nothing is taken off from here
_LOUD_DB = 9.0  # over the noise floor: as likely speech as not
_LOUD_POWER = 0.4  # of the probability of a loud frame: 0.1 becomes 0.4, 0.01 becomes 0.16
_GRACE_FRAMES = 50  # before the floor is known: a stream may begin with speech
_BAND_HZ = 250.0, 3500.0  # of the voice
_BAND_TAPS = 101
_SMOOTH_FRAMES = 3
_DITHER = 3e-4  # full scale = 1; a denoised pause is digital silence, which upsets recognisers
_LIBRARY_NAMES = {"darwin": "librnnoise.dylib", "win32": "rnnoise.dll"}
_FloatPointer = ctypes.POINTER(ctypes.c_float)


def open_front_end(*, denoise: bool = True) -> tuple["RNNoise | PassThrough", str]:
    """The best front end that works here, and a sentence to show if it is not the denoiser.

    denoise: whether the sound is cleaned; it tells speech from noise either way.
    The sentence is empty when all is well.
    """
    try:
        return RNNoise(clean=denoise), ""
    except AudioError as error:
        return PassThrough(), f"Hearing without the denoiser, so noise will cost calls: {error}"


def _low_pass() -> NDArray[np.float32]:
    """Windowed sinc at 48 kHz, 2 x _HALF + 1 taps, half amplitude at 7.7 kHz, Kaiser 60 dB."""
    n = np.arange(-_HALF, _HALF + 1)
    taps = np.sinc(n * 2 * 7700 / 48000) * np.kaiser(2 * _HALF + 1, 5.65)
    return np.asarray(taps / taps.sum(), np.float32)


def _voice_band() -> NDArray[np.float64]:
    """Windowed sinc at 16 kHz that lets the band of the voice through."""
    n = np.arange(_BAND_TAPS) - _BAND_TAPS // 2
    low, high = (2 * edge / SAMPLE_RATE_HZ for edge in _BAND_HZ)
    taps = (high * np.sinc(high * n) - low * np.sinc(low * n)) * np.hamming(_BAND_TAPS)
    return np.asarray(taps, np.float64)


_VOICE_BAND = _voice_band()
_PHASES = tuple(_low_pass()[phase::_UP] for phase in range(_UP))


class RNNoise:
    """Denoiser and voice activity detector (a FrontEnd).

    The cleaned sound lags by exactly three frames (0.03 s); the speech probability belongs to the
    frame that was handed in.

    clean: False hands the sound on as it came in, without delay, for a recogniser that learned to
    hear in noise; the speech probability is the same.
    Raises AudioError when the library is missing or cannot be loaded.
    """

    def __init__(self, *, clean: bool = True) -> None:
        self._library = _load()
        self._hand_on_clean = clean
        self._state: int | None = None
        self.reset()

    @property
    def delay_s(self) -> float:
        """Seconds by which the cleaned sound lags behind the input."""
        return _DELAY_FRAMES * FRAME_S if self._hand_on_clean else 0.0

    def process(self, frame: Samples) -> tuple[Samples, float]:
        """One frame of FRAME_SAMPLES in; cleaned frame and speech probability 0..1 out.

        Raises AudioError if the frame has another length, or after ``close``.
        """
        _check(frame)
        if self._state is None:
            raise AudioError("The denoiser was closed: call reset() or make a new one.")
        wide = self._widen(frame)
        pointer = wide.ctypes.data_as(_FloatPointer)
        probability = float(
            self._library.rnnoise_process_frame(ctypes.c_void_p(self._state), pointer, pointer)
        )
        over_db = self._level.over_db(frame)
        if over_db > _LOUD_DB:
            probability **= _LOUD_POWER
        elif self._level.frames > _GRACE_FRAMES:
            share = (over_db - _NOISE_DB) / (_VOICE_DB - _NOISE_DB)
            probability *= min(1.0, max(0.0, share))
        if not self._hand_on_clean:
            return frame, probability
        clean = self._narrow(wide) / _INT16
        clean += self._dither.standard_normal(FRAME_SAMPLES, dtype=np.float32) * _DITHER
        return np.clip(clean, -1.0, 1.0), probability

    def reset(self) -> None:
        """Forget the stream so far; what follows comes out as from a new front end."""
        self._free()
        self._state = self._library.rnnoise_create(None)
        self._level = _VoiceLevel()
        self._narrow_past = np.zeros(2 * _HALF // _UP, np.float32)
        self._wide_past = np.zeros(2 * _HALF, np.float32)
        self._dither = np.random.default_rng(1)

    def close(self) -> None:
        """Free the network's state; calling it twice does no harm."""
        self._free()

    def __del__(self) -> None:
        self._free()

    def _free(self) -> None:
        if getattr(self, "_state", None) is not None:
            self._library.rnnoise_destroy(ctypes.c_void_p(self._state))
            self._state = None

    def _widen(self, frame: Samples) -> NDArray[np.float32]:
        """16 kHz, -1..1 to 48 kHz, 16-bit scale."""
        line = np.concatenate([self._narrow_past, frame * np.float32(_INT16)])
        self._narrow_past = line[FRAME_SAMPLES:]
        wide = np.empty(_WIDE, np.float32)
        for phase, taps in enumerate(_PHASES):
            past = len(line) - FRAME_SAMPLES - (len(taps) - 1)
            wide[phase::_UP] = np.convolve(line[past:], taps, "valid")
        return wide * np.float32(_UP)

    def _narrow(self, wide: NDArray[np.float32]) -> Samples:
        """48 kHz to 16 kHz, same scale."""
        line = np.concatenate([self._wide_past, wide])
        self._wide_past = line[_WIDE:]
        narrow = np.zeros(FRAME_SAMPLES, np.float32)
        for phase, taps in enumerate(_PHASES):
            narrow += np.convolve(line[-phase % _UP :: _UP], taps, "valid")[:FRAME_SAMPLES]
        return narrow


class _Floor:
    """The running noise floor: falls at once, rises slowly. start_db: what it falls from.

    No room is as quiet as digital silence (a muted microphone), so that tells nothing of it.
    """

    _LOWEST_DB = -65.0  # quieter than this is never speech
    _SILENCE_DB = -99.0
    _RISE_DB_PER_FRAME = 0.03  # 3 dB a second: the floor follows a machine that starts

    def __init__(self, start_db: float) -> None:
        self._floor_db = start_db

    def over_db(self, power: float) -> float:
        """How far one more frame of that power lies above the floor, dB."""
        level_db = 10.0 * math.log10(power + 1e-10)
        if level_db > self._SILENCE_DB:
            risen_db = self._floor_db + self._RISE_DB_PER_FRAME
            self._floor_db = max(min(level_db, risen_db), self._LOWEST_DB)
        return level_db - self._floor_db


class _VoiceLevel:
    """Level in the band of the voice, smoothed over 30 ms, over its running floor.

    In the band, because the low rumble of a machine swings too much from frame to frame.
    """

    def __init__(self) -> None:
        self.frames = 0
        self._floor = _Floor(0.0)  # the first frame is quiet enough
        self._past = np.zeros(_BAND_TAPS - 1, np.float32)
        self._powers: deque[float] = deque(maxlen=_SMOOTH_FRAMES)

    def over_db(self, frame: Samples) -> float:
        """How far the voice of one more frame lies above the floor, dB."""
        self.frames += 1
        line = np.concatenate([self._past, frame])
        self._past = line[FRAME_SAMPLES:]
        voice = np.convolve(line, _VOICE_BAND, "valid")
        self._powers.append(float(np.mean(np.square(voice))))
        return self._floor.over_db(sum(self._powers) / len(self._powers))


class PassThrough:
    """No denoiser: sound as it came, voice activity by level over the running noise floor."""

    _WIDTH_DB = 2.0
    _START_DB = -40.0

    def __init__(self) -> None:
        self.reset()

    @property
    def delay_s(self) -> float:
        """Seconds by which the sound lags behind the input: none."""
        return 0.0

    def process(self, frame: Samples) -> tuple[Samples, float]:
        """One frame of FRAME_SAMPLES in; the same sound and a speech probability 0..1 out.

        Raises AudioError if the frame has another length.
        """
        _check(frame)
        power = float(np.mean(np.square(frame, dtype=np.float64)))
        over = (self._floor.over_db(power) - _LOUD_DB) / self._WIDTH_DB
        probability = 1.0 / (1.0 + float(np.exp(-np.clip(over, -30, 30))))
        dither = self._dither.standard_normal(FRAME_SAMPLES, dtype=np.float32) * _DITHER
        return np.clip(frame + dither, -1.0, 1.0).astype(np.float32), probability

    def reset(self) -> None:
        """Forget the noise floor."""
        self._floor = _Floor(self._START_DB)
        self._dither = np.random.default_rng(1)

    def close(self) -> None:
        """Nothing to free."""


def _check(frame: Samples) -> None:
    if frame.shape != (FRAME_SAMPLES,):
        raise AudioError(
            f"A frame of shape {frame.shape} came in; {FRAME_SAMPLES} samples are needed."
        )


def _load() -> ctypes.CDLL:
    spec = importlib.util.find_spec("pyrnnoise")
    folders = list(spec.submodule_search_locations or ()) if spec else []
    name = _LIBRARY_NAMES.get(sys.platform, "librnnoise.so")
    if not folders:
        raise AudioError("the package pyrnnoise is not installed: run 'pip install pyrnnoise'.")
    path = Path(folders[0]) / name
    try:
        library = ctypes.CDLL(str(path))
        library.rnnoise_create.argtypes = [ctypes.c_void_p]
        library.rnnoise_create.restype = ctypes.c_void_p
        library.rnnoise_destroy.argtypes = [ctypes.c_void_p]
        library.rnnoise_destroy.restype = None
        library.rnnoise_process_frame.argtypes = [ctypes.c_void_p, _FloatPointer, _FloatPointer]
        library.rnnoise_process_frame.restype = ctypes.c_float
        size = library.rnnoise_get_frame_size()
    except (OSError, AttributeError) as exc:
        raise AudioError(
            f"{name} of the package pyrnnoise cannot be loaded ({exc}): "
            "run 'pip install --force-reinstall pyrnnoise'."
        ) from exc
    if size != _WIDE:
        raise AudioError(f"{name} works on frames of {size} samples; {_WIDE} are needed.")
    return library
