"""Sound files of every kind, good and bad."""

import struct
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray

from assistant.adapters.sound.wav_file import WavFile, survey
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ
from assistant.errors import AudioError

TONE_HZ = 440.0


def tone(rate_hz: int, *, length_s: float = 0.5, peak: float = 0.4) -> NDArray[np.float64]:
    return peak * np.sin(2 * np.pi * TONE_HZ * np.arange(round(rate_hz * length_s)) / rate_hz)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("kind", ["PCM_16", "PCM_24", "PCM_U8", "FLOAT", "DOUBLE"])
def test_every_rate_and_width_becomes_the_same_sound(
    tmp_path: Path, rate_hz: int, kind: str
) -> None:
    path = tmp_path / "tone.wav"
    soundfile.write(path, tone(rate_hz), rate_hz, subtype=kind)
    sound = survey(path)
    assert sound.samples().dtype == np.float32
    assert sound.length_s == pytest.approx(0.5, abs=1e-4)
    assert len(sound.samples()) == pytest.approx(SAMPLE_RATE_HZ / 2, abs=1)
    middle = slice(1000, 7000)  # the ends ring a little after a change of rate
    expected = tone(SAMPLE_RATE_HZ)[middle]
    tolerance = 0.01 if kind == "PCM_U8" else 0.004
    assert np.max(np.abs(sound.samples()[middle] - expected)) < tolerance
    assert sound.warnings == ()


