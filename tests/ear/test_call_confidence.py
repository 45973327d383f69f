"""The chance that a call was understood: its facts, its numbers, and what is refused."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import norm

from assistant.adapters.files.data_files import shipped
from assistant.adapters.recognisers.own_model import assurance_data
from assistant.ear.call_confidence import (
    FACTS,
    SURE,
    Judge,
    Odds,
    Weights,
    facts_of,
    weights_from,
)
from assistant.ear.utterance import Evidence, Heard, Hypothesis, Utterance
from assistant.errors import RecognizerError
from assistant.language.grammar import Grammar

NOTHING = dict.fromkeys(FACTS, 0.0)
EVEN, SURELY = Odds(0.0, NOTHING), Odds(60.0, NOTHING)
ZERO = {"start": 0.0, "of": NOTHING}


def utterance(*, seconds: float = 1.0, speech: float = 0.9, level_db: float = -20.0) -> Utterance:
    samples = np.zeros(16_000, np.float32)
    samples[4000:12_000] = 10 ** (level_db / 20)
    return Utterance(1.0, 1.0 + seconds, 1.0 + seconds + 0.25, speech, samples)


def heard(*shares: tuple[str, float], margin: float | None = 0.0) -> Heard:
    ways = tuple(Hypothesis(tuple(text.split()), share) for text, share in shares)
    return Heard(ways, 0.7, evidence=None if margin is None else Evidence(margin))


def test_without_evidence_the_recognisers_own_score_stands(grammar: Grammar) -> None:
    weights = Weights(Odds(-5.0, NOTHING), EVEN)
    call = heard(("fifteen goes", 1.0), margin=None)
    assert Judge(weights, grammar.meaning).score(utterance(), call) == call
    assert Judge(weights, grammar.meaning).score(utterance(), heard()).score == 0.7


def test_the_score_is_the_chance_that_it_was_meant_times_that_it_is_right(grammar: Grammar) -> None:
    call = heard(("fifteen goes", 1.0), margin=-0.2)
    weights = Weights(Odds(1.0, {**NOTHING, "margin": 10.0, "words": 2.0}), EVEN)
    got = Judge(weights, grammar.meaning).score(utterance(), call).score
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
    facts = facts_of(utterance(), heard(*shares), grammar.meaning)
    assert set(facts) == set(FACTS)
    assert (facts["lead"], facts["rest"]) == pytest.approx((lead, rest))
    assert facts["number"] == number


def test_what_it_would_be_without_a_rival_is_told_beside_the_score(grammar: Grammar) -> None:
    weights = Weights(SURELY, Odds(0.0, {**NOTHING, "lead": 4.0}))
    close = heard(("fifteen goes", 0.6), ("fifty goes", 0.4))
    got = Judge(weights, grammar.meaning).score(utterance(), close)
    assert got.score == pytest.approx(1 / (1 + math.exp(-math.log(1.5))))
    assert got.unrivalled == pytest.approx(1 / (1 + math.exp(-4.0)))
    alone = Judge(weights, grammar.meaning).score(utterance(), heard(("fifteen goes", 1.0)))
    assert alone.score == alone.unrivalled


def test_pace_words_and_speech_are_of_the_utterance(grammar: Grammar) -> None:
    call = heard(("fifteen goes sixteen snug", 1.0))
    facts = facts_of(utterance(seconds=2.0, speech=0.8), call, grammar.meaning)
    assert facts["pace"] == pytest.approx(math.log(2.0))
    assert facts["words"] == pytest.approx(math.log(4))
    assert facts["speech"] == 0.8


def score_of(judge: Judge, level_db: float) -> float:
    return judge.score(utterance(level_db=level_db), heard(("what now", 1.0))).score


def test_what_is_far_fainter_than_the_calls_before_is_hardly_a_call(grammar: Grammar) -> None:
    judge = Judge(Weights(Odds(4.0, NOTHING), SURELY), grammar.meaning)
    assert score_of(judge, -50.0) == score_of(judge, -20.0), "no level is known yet"
    for level_db in (-22.0, -20.0, -19.0):
        assert judge.usual_db is None
        judge.learn(utterance(level_db=level_db), heard(("what now", 1.0)))
    assert judge.usual_db == pytest.approx(-20.0, abs=0.01)
    by_level = [score_of(judge, level_db) for level_db in (-10.0, -20.0, -26.0, -32.0, -44.0)]
    # A normal likelihood of 6 dB against a flat one, on odds of 4: scipy's density as the outside
    # reference.
    odds = [4.0 + norm.logpdf(far, 0, 6) - norm.logpdf(0, 0, 6) for far in (0, 0, 6, 12, 24)]
    assert by_level == pytest.approx(list(expit(odds)), abs=1e-3)
    assert by_level[2] > 0.95 > 0.8 > 0.5 > by_level[4]


def test_one_who_moves_away_is_heard_again_after_some_calls(grammar: Grammar) -> None:
    judge = Judge(Weights(Odds(4.0, NOTHING), SURELY), grammar.meaning)
    for _ in range(20):
        judge.learn(utterance(level_db=-20.0), heard(("what now", 1.0)))
    tries = 0
    while score_of(judge, -40.0) < 0.8:
        judge.learn(utterance(level_db=-40.0), heard(("what now", 1.0)))
        tries += 1
    assert tries == 5


@pytest.mark.parametrize(
    ("pause_s", "talked", "taken"), [(0.3, True, False), (2.5, True, True), (0.3, False, True)]
)
def test_what_follows_talk_without_a_breath_must_be_clearer(
    grammar: Grammar, pause_s: float, talked: bool, taken: bool
) -> None:
    judge = Judge(Weights(Odds(3.0, NOTHING), SURELY), grammar.meaning)
    before = heard(("what now", 1.0))
    judge.learn(utterance(), replace(before, score=0.1 if talked else 0.9))
    ended_s = utterance().end_s
    later = replace(utterance(), start_s=ended_s + pause_s, end_s=ended_s + pause_s + 1.0)
    got = judge.score(later, before).score
    assert got == pytest.approx(expit(3.0 if taken else 1.0))
    assert (got >= SURE) == taken


def test_what_is_not_surely_a_call_tells_nothing_of_the_level(grammar: Grammar) -> None:
    judge = Judge(Weights(Odds(4.0, NOTHING), Odds(0.0, NOTHING)), grammar.meaning)
    for _ in range(9):
        judge.learn(utterance(), heard(("what now", 1.0)))
        judge.learn(utterance(), heard(("what now", 1.0), margin=None))
    assert judge.usual_db is None


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
