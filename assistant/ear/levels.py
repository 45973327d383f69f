"""How loud, how noisy, how healthy a stretch of sound is: figures of a recording. Pure.

Levels are of full scale: 0 dB is the power of a signal that is 1 all the time (RMS).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples

QUIETEST_DB = -100.0
FULL_DB = -3.0
"""A moment that is louder is cut off: a sine that just fills the scale has 3.01 dB less than it."""
NOISY_DB = -40.0
"""A noise floor over this leaves a usual voice, -25 dB, less than the 15 dB that it needs."""
_FLOOR_POWER = 1e-10  # of digital silence, so that its logarithm exists
_BLOCK_FRAMES = 3  # 30 ms: shorter blocks tell single pitch pulses, longer ones miss short sounds
_FULL_SCALE = 0.999
_SPEECH_OVER_DB = 8.0  # a block so far over the floor is not the floor
_LEAST_SPEECH_BLOCKS = 8  # 0.24 s: less is a knock
_MAINS_HZ = (50.0, 60.0)
_HARMONICS = 6
_HUM_BELOW_HZ = 400.0


@dataclass(frozen=True, slots=True)
class SoundFigures:
    """Figures of a recording.

    length_s: seconds. peak: largest magnitude, 0..1. clipped: share of samples at full scale.
    offset: mean of the samples. floor_db: level of the quiet tenth. speech_db: level of what stands
    out over the floor, None if too little does. hum_db: level of mains hum in the quietest second;
    hum_hz: its frequency. low_db: level of all sound below 400 Hz in it, hum included.
    """

    length_s: float
    peak: float
    clipped: float
    offset: float
    floor_db: float
    speech_db: float | None
    hum_db: float
    hum_hz: float
    low_db: float

    @property
    def over_noise_db(self) -> float | None:
        """How far speech lies over the noise; None without speech.

        The noise that is in the loud parts too is taken off first.
        """
        if self.speech_db is None:
            return None
        clean = _power(self.speech_db) - _power(self.floor_db)
        return min(-QUIETEST_DB, to_db(max(clean, _FLOOR_POWER)) - self.floor_db)


def to_db(power: float) -> float:
    """Decibels of a power; digital silence is -100."""
    return 10.0 * math.log10(max(power, _FLOOR_POWER))


def _power(level_db: float) -> float:
    return float(10.0 ** (level_db / 10.0))


def level_db(samples: Samples) -> float:
    """Level of ``samples``, dB of full scale; -100 for none."""
    if not len(samples):
        return QUIETEST_DB
    power = float(np.mean(np.square(samples, dtype=np.float64)))
    return to_db(power) if math.isfinite(power) else QUIETEST_DB


def contrast_db(samples: Samples) -> float:
    """How far the loud tenth of the 10 ms frames lies above the quiet tenth, dB, 0..100."""
    quiet, loud = _quiet_and_loud(samples)
    return min(100.0, to_db(loud) - to_db(quiet))


def voice_db(samples: Samples) -> float:
    """Level of the loud tenth of the 10 ms frames less the noise, which is the quiet tenth.

    dB of full scale, -100 where nothing stands out.
    """
    quiet, loud = _quiet_and_loud(samples)
    return to_db(loud - quiet)


def _quiet_and_loud(samples: Samples) -> tuple[float, float]:
    """Powers that a tenth of the frames lies under and over."""
    whole = len(samples) // FRAME_SAMPLES
    if not whole:
        return 0.0, 0.0
    frames = np.reshape(samples[: whole * FRAME_SAMPLES], (whole, FRAME_SAMPLES))
    quiet, loud = np.percentile(np.mean(np.square(frames, dtype=np.float64), axis=1), [10, 90])
    return float(quiet), float(loud)


def figures_of(samples: Samples) -> SoundFigures:
    """Figures of a recording, mono, 16 kHz; one shorter than a block has no speech."""
    sound = np.nan_to_num(np.asarray(samples, np.float64), posinf=1.0, neginf=-1.0)
    size = FRAME_SAMPLES * _BLOCK_FRAMES
    whole = len(sound) // size
    blocks = np.reshape(sound[: whole * size], (whole, size))
    powers = np.mean(np.square(blocks), axis=1) if whole else np.zeros(0)
    floor_db = to_db(float(np.percentile(powers, 10))) if whole else QUIETEST_DB
    loud = powers[powers > _power(floor_db + _SPEECH_OVER_DB)]
    hum_db, hum_hz, low_db = _hum(sound)
    return SoundFigures(
        length_s=len(sound) / SAMPLE_RATE_HZ,
        peak=float(np.max(np.abs(sound), initial=0.0)),
        clipped=float(np.mean(np.abs(sound) >= _FULL_SCALE)) if len(sound) else 0.0,
        offset=float(np.mean(sound)) if len(sound) else 0.0,
        floor_db=floor_db,
        speech_db=to_db(float(np.mean(loud))) if len(loud) >= _LEAST_SPEECH_BLOCKS else None,
        hum_db=hum_db,
        hum_hz=hum_hz,
        low_db=low_db,
    )


def _hum(sound: NDArray[np.float64]) -> tuple[float, float, float]:
    """Of the quietest second: level of the stronger mains hum, its frequency, level of low sound.

    Hum is what lies within two hertz (half the main lobe of a Hann window of a second) of the first
    harmonics of 50 or 60 Hz; low is all from 20 Hz to _HUM_BELOW_HZ. The quietest second, because a
    voice is low sound too.
    """
    if len(sound) < SAMPLE_RATE_HZ:
        return QUIETEST_DB, 0.0, QUIETEST_DB
    sums = np.concatenate([[0.0], np.cumsum(np.square(sound))])
    starts = np.arange(0, len(sound) - SAMPLE_RATE_HZ + 1, SAMPLE_RATE_HZ // 20)
    first = int(starts[np.argmin(sums[starts + SAMPLE_RATE_HZ] - sums[starts])])
    quiet = sound[first : first + SAMPLE_RATE_HZ]
    window = np.hanning(SAMPLE_RATE_HZ)
    spectrum = np.square(np.abs(np.fft.rfft((quiet - quiet.mean()) * window)))
    # Power of the samples by hertz (Parseval: both halves of the spectrum, power of the window).
    power = 2.0 * spectrum / (SAMPLE_RATE_HZ * np.sum(np.square(window)))
    hz = np.arange(len(power))
    found = []
    for mains_hz in _MAINS_HZ:
        near = np.zeros(len(hz), bool)
        for harmonic in range(1, _HARMONICS + 1):
            near |= np.abs(hz - harmonic * mains_hz) <= 2.0
        found.append((to_db(float(np.sum(power[near]))), mains_hz))
    low = power[(hz > 20.0) & (hz < _HUM_BELOW_HZ)]
    return *max(found), to_db(float(np.sum(low)))


class RunningFloor:
    """The noise floor of a stream of levels: falls at once, rises 3 dB a second at 100 levels."""

    _RISE_DB = 0.03

    def __init__(self) -> None:
        self._floor_db: float | None = None

    def take(self, level: float, *, held: bool = False) -> float:
        """One level in dB, smoothed over about 0.1 s; the floor so far.

        held: it does not rise, because what is heard is known to be speech.
        """
        rise_db = 0.0 if held else self._RISE_DB
        before = self._floor_db
        self._floor_db = level if before is None else min(level, before + rise_db)
        return self._floor_db