@pytest.mark.parametrize("suffix", ["flac", "ogg"])
def test_compressed_files_are_read(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"tone.{suffix}"
    soundfile.write(path, tone(48_000), 48_000)
    sound = survey(path)
    assert np.max(np.abs(sound.samples())) == pytest.approx(0.4, abs=0.05)


def test_channels_are_averaged(tmp_path: Path) -> None:
    path = tmp_path / "stereo.wav"
    left = tone(SAMPLE_RATE_HZ)
    soundfile.write(path, np.stack([left, left / 2], axis=1), SAMPLE_RATE_HZ, subtype="FLOAT")
    assert np.allclose(survey(path).samples(), left * 0.75, atol=1e-6)


def test_channels_that_cancel_each_other_are_not_lost(tmp_path: Path) -> None:
    """A balanced cable wired as stereo gives the same sound twice, once upside down."""
    path = tmp_path / "balanced.wav"
    left = tone(SAMPLE_RATE_HZ)
    soundfile.write(path, np.stack([left, -left], axis=1), SAMPLE_RATE_HZ, subtype="FLOAT")
    assert np.allclose(np.abs(survey(path).samples()), np.abs(left), atol=1e-6)


@pytest.mark.parametrize("frames", [1, 7, 100])
@pytest.mark.parametrize("extra", [0, 1, FRAME_SAMPLES - 1])
def test_whole_frames_are_exact_and_a_short_last_one_is_filled(
    tmp_path: Path, frames: int, extra: int
) -> None:
    path = tmp_path / "exact.wav"
    samples = np.random.default_rng(2).uniform(-0.5, 0.5, frames * FRAME_SAMPLES + extra)
    soundfile.write(path, samples, SAMPLE_RATE_HZ, subtype="FLOAT")
    got = list(WavFile(path).frames())
    assert len(got) == frames + (extra > 0)
    assert all(frame.shape == (FRAME_SAMPLES,) for frame in got)
    line = np.concatenate(got)
    assert np.allclose(line[: len(samples)], samples, atol=1e-7)
    assert np.all(line[len(samples) :] == 0.0)


def test_a_source_has_a_name_and_can_be_closed_twice(tmp_path: Path) -> None:
    path = tmp_path / "call.wav"
    soundfile.write(path, tone(16_000), 16_000)
    source = WavFile(path)
    assert source.name == "call.wav"
    assert source.drop_waiting() == 0.0
    source.close()
    source.close()
    assert len(list(source.frames())) == 50


def test_a_missing_file_a_folder_and_an_empty_file_are_told_apart(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").touch()
    with pytest.raises(AudioError, match=r"lost\.wav does not exist"):
        survey(tmp_path / "lost.wav")
    with pytest.raises(AudioError, match="is a folder"):
        survey(tmp_path)
    with pytest.raises(AudioError, match="0 bytes"):
        survey(tmp_path / "empty.wav")


@pytest.mark.parametrize(
    "content",
    [
        b"this is a shopping list, not a sound\n",
        b"RIFF",
        b"RIFF\x24\x00\x00\x00WAVE",
        b"RIFF\x24\x00\x00\x00WAVEfmt ",
        bytes(range(256)),
    ],
)
def test_what_is_no_sound_is_refused_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "list.wav"
    path.write_bytes(content)
    with pytest.raises(AudioError, match=r"list\.wav .*(not a sound file|no sound)"):
        survey(path)


def test_a_file_without_samples_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "none.wav"
    soundfile.write(path, np.zeros(0), 16_000)
    with pytest.raises(AudioError, match="0 samples"):
        survey(path)


def test_a_rate_out_of_range_is_refused_with_the_value(tmp_path: Path) -> None:
    path = tmp_path / "slow.wav"
    soundfile.write(path, tone(16_000), 1_000)
    with pytest.raises(AudioError, match="1000 samples a second"):
        survey(path)


def test_a_truncated_file_is_read_as_far_as_it_goes_with_a_warning(tmp_path: Path) -> None:
    path = tmp_path / "torn.wav"
    soundfile.write(path, tone(16_000, length_s=2.0), 16_000, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[: 44 + 16_000])  # a quarter of the 64 000 bytes of sound
    sound = survey(path)
    assert sound.length_s == pytest.approx(0.5)
    (warning,) = sound.warnings
    assert "2.00 s" in warning
    assert "0.50 s" in warning


def test_a_header_that_promises_nothing_definite_is_not_called_torn(tmp_path: Path) -> None:
    """Recorders that write to a pipe leave the length at 0 or at its largest value."""
    path = tmp_path / "piped.wav"
    soundfile.write(path, tone(16_000), 16_000, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[40:44] = struct.pack("<I", 0xFFFFFFFF)
    content[4:8] = struct.pack("<I", 0xFFFFFFFF)
    path.write_bytes(bytes(content))
    sound = survey(path)
    assert sound.length_s == pytest.approx(0.5)
    assert sound.warnings == ()


def test_a_silent_file_is_told_with_its_level(tmp_path: Path) -> None:
    path = tmp_path / "mute.wav"
    soundfile.write(path, np.zeros(16_000), 16_000)
    (warning,) = survey(path).warnings
    assert "mute.wav is silent" in warning
    assert "-100 dB" in warning


@pytest.mark.parametrize(("peak", "clipped"), [(0.9, False), (4.0, True)])
def test_a_clipped_file_is_told_with_its_share(tmp_path: Path, peak: float, clipped: bool) -> None:
    path = tmp_path / "loud.wav"
    soundfile.write(path, np.clip(tone(16_000, peak=peak), -1, 1), 16_000, subtype="PCM_16")
    warnings = survey(path).warnings
    assert [("is clipped" in w) for w in warnings] == ([True] if clipped else [])


def test_a_single_knock_at_full_scale_is_not_called_clipped(tmp_path: Path) -> None:
    samples = tone(16_000)
    samples[4000:4004] = 1.0
    path = tmp_path / "knock.wav"
    soundfile.write(path, samples, 16_000)
    assert survey(path).warnings == ()


def test_samples_that_are_no_numbers_do_no_harm(tmp_path: Path) -> None:
    samples = tone(16_000)
    samples[100:200] = np.nan
    samples[200] = np.inf
    samples[300:400] = 3e38  # found by fuzzing: the sum overflowed
    path = tmp_path / "nan.wav"
    soundfile.write(path, samples, 16_000, subtype="FLOAT")
    sound = survey(path)
    assert np.all(np.isfinite(sound.samples()))
    assert np.max(np.abs(sound.samples())) <= 1.0


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000])
def test_a_file_read_in_blocks_is_resampled_as_if_read_whole(tmp_path: Path, rate_hz: int) -> None:
    """Reference: python-soxr's own resampling of the whole sound at once."""
    noise = np.random.default_rng(7).uniform(-0.5, 0.5, round(3.37 * rate_hz)).astype(np.float32)
    path = tmp_path / "noise.wav"
    soundfile.write(path, noise, rate_hz, subtype="FLOAT")
    whole = soxr.resample(noise, rate_hz, SAMPLE_RATE_HZ)
    assert np.max(np.abs(survey(path).samples() - whole)) < 1e-5


def test_a_long_file_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    soundfile.write(path, np.zeros((48_000 * 60, 2), np.int16), 48_000)
    tracemalloc.start()
    try:
        count = sum(1 for _ in WavFile(path).frames())
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert count == 6_000
    assert peak_bytes < 5e6  # the samples alone are 23 MB as float32


def test_progress_is_told_every_minute_of_sound(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    soundfile.write(path, np.zeros(4_000 * 130, np.int16), 4_000)
    told: list[float] = []
    source = WavFile(path, told=told.append)
    assert sum(1 for _ in source.frames()) == 13_000
    assert [round(seconds / 60) for seconds in told] == [1, 2]
    assert any("4000 samples a second" in warning for warning in source.sound.warnings)
