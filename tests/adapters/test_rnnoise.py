"""Front ends: exact delay, noise taken out, speech told from noise, and the plain stand-in."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from assistant.adapters.sound import rnnoise
from assistant.adapters.sound.rnnoise import PassThrough, RNNoise, open_front_end
from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import AudioError

CLIP = Path(__file__).parents[1] / "contract/clips/fifteen_goes_sixteen_snug.flac"


def process(
    front_end: RNNoise | PassThrough, sound: Samples
) -> tuple[Samples, NDArray[np.float64]]:
    frames = [
        front_end.process(sound[first : first + FRAME_SAMPLES])
        for first in range(0, len(sound) - FRAME_SAMPLES + 1, FRAME_SAMPLES)
    ]
    return np.concatenate([clean for clean, _ in frames]), np.array([p for _, p in frames])


@pytest.fixture(scope="module")
def speech() -> Samples:
    """A second of room noise, about two seconds of speech, a second of room noise."""
    clip, _ = soundfile.read(CLIP, dtype="float32")
    room = np.random.default_rng(4).normal(0, 2e-4, 2 * SAMPLE_RATE_HZ).astype(np.float32)
    return np.concatenate([room[:SAMPLE_RATE_HZ], clip, room[SAMPLE_RATE_HZ:]])


def test_the_cleaned_sound_lags_by_exactly_the_delay_that_is_told(speech: Samples) -> None:
    front_end = RNNoise()
    clean, _ = process(front_end, speech)
    delays = range(0, 1200, 1)
    last = len(clean) - 1200
    match = [float(np.dot(speech[:last], clean[delay : delay + last])) for delay in delays]
    best = delays[int(np.argmax(match))]
    # the network's pitch filter moves single samples a little
    assert best / SAMPLE_RATE_HZ == pytest.approx(front_end.delay_s, abs=0.0005)


def test_the_way_to_48_khz_and_back_is_a_plain_delay_of_one_frame() -> None:
    front_end = RNNoise()
    tone = 0.3 * np.sin(2 * np.pi * 3000 * np.arange(SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ)
    sound = tone.astype(np.float32)
    frames = np.split(sound, 100)
    back = np.concatenate([front_end._narrow(front_end._widen(f)) for f in frames]) / 32768
    start = 5 * FRAME_SAMPLES
    assert np.allclose(back[start:], sound[start - FRAME_SAMPLES : -FRAME_SAMPLES], atol=2e-4)


def test_speech_is_likely_where_there_is_speech(speech: Samples) -> None:
    _, probability = process(RNNoise(), speech)
    told = probability > 0.5
    first, last = np.flatnonzero(told)[[0, -1]]
    power = np.mean(speech[: len(told) * FRAME_SAMPLES].reshape(-1, FRAME_SAMPLES) ** 2, axis=1)
    loud = np.flatnonzero(power > 1e-4 * power.max())  # 40 dB below the loudest frame
    assert first * FRAME_S == pytest.approx(loud[0] * FRAME_S, abs=0.1)
    assert last * FRAME_S == pytest.approx(loud[-1] * FRAME_S, abs=0.1)
    assert np.mean(probability[: loud[0] - 10]) < 0.3


@pytest.mark.parametrize("colour", ["white", "pink"])
def test_noise_alone_is_taken_out_and_is_no_speech(colour: str) -> None:
    noise = np.random.default_rng(5).standard_normal(4 * SAMPLE_RATE_HZ)
    if colour == "pink":
        spectrum = np.fft.rfft(noise) / np.sqrt(np.maximum(1, np.arange(len(noise) // 2 + 1)))
        noise = np.fft.irfft(spectrum)
    sound = (0.05 * noise / np.std(noise)).astype(np.float32)
    clean, probability = process(RNNoise(), sound)
    settled = SAMPLE_RATE_HZ
    assert np.std(clean[settled:]) < 0.1 * np.std(sound)
    assert np.mean(probability[100:] > 0.6) < 0.05


def test_digital_silence_never_comes_out(speech: Samples) -> None:
    for front_end in (RNNoise(), PassThrough()):
        clean, _ = process(front_end, np.zeros(SAMPLE_RATE_HZ, np.float32))
        assert 1e-4 < np.std(clean) < 1e-3


def test_reset_makes_the_next_stream_come_out_as_from_a_new_one(speech: Samples) -> None:
    front_end = RNNoise()
    first, likely = process(front_end, speech)
    process(front_end, speech[::-1].copy())
    front_end.reset()
    again, likely_again = process(front_end, speech)
    assert np.array_equal(first, again)
    assert np.array_equal(likely, likely_again)


def test_full_scale_stays_in_range() -> None:
    square = np.sign(np.sin(np.arange(SAMPLE_RATE_HZ) / 7)).astype(np.float32)
    clean, _ = process(RNNoise(), square)
    assert np.max(np.abs(clean)) <= 1.0


@pytest.mark.parametrize("samples", [0, 159, 161, 480])
def test_a_frame_of_another_length_is_refused_with_the_length(samples: int) -> None:
    for front_end in (RNNoise(), PassThrough()):
        with pytest.raises(AudioError, match=f"{samples}"):
            front_end.process(np.zeros(samples, np.float32))


def test_the_stand_in_tells_speech_by_its_level(speech: Samples) -> None:
    sound, probability = process(PassThrough(), speech)
    assert np.allclose(sound, speech[: len(sound)], atol=2e-3)
    assert np.mean(probability[:90] > 0.5) == 0.0
    assert np.mean(probability[125:270] > 0.5) > 0.7


def test_the_stand_in_gets_used_to_a_machine_that_runs_on() -> None:
    hum = np.random.default_rng(6).normal(0, 0.03, 15 * SAMPLE_RATE_HZ).astype(np.float32)
    _, probability = process(PassThrough(), hum)
    assert np.mean(probability[-500:] > 0.5) == 0.0


def test_a_microphone_that_was_muted_does_not_make_speech_of_the_room() -> None:
    room = np.random.default_rng(6).normal(0, 0.01, 20 * SAMPLE_RATE_HZ).astype(np.float32)
    room[12 * SAMPLE_RATE_HZ : 14 * SAMPLE_RATE_HZ] = 0.0
    _, probability = process(PassThrough(), room)
    assert np.mean(probability[1200:] > 0.5) == 0.0


def test_without_the_library_the_stand_in_comes_with_a_sentence(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    front_end, notice = open_front_end()
    assert (type(front_end), notice) == (RNNoise, "")
    monkeypatch.setattr(rnnoise.importlib.util, "find_spec", lambda name: None)
    front_end, notice = open_front_end()
    assert type(front_end) is PassThrough
    assert "pip install pyrnnoise" in notice
    front_end, notice = open_front_end(denoise=False)
    assert type(front_end) is PassThrough
    assert "pip install pyrnnoise" in notice


def test_without_denoising_the_sound_comes_as_it_went_in_and_speech_is_still_told(
    speech: Samples,
) -> None:
    front_end, notice = open_front_end(denoise=False)
    sound, probability = process(front_end, speech)
    assert (front_end.delay_s, notice) == (0.0, "")
    assert np.allclose(sound, speech[: len(sound)], atol=2e-3)  # but for the dither, if any
    assert np.array_equal(probability, process(RNNoise(), speech)[1])


@pytest.mark.parametrize("platform", ["linux", "darwin", "win32"])
def test_a_library_that_cannot_be_loaded_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, platform: str
) -> None:
    class Spec:
        submodule_search_locations = (str(tmp_path),)

    monkeypatch.setattr(rnnoise.importlib.util, "find_spec", lambda name: Spec())
    monkeypatch.setattr(rnnoise.sys, "platform", platform)
    names = {"linux": "librnnoise.so", "darwin": "librnnoise.dylib", "win32": "rnnoise.dll"}
    with pytest.raises(AudioError, match=names[platform]):
        RNNoise()


def test_close_twice_does_no_harm() -> None:
    front_end = RNNoise()
    front_end.close()
    front_end.close()
    with pytest.raises(AudioError, match="closed"):
        front_end.process(np.zeros(FRAME_SAMPLES, np.float32))
    front_end.reset()
    assert front_end.process(np.zeros(FRAME_SAMPLES, np.float32))[0].shape == (FRAME_SAMPLES,)
