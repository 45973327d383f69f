"""Natural voices of the recipe: who speaks, how, and what a leg of training draws."""

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.recipe.leg import DRAWN, drawn_weights, source_of, trusted
from models.recipe.natural import (
    DEV_STYLES,
    EXAM_STYLES,
    HESITATIONS,
    LONGEST_TOKENS,
    as_people,
    draw_voice,
    read_styles,
    style_of,
)

TEXT = "cylinder three second ring fifteen goes sixteen snug"


@pytest.fixture
def styles(tmp_path: Path) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(1)
    for name in ("af_kind", "bm_low", *DEV_STYLES, *EXAM_STYLES):
        rng.standard_normal((510, 1, 256)).astype("<f4").tofile(tmp_path / f"{name}.bin")
    return read_styles(tmp_path)


def test_voices_of_the_exam_are_never_read(styles: dict[str, np.ndarray]) -> None:
    assert set(styles) == {"af_kind", "bm_low", *DEV_STYLES}
    assert not set(DEV_STYLES) & set(EXAM_STYLES)


@given(seed=st.integers(min_value=0, max_value=10_000))
def test_a_voice_is_a_mixture_whose_shares_are_one(seed: int) -> None:
    voice = draw_voice(random.Random(seed), ["a", "b", "c", "d"])
    for half in (voice["timbre"], voice["melody"]):
        assert sum(share for _, share in half) == pytest.approx(1.0, abs=0.01)
        assert len({name for name, _ in half}) == len(half)


def test_an_undisturbed_voice_of_one_style_is_that_style(styles: dict[str, np.ndarray]) -> None:
    voice = {"timbre": [["af_kind", 1.0]], "melody": [["bm_low", 1.0]], "disturbed": 0.0, "seed": 1}
    made = style_of(voice, 12, styles)
    assert np.allclose(made[:128], styles["af_kind"][11, :128])
    assert np.allclose(made[128:], styles["bm_low"][11, 128:])
    assert np.allclose(
        style_of(voice, 9999, styles)[:128], styles["af_kind"][LONGEST_TOKENS - 1, :128]
    )


@given(seed=st.integers(min_value=0, max_value=10_000))
def test_people_pause_and_hesitate_but_say_what_is_written(seed: int) -> None:
    words, given_ = as_people(TEXT, random.Random(seed))
    assert [w for w in words if w not in HESITATIONS and w in TEXT.split()] == [
        w for w in words if w not in HESITATIONS
    ]
    assert set(TEXT.split()) <= set(words)
    assert given_.translate(str.maketrans("", "", ",.;!?")).split() == words


def test_without_hesitation_every_word_stands_once() -> None:
    for seed in range(200):
        assert as_people(TEXT, random.Random(seed), hesitate=False)[0] == TEXT.split()


def test_clips_are_drawn_by_length_and_source_and_the_worst_of_each_are_left_out() -> None:
    speakers = np.array(["kokoro-af_kind"] * 50 + ["espeak-m3"] * 50)
    weights = drawn_weights(speakers, np.full(100, 1600))
    assert weights[0] == 10 * DRAWN["kokoro"]
    assert weights[-1] == 10 * DRAWN["espeak"]
    scores = np.concatenate([np.arange(50.0), np.arange(50.0) - 100])
    good = trusted(speakers, scores)
    assert (int((~good[:50]).sum()), int((~good[50:]).sum())) == (2, 3)
    with pytest.raises(ValueError, match="belongs to no source"):
        source_of("somebody")
