"""Noise of a shop made in code: motors, saws, files, fans, air, knocks, tunes. All from one seed.

The recorded noises are few; these give the network many more kinds to hear through. They share no
code with the noises that tests/benchmarks measures with.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16_000
Noise = NDArray[np.float64]


def _shaped(rng: np.random.Generator, count: int, low_hz: float, high_hz: float) -> Noise:
    """Noise between two frequencies with soft edges and a random slope, of power one."""
    hz = np.fft.rfftfreq(count, 1 / RATE_HZ) + 1.0
    gain = 1.0 / (1.0 + (low_hz / hz) ** 4) / (1.0 + (hz / high_hz) ** 4)
    gain *= (hz / 1000.0) ** rng.uniform(-0.6, 0.3)
    sound = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * gain, count)
    return np.asarray(sound / (sound.std() + 1e-9), np.float64)


def _drift(rng: np.random.Generator, count: int, changes_hz: float) -> Noise:
    """A slow random curve between -1 and 1."""
    points = rng.uniform(-1.0, 1.0, int(count / RATE_HZ * changes_hz) + 3)
    return np.interp(np.linspace(0, len(points) - 1, count), np.arange(len(points)), points)


def _harmonics(rng: np.random.Generator, turns: Noise, base_hz: float, fall: float) -> Noise:
    """Sines at the multiples of a turning shaft; ``turns`` counts its turns."""
    sound = np.zeros(len(turns))
    for number in range(1, min(60, int(7000 / base_hz)) + 1):
        height = rng.lognormal(0.0, 0.8) / number**fall
        sound += height * np.sin(2 * np.pi * (number * turns + rng.random()))
    return sound / (sound.std() + 1e-9)


def motor(rng: np.random.Generator, count: int) -> Noise:
    """Engine, compressor or lathe: a shaft's harmonics whose speed drifts, a beat, some roar."""
    base_hz = np.exp(rng.uniform(np.log(12.0), np.log(140.0)))
    speed = base_hz * (1.0 + rng.uniform(0.0, 0.15) * _drift(rng, count, rng.uniform(0.2, 2.0)))
    turns = np.cumsum(speed) / RATE_HZ
    beat = 1.0 + rng.uniform(0.0, 0.9) * np.sin(2 * np.pi * turns * rng.choice((0.25, 0.5, 1.0)))
    roar = _shaped(rng, count, 60.0, rng.uniform(500.0, 6000.0)) * beat
    return _harmonics(rng, turns, base_hz, rng.uniform(0.3, 1.3)) + rng.uniform(0.1, 1.5) * roar


def fan(rng: np.random.Generator, count: int) -> Noise:
    """Vacuum cleaner, fan or air hose: broad hiss with a few whines that slide a little."""
    sound = _shaped(rng, count, rng.uniform(50.0, 600.0), rng.uniform(2500.0, 9000.0))
    t = np.arange(count) / RATE_HZ
    for _ in range(rng.integers(0, 5)):
        whine_hz = np.exp(rng.uniform(np.log(150.0), np.log(5000.0)))
        slide = 1.0 + 0.03 * _drift(rng, count, 0.5)
        sound += rng.uniform(0.1, 0.8) * np.sin(2 * np.pi * np.cumsum(slide * whine_hz) / RATE_HZ)
    return sound * (1.0 + rng.uniform(0.0, 0.3) * np.sin(2 * np.pi * rng.uniform(0.2, 9.0) * t))


def strokes(rng: np.random.Generator, count: int) -> Noise:
    """Hand saw, file or sanding: bursts of scraping, to and fro, with a ring of the work."""
    pace_hz = rng.uniform(0.7, 5.0)
    phase = np.cumsum(pace_hz * (1.0 + 0.2 * _drift(rng, count, 1.0))) / RATE_HZ
    push = np.abs(np.sin(np.pi * phase)) ** rng.uniform(0.5, 4.0)
    push *= np.where(np.floor(phase) % 2 == 0, 1.0, rng.uniform(0.1, 1.0))
    low_hz = rng.uniform(300.0, 2500.0)
    scrape = _shaped(rng, count, low_hz, low_hz * rng.uniform(2.0, 6.0))
    teeth_hz = rng.uniform(40.0, 400.0) * (0.3 + push)
    teeth = 1.0 + rng.uniform(0.0, 1.0) * np.sin(2 * np.pi * np.cumsum(teeth_hz) / RATE_HZ)
    ring_hz = np.exp(rng.uniform(np.log(400.0), np.log(5000.0)))
    ring = np.sin(2 * np.pi * ring_hz * np.arange(count) / RATE_HZ) * _drift(rng, count, 20.0)
    return (scrape * teeth + rng.uniform(0.0, 0.7) * ring) * push + 0.05 * scrape


