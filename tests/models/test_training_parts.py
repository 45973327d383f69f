"""Parts of training that can be checked against plain references; they need the extra ``train``."""

import pickle
from itertools import product
from pathlib import Path

import numpy as np
import pytest

jax = pytest.importorskip("jax", reason="the extra 'train' is not installed")


def test_features_are_those_of_kaldi() -> None:
    knf = pytest.importorskip("kaldi_native_fbank", reason="the extra 'train' is not installed")
    from models.recipe.features import mfcc

    rng = np.random.default_rng(0)
    sound = (rng.standard_normal(16_000) * 1000).astype(np.float32)
    options = knf.MfccOptions()
    options.frame_opts.dither = 0
    options.frame_opts.samp_freq = 16_000
    options.mel_opts.num_bins = 40
    options.mel_opts.low_freq, options.mel_opts.high_freq = 20, 7600
    options.num_ceps, options.use_energy = 40, False
    theirs = knf.OnlineMfcc(options)
    theirs.accept_waveform(16_000, sound.tolist())
    theirs.input_finished()
    expected = np.stack([theirs.get_frame(i) for i in range(theirs.num_frames_ready)])
    assert np.abs(np.asarray(mfcc(sound[None]))[0] - expected).max() < 2e-3


def test_denominator_sums_over_all_unit_sequences() -> None:
    from models.recipe import objective

    rng = np.random.default_rng(1)
    units = objective.N_UNITS
    scores = np.full((1, 3, 2 * units), -50.0, np.float32)
    scores[0, :, :6] = rng.standard_normal((3, 6))  # only units 0..2 matter
    trigram = rng.uniform(0.1, 1.0, (units,) * 3).astype(np.float32)
    trigram /= trigram.sum(-1, keepdims=True)
    total = 0.0
    # A path is in the unit q after p; at each step it stays there or goes on to a new unit r, each
    # with one half. Before the first step every pair is as likely.
    for p, q in product(range(units), repeat=2):
        paths = [((p, q), 1.0 / units**2)]
        for t in range(3):
            fresh = []
            for (a, b), chance in paths:
                fresh.append(((a, b), 0.5 * chance * np.exp(scores[0, t, 2 * b + 1])))
                for r in range(3):
                    weight = 0.5 * trigram[a, b, r] * np.exp(scores[0, t, 2 * r])
                    fresh.append(((b, r), chance * weight))
            paths = fresh
        total += sum(chance for _, chance in paths)
    got = float(objective.denominator(scores, trigram)[0])
    assert got == pytest.approx(np.log(total), abs=1e-3)


def test_numerator_of_one_segment_is_its_only_path() -> None:
    from models.recipe import objective

    scores = np.random.default_rng(2).standard_normal((1, 4, 80)).astype(np.float32)
    trigram = np.full((40,) * 3, 1 / 40, np.float32)
    units, begins, ends = (np.array([[v]]) for v in (7, 0, 3))
    got = float(objective.numerator(scores, units, begins, ends, trigram)[0])
    first = np.logaddexp(scores[0, 0, 14], scores[0, 0, 15])  # the window may begin inside a unit
    expected = first + scores[0, 1:, 15].sum() + 3 * np.log(0.5)
    assert got == pytest.approx(expected, abs=1e-4)


def test_realignment_finds_the_planted_sounds() -> None:
    from models.recipe.pack import BOUNDARY
    from models.recipe.realign import best_paths, states_of

    truth = [0] * 10 + [5] * 6 + [7] * 4 + [9] * 9 + [0] * 5
    scores = np.random.default_rng(0).standard_normal((1, 40, 40)) * 0.3 - 4.0
    for t, unit in enumerate(truth):
        scores[0, t, unit] = 0.0
    unit, stay, skip = states_of(np.array([5, 7, BOUNDARY, 9], np.uint8))
    wide = [np.array([row + [0] * (64 - len(row))]) for row in (unit, stay, skip)]
    path, mean = best_paths(scores, np.array([len(truth)]), wide[0], wide[1] > 0, wide[2] > 0,
                            np.array([len(unit)]))  # fmt: skip
    assert [unit[s] for s in np.asarray(path)[0, : len(truth)]] == truth
    assert float(mean[0]) == pytest.approx(0.0)


def _weights(shape: object, value: float) -> dict[str, object]:
    return {
        "shape": shape,
        "params": {"layers": [{"weight": np.full((2, 3), value, np.float16)}]},
        "stats": {"layers": [{"mean": np.full(3, value, np.float32)}]},
        "trigram": np.full(3, value),
    }


def test_the_mean_of_two_weights_lies_half_way(tmp_path: Path) -> None:
    from models.recipe.train import average

    for name, value in (("a", 1.0), ("b", 2.0)):
        (tmp_path / name).write_bytes(pickle.dumps(_weights((3, (1,)), value)))
    average([tmp_path / "a", tmp_path / "b"], tmp_path / "mean")
    mixed = pickle.loads((tmp_path / "mean").read_bytes())
    assert np.all(mixed["params"]["layers"][0]["weight"] == 1.5)
    assert np.all(mixed["stats"]["layers"][0]["mean"] == 1.5)
    assert np.all(mixed["trigram"] == 2.0)  # of the last part
    (tmp_path / "c").write_bytes(pickle.dumps(_weights((4, (1,)), 1.0)))
    with pytest.raises(ValueError, match="different shapes"):
        average([tmp_path / "a", tmp_path / "c"], tmp_path / "mean")


def test_made_noises_are_reproducible_loud_and_unlike_each_other() -> None:
    from models.recipe.noises import KINDS, made_noises

    pieces = made_noises(8.0, seed=1, piece_s=1.0)
    assert len(pieces) == len(KINDS)
    assert all(p.dtype == np.int16 and len(p) == 16_000 for p in pieces)
    assert all(np.array_equal(a, b) for a, b in zip(pieces, made_noises(8.0, seed=1, piece_s=1.0),
                                                    strict=True))  # fmt: skip
    assert all(29_000 < np.abs(p.astype(int)).max() <= 30_000 for p in pieces)
    alike = np.corrcoef(np.stack(pieces).astype(float)) - np.eye(len(pieces))
    assert np.abs(alike).max() < 0.3


def test_joined_packs_keep_each_clip_with_its_labels(tmp_path: Path) -> None:
    from models.recipe.pack import Source, join_packs, read_pack, write_pack
    from models.recipe.store import Clip

    rng = np.random.default_rng(0)
    sounds = [rng.integers(-9000, 9000, 8000 + 160 * n).astype(np.int16) for n in range(2)]
    for number, (word, units) in enumerate((("no", ["N", "OW"]), ("go", ["G", "OW"]))):
        clip = Clip("s", 0, len(sounds[number]), f"voice {number}", "words", (word,))
        known = [("SIL", 10), (units[0], 5), (units[1], 20)]
        write_pack(tmp_path / str(number), [Source(clip, sounds[number], known)],
                   [np.zeros(16_000, np.int16)])  # fmt: skip
    join_packs(tmp_path / "both", [tmp_path / "0", tmp_path / "1"])
    store, labels = read_pack(tmp_path / "both")
    assert labels["speaker"].tolist() == ["voice 0", "voice 1"]
    for (first, length), sound in zip(store.clips.tolist(), sounds, strict=True):
        assert np.array_equal(store.sound[first : first + length], sound)
    second = store.unit[store.clips[1, 0] // 160 :]
    from models.recipe.align import UNIT_NUMBER

    assert second[:10].tolist() == [0] * 10
    assert second[10] == UNIT_NUMBER["G"]
    assert second[34] == UNIT_NUMBER["OW"]
