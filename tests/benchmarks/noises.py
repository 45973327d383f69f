"""Noise made in code, speech levels and room echo, all from seeds."""

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16_000
NOISES = ("pink", "white", "shop")
_FRAME = 160
_MARGIN_DB = 15.9  # of ITU-T P.56: speech is what lies less than this below the active level

Sound = NDArray[np.float64]


def active_level(speech: Sound) -> float:
    """Root mean square of the active speech, after the idea of ITU-T P.56 (2011), method B.

    Frames of 10 ms count as active when they lie no more than 15.9 dB below the mean power of the
    active ones; found by going round until nothing changes. (P.56 itself uses an envelope with a
    hang-over of 0.2 s; on clips of calls the two differ by well under 1 dB: short pauses are in.)
    """
    power = np.mean(speech[: len(speech) // _FRAME * _FRAME].reshape(-1, _FRAME) ** 2, axis=1)
    level = float(power.max())
    for _ in range(100):
        fresh = float(power[power > level * 10 ** (-_MARGIN_DB / 10)].mean())
        if abs(fresh - level) < 1e-6 * level:
            break
        level = fresh
    return float(np.sqrt(level))


def end_of_speech_s(speech: Sound) -> float:
    """Seconds to the end of the last frame within 35 dB of the loudest one of a clean clip."""
    power = np.mean(speech[: len(speech) // _FRAME * _FRAME].reshape(-1, _FRAME) ** 2, axis=1)
    return float(np.flatnonzero(power > power.max() * 10**-3.5)[-1] + 1) * _FRAME / RATE_HZ


def add_noise(speech: Sound, kind: str, snr_db: float, seed: int) -> Sound:
    """Speech in noise of ``kind``: its active level lies snr_db over the noise's mean level."""
    noise = make_noise(kind, len(speech), seed)
    gain = active_level(speech) / 10 ** (snr_db / 20) / np.sqrt(np.mean(noise**2))
    mixed = speech + gain * noise
    return mixed / max(1.0, float(np.max(np.abs(mixed))) / 0.99)


def add_echo(speech: Sound, seconds: float, seed: int) -> Sound:
    """A room: the direct sound and a tail of noise that falls by 60 dB in ``seconds``.

    The tail holds a quarter of the direct sound's energy (6 dB below), as in a shop at arm's length
    from the microphone (common practice, no source).
    """
    count = round(seconds * RATE_HZ)
    decay = np.random.default_rng(seed).standard_normal(count) * 10 ** (
        -3.0 * np.arange(count) / count
    )
    decay[: RATE_HZ // 200] = 0.0
    room = 0.5 * decay / np.sqrt(np.sum(decay**2))
    room[0] = 1.0
    size = len(speech) + count
    wet = np.fft.irfft(np.fft.rfft(speech, size) * np.fft.rfft(room, size), size)[: len(speech)]
    return np.asarray(wet / max(1.0, float(np.max(np.abs(wet))) / 0.99), np.float64)


def make_noise(kind: str, samples: int, seed: int) -> Sound:
    """Noise of one of NOISES. Raises ValueError for another kind."""
    rng = np.random.default_rng(seed)
    if kind == "white":
        return rng.standard_normal(samples)
    if kind == "pink":
        return _coloured(rng, samples)
    if kind == "shop":
        return _shop(rng, samples)
    raise ValueError(f"{kind!r} is no noise: {', '.join(NOISES)} are made.")


def _coloured(rng: np.random.Generator, samples: int, low_hz: float = 20.0) -> Sound:
    """Noise whose power falls with frequency (pink), nothing below low_hz."""
    hz = np.fft.rfftfreq(samples, 1 / RATE_HZ)
    weight = np.where(hz >= low_hz, 1 / np.sqrt(np.maximum(hz, low_hz)), 0.0)
    pink = np.fft.irfft(np.fft.rfft(rng.standard_normal(samples)) * weight, samples)
    return np.asarray(pink / np.std(pink), np.float64)


def _shop(rng: np.random.Generator, samples: int) -> Sound:
    """A motor with its harmonics, an abrasive hiss that swells, knocks, over a pink bed."""
    t = np.arange(samples) / RATE_HZ
    wobble = np.cumsum(_smooth(rng, samples, 2.0)) / RATE_HZ
    turns = rng.uniform(24.0, 60.0) * (t + 0.03 * wobble)
    motor = np.zeros(samples)
    for harmonic in range(1, 40):
        motor += (
            rng.uniform(0.3, 1.0) / harmonic**0.8
            * np.sin(2 * np.pi * (harmonic * turns + rng.random()))
        )  # fmt: skip
    hiss = np.diff(rng.standard_normal(samples + 1)) * (1.0 + 0.8 * _smooth(rng, samples, 3.0))
    knocks = np.zeros(samples)
    for _ in range(rng.poisson(1.5 * samples / RATE_HZ)):
        start = int(rng.integers(samples))
        length = min(samples - start, RATE_HZ // 4)
        ring = np.sin(2 * np.pi * rng.uniform(300, 3500) * t[:length] + rng.random())
        knocks[start : start + length] += (
            rng.uniform(1, 4) * np.exp(-t[:length] / rng.uniform(0.01, 0.06))
            * (0.6 * ring + 0.4 * rng.standard_normal(length))
        )  # fmt: skip
    return 0.8 * motor / np.std(motor) + 0.5 * hiss + knocks + 0.6 * _coloured(rng, samples)


def _smooth(rng: np.random.Generator, samples: int, rate_hz: float) -> Sound:
    """A slow random curve between about -1 and 1, changing ``rate_hz`` times a second."""
    points = rng.uniform(-1, 1, max(2, int(samples / RATE_HZ * rate_hz) + 2))
    return np.interp(np.linspace(0, len(points) - 1, samples), np.arange(len(points)), points)
