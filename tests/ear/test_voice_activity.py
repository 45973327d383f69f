"""The speech detector: its features against a plain formula, its network against a second one."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from assistant.build.ears import open_detector
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.ear.voice_activity import (
    BANDS,
    WINDOW,
    DetectorWeights,
    Floor,
    VoiceActivity,
    log_bands,
)
from assistant.errors import AudioError
from tests.benchmarks.noises import add_noise, make_noise

WEIGHTS = Path(__file__).parents[2] / "models/leafcall-en/voice_activity.npz"
CLIP = Path(__file__).parents[1] / "contract/clips/fifteen_goes_sixteen_snug.flac"


def told(sound: Samples, detector: VoiceActivity | None = None) -> NDArray[np.float64]:
    detector = detector or open_detector()
    frames = sound[: len(sound) // FRAME_SAMPLES * FRAME_SAMPLES].reshape(-1, FRAME_SAMPLES)
    return np.array([detector.speech(frame) for frame in frames])


@pytest.fixture(scope="module")
def speech() -> Samples:
    """A second of room noise, about two seconds of speech, a second of room noise."""
    clip, _ = soundfile.read(CLIP, dtype="float32")
    room = np.random.default_rng(4).normal(0, 2e-4, 2 * SAMPLE_RATE_HZ).astype(np.float32)
    return np.concatenate([room[:SAMPLE_RATE_HZ], clip, room[SAMPLE_RATE_HZ:]])


def test_a_tone_lies_in_the_band_of_its_mel_frequency_with_its_power() -> None:
    # Mel scale: 1127 ln(1 + f / 700 Hz) (O'Shaughnessy 1987, from memory); 24 bands, 80 to 7600 Hz.
    edges = np.linspace(*(1127 * np.log(1 + np.array([80.0, 7600.0]) / 700)), BANDS + 2)
    for band in (4, 12, 20):
        hz = 700 * (np.exp(edges[band + 1] / 1127) - 1)
        tone = np.sin(2 * np.pi * hz * np.arange(WINDOW) / SAMPLE_RATE_HZ).astype(np.float32)
        loud, soft = log_bands(tone), log_bands(0.1 * tone)
        assert int(np.argmax(loud)) == band
        assert loud[band] - soft[band] == pytest.approx(np.log(100.0), abs=0.01)


def test_level_and_a_steady_machine_are_taken_off() -> None:
    rng = np.random.default_rng(7)
    quiet = rng.normal(0, 0.5, (600, BANDS)).astype(np.float32)
    floors = Floor(), Floor()
    for frame in quiet:
        near, far = floors[0].inputs(frame), floors[1].inputs(frame - 5.0)
    assert near == pytest.approx(far, abs=1e-4)
    assert np.median(near[:BANDS]) < 0.8  # thirds of a neper over the floor
    loud = floors[0].inputs(quiet[-1] + 4.0)
    assert np.median(loud[:BANDS] - near[:BANDS]) == pytest.approx(4.0 / 3.0, abs=1e-2)


def test_the_floor_rises_by_three_decibels_a_second() -> None:
    floor = Floor()
    floor.inputs(np.zeros(BANDS, np.float32))
    for _ in range(100):
        seen = floor.inputs(np.full(BANDS, 6.0, np.float32))
    risen_db = 10 * np.log10(np.exp(6.0 - 3.0 * float(seen[0])))
    assert risen_db == pytest.approx(3.0, abs=0.1)


def test_speech_is_likely_where_there_is_speech(speech: Samples) -> None:
    probability = told(speech)
    first, last = np.flatnonzero(probability > 0.5)[[0, -1]]
    frames = speech[: len(probability) * FRAME_SAMPLES].reshape(-1, FRAME_SAMPLES)
    power = np.mean(np.square(frames), axis=1)
    loud = np.flatnonzero(power > 1e-4 * power.max())  # 40 dB below the loudest frame
    assert loud[0] - 25 <= first <= loud[0] + 5  # the soft hiss of the f may be told
    assert last == pytest.approx(loud[-1], abs=10)
    assert np.mean(probability[:90] > 0.35) < 0.02


@pytest.mark.parametrize("noise", ["pink", "white", "shop"])
def test_noise_that_has_run_for_long_is_no_speech_and_speech_in_it_is(
    noise: str, speech: Samples
) -> None:
    clip = speech[SAMPLE_RATE_HZ:-SAMPLE_RATE_HZ].astype(np.float64)
    quiet = np.zeros(15 * SAMPLE_RATE_HZ)
    sound = add_noise(np.concatenate([quiet, clip, quiet[:SAMPLE_RATE_HZ]]), noise, 10.0, 5)
    probability = told(sound.astype(np.float32))
    assert np.mean(probability[200:1480] > 0.6) < 0.02
    assert np.mean(probability[1520 : 1500 + len(clip) // FRAME_SAMPLES] > 0.6) > 0.6


def test_a_machine_that_starts_is_no_speech_for_long() -> None:
    room = np.random.default_rng(3).normal(0, 2e-4, 3 * SAMPLE_RATE_HZ)
    machine = 0.05 * make_noise("shop", 6 * SAMPLE_RATE_HZ, 9)
    probability = told(np.concatenate([room, machine]).astype(np.float32))
    assert np.mean(probability[400:] > 0.6) < 0.05


def test_muted_and_full_scale_sound_give_probabilities() -> None:
    square = np.sign(np.sin(np.arange(SAMPLE_RATE_HZ) / 7)).astype(np.float32)
    for sound in (np.zeros(SAMPLE_RATE_HZ, np.float32), square):
        probability = told(sound)
        assert np.all((probability >= 0.0) & (probability <= 1.0))
    assert np.mean(told(np.zeros(SAMPLE_RATE_HZ, np.float32)) > 0.35) == 0.0


def test_reset_makes_the_next_stream_come_out_as_from_a_new_one(speech: Samples) -> None:
    detector = open_detector()
    first = told(speech, detector)
    told(speech[::-1].copy(), detector)
    detector.reset()
    assert np.array_equal(first, told(speech, detector))


@pytest.mark.parametrize("samples", [0, 159, 161, 480])
def test_a_frame_of_another_length_is_refused_with_the_length(samples: int) -> None:
    with pytest.raises(AudioError, match=f"{samples}"):
        open_detector().speech(np.zeros(samples, np.float32))


def test_the_network_is_the_one_of_the_paper(speech: Samples) -> None:
    # Equations of the gated recurrent unit, candidate with the reset gate on the recurrent product
    # (the form of cuDNN's manual; from memory), written out number by number in double precision.
    with np.load(WEIGHTS) as file:
        of = {name: file[name].astype(np.float64) for name in file.files}
    state, floor = np.zeros(len(of["last"])), Floor()
    line = np.concatenate([np.zeros(WINDOW - FRAME_SAMPLES, np.float32), speech[16000:24000]])
    odds = []
    for first in range(0, 8000, FRAME_SAMPLES):
        seen = floor.inputs(log_bands(line[first : first + WINDOW])).astype(np.float64)
        hidden = np.array([max(0.0, x) for x in of["first"].T @ seen + of["first_bias"]])
        new, old = of["take"].T @ hidden + of["gates_bias"], of["keep"].T @ state
        (a, b, c), (d, e, f) = np.split(new, 3), np.split(old, 3)
        update, reset = (1 / (1 + np.exp(-gate)) for gate in (a + d, b + e))
        state = (1 - update) * np.tanh(c + reset * f) + update * state
        odds.append(float((of["last"].T @ state + of["last_bias"])[0]))
    expected = 1 / (1 + np.exp(-np.array(odds)))
    assert told(speech[16000:24000]) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("harm", ["lacking", "shape"])
def test_weights_that_do_not_fit_are_refused(harm: str) -> None:
    with np.load(WEIGHTS) as file:
        arrays = {name: file[name] for name in file.files}
    if harm == "lacking":
        del arrays["keep"]
    else:
        arrays["first"] = arrays["first"][:-1]
    with pytest.raises(AudioError, match="install Leafcall again"):
        DetectorWeights.of(arrays)
