"""How far words are towards a call: by the grammar alone, and by what is plausible at the bench."""

from dataclasses import replace

import pytest

from assistant.bench.standing import CallStanding
from assistant.bench.wording import Wording
from assistant.ear.ports import Standing
from assistant.ear.utterance import Heard, Hypothesis
from assistant.language.grammar import Grammar
from tests.fakes import Bench, small_job


@pytest.fixture
def bench(grammar: Grammar, wording: Wording) -> Bench:
    return Bench(small_job(), grammar, wording)


def stands(bench: Bench, words: str, heard: Heard | None = None) -> Standing:
    return bench.dialogue.standings.standing(tuple(words.split()), heard)


@pytest.mark.parametrize(
    ("words", "standing"),
    [
        ("", Standing.OPEN),
        ("goes fifteen", Standing.NONE),
        ("good morning", Standing.NONE),
        ("fifteen", Standing.OPEN),
        ("ten plus", Standing.OPEN),
        ("ground a", Standing.OPEN),
        ("what now", Standing.WHOLE),
        ("ground two and a half", Standing.WHOLE),  # only its unit can follow
        ("fifteen goes", Standing.MAY_GO_ON),
        ("ground two", Standing.DOUBTFUL),  # and a half?
        ("cylinder two", Standing.DOUBTFUL),  # second ring? five goes?
        ("cylinder two second ring", Standing.DOUBTFUL),
        ("next", Standing.MAY_GO_ON),  # ring
        ("ground half", Standing.DOUBTFUL),  # a thou
    ],
)
def test_how_far_words_are_by_the_grammar_alone(
    grammar: Grammar, words: str, standing: Standing
) -> None:
    said = tuple(words.split())
    assert CallStanding(grammar).standing(said) is standing
    sure = Heard((Hypothesis(said, 0.9),), 0.9, sure_from=0.8)
    unsure = replace(sure, score=0.7)
    assert CallStanding(grammar).standing(said, sure) is standing
    known = standing not in (Standing.NONE, Standing.OPEN)
    assert CallStanding(grammar).standing(said, unsure) is (
        Standing.DOUBTFUL if known else standing
    )


def test_the_cut_that_was_advised_is_not_waited_for(bench: Bench) -> None:
    bench.through("top ring", "ten goes eleven snug")
    assert "Grind" in bench.speaker.said[-1]
    feed = bench.speaker.said[-1].rstrip(".").split("Grind ")[1].removesuffix(" thou")
    assert feed in ("two", "three", "four", "five", "six")  # a half may follow
    assert stands(bench, f"ground {feed}") is Standing.WHOLE
    assert stands(bench, f"took {feed}") is Standing.WHOLE
    assert stands(bench, "ground one") is Standing.DOUBTFUL
    assert stands(bench, "ground") is Standing.OPEN


@pytest.mark.parametrize(
    ("words", "standing"),
    [
        ("fifteen snug", Standing.WHOLE),
        ("fifteen goes sixteen snug", Standing.WHOLE),
        ("fifteen goes sixteen no go", Standing.WHOLE),
        ("sixteen almost fifteen drops through", Standing.WHOLE),
        ("fifteen goes", Standing.MAY_GO_ON),
        ("sixteen almost", Standing.MAY_GO_ON),
        ("sixteen snug fifteen goes", Standing.MAY_GO_ON),
        ("sixteen no go fifteen almost", Standing.MAY_GO_ON),
        ("butts", Standing.WHOLE),  # nothing can follow
        ("cylinder one", Standing.DOUBTFUL),
    ],
)
def test_leaves_on_both_sides_of_the_gap_or_a_snug_one_tell_enough(
    bench: Bench, words: str, standing: Standing
) -> None:
    assert stands(bench, words) is standing


def test_what_would_be_taken_is_trusted_by_all_that_is_known_here(bench: Bench) -> None:
    bench.through("top ring", "fourteen goes")
    ways = (Hypothesis(("fifteen", "snug"), 0.6), Hypothesis(("fifty", "snug"), 0.4))
    rivals = Heard(ways, 0.4, sure_from=0.8, unrivalled=0.95)
    assert stands(bench, "fifteen snug", rivals) is Standing.WHOLE  # no leaf of fifty there
    unsure = replace(rivals, unrivalled=0.7)
    assert stands(bench, "fifteen snug", unsure) is Standing.DOUBTFUL  # it would be asked
    begun = Heard((Hypothesis(("fifteen",), 1.0),), 1.0)
    assert stands(bench, "fifteen", begun) is Standing.OPEN
