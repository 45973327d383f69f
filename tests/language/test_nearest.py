"""The nearest call to what is none: never with another number than was typed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.build.words import load_grammar
from assistant.language.nearest import nearest
from assistant.language.written import words_typed

GRAMMAR = load_grammar()
NUMERALS = GRAMMAR.numbers.words if GRAMMAR.numbers is not None else frozenset()


@pytest.mark.parametrize(
    ("line", "call"),
    [
        ("acept it", "accept it"),
        ("what no", "what now"),
        ("ring square", "ring is square"),
        ("15 goez", "fifteen goes"),
        ("fiften goes", "fifteen goes"),
        ("grind 2", "ground two"),
        ("ground 2 please", "ground two"),
        ("cylinder 2 secnd ring", "cylinder two second ring"),
        ("wrapp up", "wrap up"),
    ],
)
def test_a_slip_has_its_call(line: str, call: str) -> None:
    found = nearest(words_typed(line, GRAMMAR), GRAMMAR)
    assert found is not None
    assert " ".join(found) == call


@pytest.mark.parametrize("line", ["foo bar", "help me", "75 goes", "thou", "", "good morning all"])
def test_what_is_far_from_all_has_none(line: str) -> None:
    assert nearest(words_typed(line, GRAMMAR), GRAMMAR) is None


def test_a_sentence_is_its_own_nearest() -> None:
    assert nearest(("what", "now"), GRAMMAR) == ("what", "now")


@given(
    st.lists(
        st.one_of(st.sampled_from(GRAMMAR.vocabulary), st.text("abcdefg", min_size=1, max_size=6)),
        max_size=8,
    )
)
def test_it_is_a_sentence_with_just_the_numbers_that_were_typed(words: list[str]) -> None:
    found = nearest(words, GRAMMAR)
    if found is None:
        return
    assert GRAMMAR.parse(found) is not None
    typed = [word for word in words if word in NUMERALS]
    told = iter(word for word in found if word in NUMERALS)
    assert all(word in told for word in typed)  # the same ones, in order; slips may add theirs


def test_a_long_line_is_not_searched() -> None:
    assert nearest(["goes"] * 1000, GRAMMAR) is None
