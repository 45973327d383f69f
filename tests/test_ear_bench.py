"""The measuring stick itself: levels, ratios, intervals."""

import numpy as np
import pytest

from tests.benchmarks.bench_ear import wilson
from tests.benchmarks.noises import (
    NOISES,
    RATE_HZ,
    active_level,
    add_echo,
    add_noise,
    end_of_speech_s,
    make_noise,
)


def spoken(peak: float = 0.1) -> np.ndarray:
    """A tone of one second between two seconds of near silence."""
    tone = peak * np.sin(2 * np.pi * 500 * np.arange(RATE_HZ) / RATE_HZ)
    quiet = np.random.default_rng(1).normal(0, 1e-5, RATE_HZ)
    return np.concatenate([quiet, tone, quiet])


def test_the_active_level_leaves_out_the_pauses() -> None:
    """A sine has an rms of its peak over the square root of two, whatever quiet lies around it."""
    assert active_level(spoken()) == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("snr_db", [20.0, 5.0, 0.0])
def test_the_noise_lies_where_it_was_asked_for(noise: str, snr_db: float) -> None:
    speech = spoken()
    mixed = add_noise(speech, noise, snr_db, seed=3)
    left = mixed - speech
    ratio_db = 20 * np.log10(active_level(speech) / np.sqrt(np.mean(left**2)))
    assert ratio_db == pytest.approx(snr_db, abs=0.01)


@pytest.mark.parametrize("noise", NOISES)
def test_noise_comes_from_its_seed_alone(noise: str) -> None:
    assert np.array_equal(make_noise(noise, 8000, 5), make_noise(noise, 8000, 5))
    assert not np.array_equal(make_noise(noise, 8000, 5), make_noise(noise, 8000, 6))


def test_pink_noise_holds_equal_power_in_every_octave() -> None:
    """That is what pink means: power density as one over the frequency."""
    power = np.abs(np.fft.rfft(make_noise("pink", 1 << 18, 2))) ** 2
    hz = np.fft.rfftfreq(1 << 18, 1 / RATE_HZ)
    octaves = [power[(hz >= low) & (hz < 2 * low)].sum() for low in (100, 400, 1600, 3200)]
    assert np.max(octaves) / np.min(octaves) < 1.1


def test_the_end_of_speech_is_found_and_an_echo_comes_after_it() -> None:
    speech = spoken()
    assert end_of_speech_s(speech) == pytest.approx(2.0, abs=0.01)
    wet = add_echo(speech, 0.4, seed=1)
    tail = slice(2 * RATE_HZ, 2 * RATE_HZ + 2000)
    assert np.std(wet[tail]) > 20 * np.std(speech[tail])
    assert np.std(wet[: RATE_HZ // 2]) < 1e-4


@pytest.mark.parametrize(
    ("hits", "count", "low", "high"),
    [(0, 10, 0.0, 0.2775), (5, 10, 0.2366, 0.7634), (81, 263, 0.2553, 0.3662)],
)
def test_intervals_are_those_of_the_literature(
    hits: int, count: int, low: float, high: float
) -> None:
    """81 of 263: R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (Wilson
    without continuity correction), from memory; the others follow from the formula by hand."""
    assert wilson(hits, count) == pytest.approx((low, high), abs=1e-4)


def test_no_trial_says_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


def test_an_unknown_noise_is_named() -> None:
    with pytest.raises(ValueError, match="'brown'"):
        make_noise("brown", 10, 1)