def grinder(rng: np.random.Generator, count: int) -> Noise:
    """Grinder, drill or chain saw: fast harmonics that sag under load, and spray."""
    base_hz = rng.uniform(80.0, 500.0)
    load = np.clip(_drift(rng, count, rng.uniform(0.3, 2.0)), 0.0, 1.0)
    turns = np.cumsum(base_hz * (1.0 - rng.uniform(0.05, 0.35) * load)) / RATE_HZ
    spray = _shaped(rng, count, rng.uniform(800.0, 3000.0), 9000.0)
    return _harmonics(rng, turns, base_hz, rng.uniform(0.0, 1.0)) + (0.2 + 1.5 * load) * spray


def knocks(rng: np.random.Generator, count: int) -> Noise:
    """Hammer, dropped tools, steps: ringing hits at odd or even times over a faint bed."""
    sound = 0.05 * _shaped(rng, count, 50.0, 3000.0)
    pace_hz = rng.uniform(0.5, 7.0)
    even = rng.random() < 0.5
    at = 0.0
    while at < count:
        length = min(count - int(at), int(RATE_HZ * rng.uniform(0.02, 0.4)))
        t = np.arange(length) / RATE_HZ
        hit = rng.standard_normal(length) * np.exp(-t / rng.uniform(0.002, 0.03))
        for _ in range(rng.integers(0, 6)):
            tone = np.sin(2 * np.pi * np.exp(rng.uniform(np.log(150), np.log(6000))) * t)
            hit += rng.uniform(0.1, 1.0) * tone * np.exp(-t / rng.uniform(0.005, 0.12))
        sound[int(at) : int(at) + length] += rng.lognormal(0.0, 0.5) * hit
        at += RATE_HZ / pace_hz * (rng.uniform(0.9, 1.1) if even else rng.exponential() + 0.05)
    return sound


def tune(rng: np.random.Generator, count: int) -> Noise:
    """A radio playing: chords and a melody with a beat, through a small loudspeaker."""
    sound = np.zeros(count)
    beat = int(RATE_HZ * rng.uniform(0.15, 0.6))
    root_hz = rng.uniform(110.0, 220.0)
    for start in range(0, count, beat):
        length = min(count - start, 2 * beat)
        t = np.arange(length) / RATE_HZ
        for step in rng.choice((0, 2, 4, 5, 7, 9, 11, 12, 16, 19), rng.integers(1, 5)):
            pitch_hz = root_hz * 2 ** (step / 12) * rng.choice((1.0, 2.0, 4.0))
            for number in range(1, 7):
                sound[start : start + length] += (
                    rng.uniform(0.1, 1.0) / number * np.sin(2 * np.pi * number * pitch_hz * t)
                    * np.exp(-t / rng.uniform(0.1, 0.6))
                )  # fmt: skip
        drum = rng.standard_normal(length) * np.exp(-t / 0.03)
        sound[start : start + length] += rng.uniform(0.0, 2.0) * drum
    return sound


KINDS: tuple[Callable[[np.random.Generator, int], Noise], ...] = (
    motor, motor, fan, strokes, strokes, grinder, knocks, tune,
)  # fmt: skip


def made_noises(seconds: float, *, seed: int = 0, piece_s: float = 6.0) -> list[NDArray[np.int16]]:
    """int16 pieces of ``piece_s`` seconds, about ``seconds`` in all, a third of them mixed."""
    rng = np.random.default_rng(seed)
    count = int(piece_s * RATE_HZ)
    pieces = []
    for number in range(max(1, int(seconds / piece_s))):
        sound = KINDS[number % len(KINDS)](rng, count)
        sound = sound / (sound.std() + 1e-9)
        if rng.random() < 0.33:
            other = KINDS[rng.integers(len(KINDS))](rng, count)
            sound = sound + rng.uniform(0.2, 1.0) * other / (other.std() + 1e-9)
        sound = sound / (np.abs(sound).max() + 1e-9) * 30_000.0
        pieces.append(sound.astype(np.int16))
    return pieces
