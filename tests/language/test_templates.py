"""Templates: read, matched, enumerated; wrong ones refused with the reason."""

import random
from decimal import Decimal

import pytest

from assistant.errors import GrammarError
from assistant.language.automaton import Nfa
from assistant.language.numbers import NumberWords
from assistant.language.templates import (
    NumberRange,
    Slot,
    TemplateReader,
    build,
    match,
    may_be_empty,
    sample,
    sentences,
)
from tests.language.test_numbers import TENS, UNITS

NUMBERS = NumberWords(tuple(UNITS), TENS, half="and a half", half_alone=("half",), point="point")


def reader(
    rules: dict[str, str] | None = None,
    lists: dict[str, NumberRange | dict[str, str]] | None = None,
) -> TemplateReader:
    usual: dict[str, NumberRange | dict[str, str]] = {
        "feel": {"goes [easily]": "goes", "no go": "no go"},
        "leaf": NumberRange(Decimal(14), Decimal(16), Decimal("0.5")),
        "feed": NumberRange(Decimal(14), Decimal(15), Decimal(1), digits=False),
    }
    return TemplateReader(rules or {}, {**usual, **(lists or {})}, NUMBERS)


def enumerated(text: str, **rules: str) -> list[str]:
    return [" ".join(words) for words in sentences(reader(rules).template(text))]


@pytest.mark.parametrize(
    ("template", "expected"),
    [
        ("what now", ["what now"]),
        ("(a | b c) d", ["a d", "b c d"]),
        ("a [b]", ["a b", "a"]),
        ("[[a] b] c", ["a b c", "b c", "c"]),
        ("a|b", ["a", "b"]),
        ("{feel}", ["goes easily", "goes", "no go"]),
        ("{feed}", ["fourteen", "fifteen"]),
        ("don't", ["don't"]),
        ("größer", ["größer"]),
    ],
)
def test_a_template_stands_for_these_sentences(template: str, expected: list[str]) -> None:
    assert enumerated(template) == expected


def test_a_rule_is_put_in_where_it_is_named() -> None:
    assert enumerated("<where> [<where>]", where="(here | there)") == [
        "here here", "here there", "here", "there here", "there there", "there",
    ]  # fmt: skip


def test_a_range_is_said_in_every_way_and_digits_can_be_kept_out() -> None:
    assert enumerated("{leaf}")[:6] == [
        "fourteen",
        "one four",
        "fourteen and a half",
        "fourteen point five",
        "one four point five",
        "fifteen",
    ]


def test_a_slot_keeps_value_name_and_the_words_said() -> None:
    node = reader().template("{leaf} [plus {leaf:plus}] {feel}")
    said = ("fourteen", "plus", "one", "five", "goes", "easily")
    assert list(match(node, said, 0)) == [
        (5, (_leaf(14, "fourteen"), _leaf(15, "one five", name="plus"), _feel("goes"))),
        (6, (_leaf(14, "fourteen"), _leaf(15, "one five", name="plus"), _feel("goes easily"))),
    ]


def _leaf(value: int, said: str, *, name: str = "leaf") -> Slot:
    return Slot(name, Decimal(value), tuple(said.split()))


def _feel(said: str) -> Slot:
    return Slot("feel", "goes", tuple(said.split()))


@pytest.mark.parametrize(
    ("template", "reason"),
    [
        ("(a | b", r"'\(' is not closed by '\)'"),
        ("[a", r"'\[' is not closed by '\]'"),
        ("(a]", r"'\(' is not closed by '\)'"),
        ("a)", r"'\)' has no opening partner"),
        ("<nowhere>", r"there is no rule <nowhere>"),
        ("{nothing}", r"there is no list \{nothing\}"),
        ("<loop>", r"rule <loop> uses itself"),
        ("Shout", "'Shout' is not a plain lower-case word"),
        ("15 goes", "'15' is not a plain lower-case word"),
        ("what, now", "'what,' is not a plain lower-case word"),
        ("a {b", "cannot read '{b'"),
        ("a > b", "cannot read '> b'"),
    ],
)
def test_a_wrong_template_is_refused_with_the_reason(template: str, reason: str) -> None:
    with pytest.raises(GrammarError, match=reason):
        reader({"loop": "a <loop>"}).template(template)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        ({"[goes]": "goes"}, "may match nothing"),
        ({"goes": "a", "go (es | ne)": "b", "go es": "c"}, "'go es' has two values"),
        ({}, "is empty"),
        (NumberRange(Decimal(3), Decimal(2), Decimal(1)), "is empty: from 3 to 2"),
        (NumberRange(Decimal(1), Decimal(2), Decimal("0.25")), "1.25 cannot be said"),
        (NumberRange(Decimal(98), Decimal(100), Decimal(1)), "100 cannot be said"),
    ],
)
def test_a_wrong_list_is_refused_with_the_reason(
    data: NumberRange | dict[str, str], reason: str
) -> None:
    with pytest.raises(GrammarError, match=reason):
        reader(lists={"wrong": data}).template("{wrong}")


def test_a_range_needs_number_words() -> None:
    numberless = TemplateReader({}, {"n": NumberRange(Decimal(1), Decimal(2), Decimal(1))}, None)
    with pytest.raises(GrammarError, match="the grammar has no numbers"):
        numberless.template("{n}")


@pytest.mark.parametrize(
    ("template", "empty"), [("[a]", True), ("[a] [b]", True), ("(a | [b])", True), ("[a] b", False)]
)
def test_a_template_that_may_match_nothing_is_found(template: str, empty: bool) -> None:
    assert may_be_empty(reader().template(template)) is empty


TEMPLATE = "[please] ({leaf} {feel} | take <what>) [now]"


def test_graph_match_and_enumeration_agree_on_every_sentence() -> None:
    node = reader({"what": "(this | that) one"}).template(TEMPLATE)
    nfa = Nfa()
    nfa.finals.add(build(node, nfa, nfa.start))
    graph = nfa.minimal_graph({})
    every = list(sentences(node))
    assert len(every) == len(set(every)) == 4 * (12 * 3 + 2)
    for words in every:
        assert graph.accepts(words)
        assert len(words) in [end for end, _ in match(node, words, 0)]
        assert not graph.accepts((*words, "extra"))


def test_the_minimal_graph_is_no_larger_than_the_plain_reference() -> None:
    # Reference: states of the smallest acceptor = number of different sets of right continuations
    # (Myhill and Nerode), counted here by brute force, without the dead state.
    node = reader({"what": "(this | that) one"}).template(TEMPLATE)
    every = set(sentences(node))
    prefixes = {words[:n] for words in every for n in range(len(words) + 1)}
    continuations = {
        frozenset(words[len(p) :] for words in every if words[: len(p)] == p) for p in prefixes
    }
    nfa = Nfa()
    nfa.finals.add(build(node, nfa, nfa.start))
    assert nfa.minimal_graph({}).states == len(continuations)


def test_samples_are_sentences_and_reach_all_of_a_small_template() -> None:
    node = reader().template("{feel} [now]")
    rng = random.Random(5)
    assert {sample(node, rng) for _ in range(300)} == set(sentences(node))
