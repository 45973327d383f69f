"""The sample clips: lists, manifest and sound agree, before any recogniser hears them."""

import csv
import importlib.util
import sys
from types import ModuleType

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from assistant.adapters.data_files import grammar_texts, shipped
from assistant.grammar import Grammar
from assistant.units import Unit

SAMPLES = shipped("sample_audio")
with (SAMPLES / "manifest.csv").open(encoding="utf-8", newline="") as _file:
    ROWS = list(csv.DictReader(_file))


GRAMMARS = [Grammar(grammar_texts(shipped("grammar")), unit=unit) for unit in Unit]


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_samples", SAMPLES / "make_samples.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_samples"] = module
    spec.loader.exec_module(module)
    return module


def sound_of(row: dict[str, str]) -> NDArray[np.float64]:
    samples, rate_hz = soundfile.read(str(SAMPLES / row["file"]), always_2d=True)
    assert (rate_hz, samples.shape[1]) == (16_000, 1)
    return np.asarray(samples[:, 0])


def level_db(sound: NDArray[np.float64]) -> float:
    return float(10 * np.log10(np.mean(sound**2) + 1e-12))


def test_clips_lists_and_manifest_agree(maker: ModuleType) -> None:
    voices = maker.read_voices()
    assert maker.check(maker.read_clips(voices), voices) == []


def test_what_the_lists_promise_is_there() -> None:
    calls = [row for row in ROWS if row["file"].startswith("calls/")]
    clean = [row for row in calls if row["noise"] == "none"]
    assert len(clean) >= 60
    assert len({row["speaker"] for row in clean}) >= 6
    assert len([row for row in ROWS if row["in_grammar"] == "no"]) >= 20
    assert len([row for row in ROWS if row["in_grammar"] == "noise"]) >= 6
    assert len([row for row in ROWS if row["file"].startswith("demo/")]) >= 25


def test_every_clip_has_a_licence_and_a_source_and_no_held_out_voice() -> None:
    for row in ROWS:
        assert row["licence"]
        assert row["source"]
        assert not {"piper", "rms"} & set(row["source"].lower().split())


@pytest.mark.parametrize("row", [r for r in ROWS if r["said"]], ids=lambda r: r["file"])
def test_the_words_are_in_the_grammar_exactly_if_the_list_says_so(row: dict[str, str]) -> None:
    words = row["said"].split()
    parsed = [grammar.parse(words) is not None for grammar in GRAMMARS]
    assert parsed == [row["in_grammar"] == "yes"] * len(parsed)


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["file"])
def test_a_clip_has_room_sound_around_speech_and_no_clipping(row: dict[str, str]) -> None:
    sound = sound_of(row)
    assert 0.8 < len(sound) / 16_000 < 7
    assert np.abs(sound).max() < 0.995
    if row["noise"] not in ("none", "quiet"):
        return
    # The loudest and quietest tenth of a second of the 0.3 s before and after.
    edges = np.concatenate([sound[:4000], sound[-4000:]]).reshape(-1, 1600)
    levels = [level_db(part) for part in edges]
    assert min(levels) > -75, "digital silence"
    assert max(levels) < -55, "no room before or after the words"
    assert row["noise"] == "quiet" or level_db(sound) > -40, "no speech"


def test_noise_is_mixed_at_the_level_that_the_list_says(maker: ModuleType) -> None:
    voices = maker.read_voices()
    said = {"file": "x.wav", "said": "fifteen goes sixteen snug", "in_grammar": "yes"}
    clean = maker.make(maker.Clip(**said, voice="esp-us", noise="none", snr_db=""), voices) / 32767
    # Active level by a plain rule of our own: frames within 30 dB of the loudest.
    frames = clean[: len(clean) // 400 * 400].reshape(-1, 400)
    power = np.mean(frames**2, 1)
    speech_db = 10 * np.log10(power[power > power.max() / 1000].mean())
    assert speech_db == pytest.approx(-26, abs=1.0)
    for noise in ("pink", "hum", "grinder"):
        for snr_db in ("5", "20"):
            clip = maker.Clip(**said, voice="esp-us", noise=noise, snr_db=snr_db)
            only_noise = maker.make(clip, voices) / 32767 - clean
            assert speech_db - level_db(only_noise) == pytest.approx(float(snr_db), abs=1.0)


def test_a_clip_is_made_alike_each_time(maker: ModuleType) -> None:
    voices = maker.read_voices()
    for clip in (
        maker.Clip("a.wav", "ends are square", "yes", "esp-us-f3", "grinder", "10"),
        maker.Clip("b.wav", "", "noise", "", "impacts", ""),
    ):
        assert np.array_equal(maker.make(clip, voices), maker.make(clip, voices))


def test_pink_noise_falls_by_three_decibels_an_octave(maker: ModuleType) -> None:
    # Definition of pink noise: equal power in each octave.
    spectrum = np.abs(np.fft.rfft(maker.pink(160_000, np.random.default_rng(1)))) ** 2
    hertz = np.fft.rfftfreq(160_000, 1 / 16_000)
    octaves = [
        spectrum[(hertz >= low) & (hertz < 2 * low)].sum() for low in (125, 250, 500, 1000, 2000)
    ]
    assert 10 * np.log10(max(octaves) / min(octaves)) < 1.0
