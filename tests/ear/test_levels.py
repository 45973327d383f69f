"""Figures of a recording, against signals whose figures are known by arithmetic."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.ear.levels import (
    RunningFloor,
    contrast_db,
    figures_of,
    level_db,
    to_db,
    voice_db,
)
from assistant.ear.utterance import SAMPLE_RATE_HZ, Samples

RNG = np.random.default_rng(5)


def sine(hz: float, amplitude: float, *, seconds: float = 3.0) -> Samples:
    at = np.arange(round(seconds * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    return (amplitude * np.sin(2 * np.pi * hz * at)).astype(np.float32)


def noise(rms: float, *, seconds: float = 3.0) -> Samples:
    return RNG.normal(0, rms, round(seconds * SAMPLE_RATE_HZ)).astype(np.float32)


def with_bursts(background: Samples, loud: Samples) -> Samples:
    """The background, with ``loud`` over the middle third."""
    third = len(background) // 3
    mixed = background.copy()
    mixed[third : 2 * third] += loud[third : 2 * third]
    return mixed


def test_the_level_of_a_sine_is_its_power() -> None:
    # RMS of a sine = amplitude / sqrt(2): -3.01 dB of full scale at amplitude 1.
    assert level_db(sine(1000, 1.0)) == pytest.approx(-3.01, abs=0.01)
    assert level_db(sine(1000, 0.1)) == pytest.approx(-23.01, abs=0.01)


def test_silence_and_nothing_have_the_lowest_level() -> None:
    assert level_db(np.zeros(160, np.float32)) == level_db(np.zeros(0, np.float32)) == -100.0
    silent = figures_of(np.zeros(0, np.float32))
    assert (silent.peak, silent.length_s, silent.speech_db) == (0.0, 0.0, None)


@pytest.mark.parametrize("over_db", [5.0, 10.0, 20.0, 40.0])
def test_speech_over_noise_is_measured_as_it_was_mixed(over_db: float) -> None:
    floor = 0.002
    loud = noise(floor * 10 ** (over_db / 20))
    figures = figures_of(with_bursts(noise(floor), loud))
    assert figures.floor_db == pytest.approx(20 * math.log10(floor), abs=1.0)
    if over_db < 8:  # hidden by the noise: nothing is claimed
        assert figures.over_noise_db is None or figures.over_noise_db < 10
    else:
        assert figures.over_noise_db == pytest.approx(over_db, abs=1.5)


def test_a_knock_is_no_speech() -> None:
    sound = noise(0.001)
    sound[20_000:21_000] += 0.3
    assert figures_of(sound).speech_db is None


def test_the_share_of_clipped_samples_is_counted() -> None:
    # |sin| >= 0.999 / 2 for two thirds of the time: 1 - 2 asin(0.4995) / pi.
    clipped = np.clip(sine(1000, 2.0), -1, 1)
    assert figures_of(clipped).clipped == pytest.approx(0.667, abs=0.06)
    assert figures_of(sine(1000, 0.9)).clipped == 0.0


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_told_by_its_frequency_and_level(mains_hz: float) -> None:
    hum = sine(mains_hz, 0.02) + sine(2 * mains_hz, 0.01)
    figures = figures_of(hum + noise(0.0005))
    expected = 10 * math.log10(0.02**2 / 2 + 0.01**2 / 2)
    assert figures.hum_hz == mains_hz
    assert figures.hum_db == pytest.approx(expected, abs=0.5)
    assert figures.hum_db == pytest.approx(figures.low_db, abs=0.5)


def test_noise_and_a_voice_are_no_hum() -> None:
    rough = figures_of(noise(0.02))
    assert rough.hum_db < rough.low_db - 3
    # A voice at 118 Hz glides: here by 6 Hz.
    at = np.arange(3 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    voice = 0.1 * np.sin(2 * np.pi * (118 * at + 0.5 * np.sin(2 * np.pi * 2 * at)))
    figures = figures_of(voice.astype(np.float32))
    assert figures.hum_db < figures.low_db - 3


def test_a_sound_of_no_numbers_has_figures_all_the_same() -> None:
    broken = np.full(32_000, np.nan, np.float32)
    broken[::2] = np.inf
    figures = figures_of(broken)
    assert math.isfinite(figures.floor_db)
    assert figures.clipped == 0.5
    assert level_db(broken) == -100.0


def test_an_offset_is_found() -> None:
    assert figures_of(noise(0.001) + np.float32(0.1)).offset == pytest.approx(0.1, abs=0.001)


def test_the_running_floor_falls_at_once_and_rises_three_decibels_a_second() -> None:
    floor = RunningFloor()
    assert floor.take(-40.0) == -40.0
    assert floor.take(-60.0) == -60.0
    assert [floor.take(-20.0) for _ in range(100)][-1] == pytest.approx(-57.0)


@given(st.lists(st.floats(-100, 0), min_size=1, max_size=50))
def test_the_floor_is_never_over_the_level(levels: list[float]) -> None:
    floor = RunningFloor()
    assert all(floor.take(level) <= level for level in levels)


@given(st.floats(1e-9, 1.0))
def test_decibels_of_a_power(power: float) -> None:
    assert 10 ** (to_db(power) / 10) == pytest.approx(power)


@pytest.mark.parametrize(("loud", "expected_db"), [(0.1, 40.0), (0.001, 0.0)])
def test_contrast_is_loud_over_quiet(loud: float, expected_db: float) -> None:
    samples = np.full(16_000, 0.001, np.float32)
    samples[:8000] = loud
    assert contrast_db(samples) == pytest.approx(expected_db, abs=0.1)
    assert contrast_db(samples[:100]) == 0.0, "shorter than a frame"


@pytest.mark.parametrize("noise_rms", [0.0, 0.003, 0.03])
def test_the_level_of_a_voice_is_without_the_noise_around_it(noise_rms: float) -> None:
    rng = np.random.default_rng(3)
    samples = rng.normal(0, noise_rms, 32_000)
    samples[8000:24_000] += rng.normal(0, 0.1, 16_000)
    # White noise of 0.1 RMS is -20 dB; frames of 160 samples scatter by about half a decibel.
    assert voice_db(samples.astype(np.float32)) == pytest.approx(-20.0, abs=1.0)
    assert voice_db(np.full(16_000, 0.1, np.float32)) == -100.0, "nothing stands out"
    assert voice_db(np.zeros(100, np.float32)) == -100.0, "shorter than a frame"
