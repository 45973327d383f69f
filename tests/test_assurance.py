"""The chance that a call was understood: its facts, its numbers, and what is refused."""

import json
import math

import numpy as np
import pytest

from assistant.adapters.data_files import shipped
from assistant.adapters.own_model import assurance_data
from assistant.assurance import (
    FACTS,
    Odds,
    Weights,
    assured,
    contrast_db,
    facts_of,
    meaning_in,
    weights_from,
)
from assistant.errors import RecognizerError
from assistant.grammar import Grammar
from assistant.utterance import Evidence, Heard, Hypothesis, Utterance

NOTHING = dict.fromkeys(FACTS, 0.0)
EVEN, SURELY = Odds(0.0, NOTHING), Odds(60.0, NOTHING)
ZERO = {"start": 0.0, "of": NOTHING}


def utterance(*, seconds: float = 1.0, speech: float = 0.9) -> Utterance:
    samples = np.zeros(16_000, np.float32)
    samples[4000:12_000] = 0.1
    return Utterance(1.0, 1.0 + seconds, 1.0 + seconds + 0.25, speech, samples)


def heard(*shares: tuple[str, float], margin: float | None = 0.0) -> Heard:
    ways = tuple(Hypothesis(tuple(text.split()), share) for text, share in shares)
    return Heard(ways, 0.7, evidence=None if margin is None else Evidence(margin))


def test_without_evidence_the_recognisers_own_score_stands(grammar: Grammar) -> None:
    weights = Weights(Odds(-5.0, NOTHING), EVEN)
    call = heard(("fifteen goes", 1.0), margin=None)
    assert assured(utterance(), call, weights, meaning_in(grammar)) == call
    assert assured(utterance(), heard(), weights, meaning_in(grammar)).score == 0.7


def test_the_score_is_the_chance_that_it_was_meant_times_that_it_is_right(grammar: Grammar) -> None:
    call = heard(("fifteen goes", 1.0), margin=-0.2)
    weights = Weights(Odds(1.0, {**NOTHING, "margin": 10.0, "words": 2.0}), EVEN)
    got = assured(utterance(), call, weights, meaning_in(grammar)).score
    meant = 1 / (1 + math.exp(-(1.0 - 2.0 + 2.0 * math.log(2))))
    assert got == pytest.approx(0.5 * meant)


@pytest.mark.parametrize(
    ("shares", "lead", "rest", "number"),
    [
        ((("fifteen goes", 1.0),), 1.0, 0.0, 0.0),
        ((("fifteen goes", 0.6), ("fifty goes", 0.4)), math.log(1.5) / 4, 0.4, 1.0),
        ((("fifteen goes", 0.6), ("fifteen snug", 0.4)), math.log(1.5) / 4, 0.4, 1.0),
        ((("fifteen goes", 0.6), ("what now", 0.4)), math.log(1.5) / 4, 0.4, 0.0),
        ((("fifteen goes", 0.6), ("fifteen goes easily", 0.4)), 1.0, 0.0, 0.0),
        ((("fifteen goes", 0.6), ("fifteen", 0.4)), math.log(1.5) / 4, 0.4, 0.0),
    ],
)
def test_only_rivals_that_mean_something_else_count(
    grammar: Grammar, shares: tuple[tuple[str, float], ...], lead: float, rest: float,
    number: float,
) -> None:  # fmt: skip
    facts = facts_of(utterance(), heard(*shares), meaning_in(grammar))
    assert set(facts) == set(FACTS)
    assert (facts["lead"], facts["rest"]) == pytest.approx((lead, rest))
    assert facts["number"] == number


def test_what_it_would_be_without_a_rival_is_told_beside_the_score(grammar: Grammar) -> None:
    weights = Weights(SURELY, Odds(0.0, {**NOTHING, "lead": 4.0}))
    close = heard(("fifteen goes", 0.6), ("fifty goes", 0.4))
    got = assured(utterance(), close, weights, meaning_in(grammar))
    assert got.score == pytest.approx(1 / (1 + math.exp(-math.log(1.5))))
    assert got.unrivalled == pytest.approx(1 / (1 + math.exp(-4.0)))
    alone = assured(utterance(), heard(("fifteen goes", 1.0)), weights, meaning_in(grammar))
    assert alone.score == alone.unrivalled


def test_pace_words_and_speech_are_of_the_utterance(grammar: Grammar) -> None:
    call = heard(("fifteen goes sixteen snug", 1.0))
    facts = facts_of(utterance(seconds=2.0, speech=0.8), call, meaning_in(grammar))
    assert facts["pace"] == pytest.approx(math.log(2.0))
    assert facts["words"] == pytest.approx(math.log(4))
    assert facts["speech"] == 0.8


@pytest.mark.parametrize(("loud", "expected_db"), [(0.1, 40.0), (0.001, 0.0)])
def test_contrast_is_loud_over_quiet(loud: float, expected_db: float) -> None:
    samples = np.full(16_000, 0.001, np.float32)
    samples[:8000] = loud
    assert contrast_db(samples) == pytest.approx(expected_db, abs=0.1)
    assert contrast_db(samples[:100]) == 0.0, "shorter than a frame"


@pytest.mark.parametrize(
    "data",
    [
        None, [], ZERO, {"meant": ZERO}, {"meant": ZERO, "right": {"start": 1.0}},
        {"meant": {"start": "1", "of": NOTHING}, "right": ZERO},
        {"meant": ZERO, "right": {"start": 1.0, "of": {}}},
        {"meant": ZERO, "right": {"start": 1.0, "of": {**NOTHING, "mood": 1.0}}},
        {"meant": {"start": 1.0, "of": {**NOTHING, "words": "many"}}, "right": ZERO},
    ],
)  # fmt: skip
def test_damaged_numbers_are_refused(data: object) -> None:
    with pytest.raises(RecognizerError, match=r"[Ii]nstall Leafcall\s+again"):
        weights_from(data)


def test_the_shipped_numbers_are_whole_and_a_better_margin_never_lowers_the_chance() -> None:
    weights = weights_from(assurance_data(shipped("models") / "leafcall-en"))
    usual = {**NOTHING, "lead": 1.0, "pace": 1.0, "words": 1.4, "speech": 0.9, "contrast": 3.0}
    chances = [weights.probability({**usual, "margin": m}) for m in (-0.3, -0.1, 0.0, 0.06)]
    assert chances == sorted(chances)
    assert chances[0] < 0.2 < 0.8 < chances[-1]
    close = weights.probability({**usual, "margin": 0.03, "lead": 0.05, "rest": 0.45})
    assert close < weights.probability({**usual, "margin": 0.03})


def test_a_model_without_numbers_has_none_and_a_broken_file_is_named(tmp_path) -> None:  # type: ignore[no-untyped-def]
    assert assurance_data(tmp_path) is None
    (tmp_path / "assurance.json").write_text("{")
    with pytest.raises(RecognizerError, match=r"assurance\.json cannot be read"):
        assurance_data(tmp_path)
    (tmp_path / "assurance.json").write_text(json.dumps({"meant": ZERO, "right": ZERO}))
    assert weights_from(assurance_data(tmp_path)).probability(NOTHING) == 0.25
