"""Rules as trees: read, matched, enumerated; wrong ones refused with the reason."""

import random
from decimal import Decimal

import pytest

from assistant.errors import GrammarError
from assistant.language.abnf import read_abnf
from assistant.language.automaton import Nfa
from assistant.language.numbers import NumberRange, NumberWords
from assistant.language.phrase_tree import (
    Entries,
    Node,
    Slot,
    TreeReader,
    build,
    match,
    may_be_empty,
    sample,
    sentences,
)
from tests.language.test_numbers import TENS, UNITS

NUMBERS = NumberWords(tuple(UNITS), TENS, half="and a half", half_alone=("half",), point="point")
FILE = "numbers.yaml"
RANGES: dict[tuple[str, str], Entries] = {
    (FILE, "leaf"): NumberRange(Decimal(14), Decimal(16), Decimal("0.5")).entries(NUMBERS),
    (FILE, "feed"): NumberRange(Decimal(14), Decimal(15), Decimal(1), digits=False).entries(
        NUMBERS
    ),
}
USUAL = """
$feel = goes [easily] {goes} | no go {no go};
$leaf = $<numbers.yaml#leaf>; $plus = $<numbers.yaml#leaf>; $feed = $<numbers.yaml#feed>;
$loop = a $loop;
"""


def tree(expansion: str, more: str = "") -> Node:
    """The tree of one rule, which stands in line 2."""
    sheet = read_abnf(f"#ABNF 1.0; root $it;\n$it = {expansion};{more}{USUAL}")
    return TreeReader(sheet.rules, RANGES).rule("it", 1)


def enumerated(expansion: str, more: str = "") -> list[str]:
    return [" ".join(words) for words in sentences(tree(expansion, more))]


@pytest.mark.parametrize(
    ("expansion", "expected"),
    [
        ("what now", ["what now"]),
        ('"what now"', ["what now"]),
        ("(a | b c) d", ["a d", "b c d"]),
        ("a [b]", ["a b", "a"]),
        ("[[a] b] c", ["a b c", "b c", "c"]),
        ("a|b", ["a", "b"]),
        ("a <2>", ["a a"]),
        ("a <1-3>", ["a a a", "a a", "a"]),
        ("b a <0-2>", ["b a a", "b a", "b"]),
        ("(a | b) <2>", ["a a", "a b", "b a", "b b"]),
        ("a $NULL", ["a"]),
        ("$feel", ["goes easily", "goes", "no go"]),
        ("$feed", ["fourteen", "fifteen"]),
        ("don't", ["don't"]),
        ("größer", ["größer"]),
    ],
)
def test_a_rule_stands_for_these_sentences(expansion: str, expected: list[str]) -> None:
    assert enumerated(expansion) == expected


def test_a_rule_is_put_in_where_it_is_named() -> None:
    assert enumerated("$where [$where]", "$where = here | there;") == [
        "here here", "here there", "here", "there here", "there there", "there",
    ]  # fmt: skip


def test_a_range_is_said_in_every_way_and_digits_can_be_kept_out() -> None:
    assert enumerated("$leaf")[:6] == [
        "fourteen",
        "one four",
        "fourteen and a half",
        "fourteen point five",
        "one four point five",
        "fifteen",
    ]


def test_a_slot_keeps_value_name_and_the_words_said() -> None:
    node = tree("$leaf [plus $plus] $feel")
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
    ("expansion", "reason"),
    [
        ("$nowhere", r"line 2: there is no rule \$nowhere; rules: it, feel, leaf"),
        ("a\n$nowhere", r"line 3: there is no rule \$nowhere"),
        ("$loop", r"rule \$loop uses itself"),
        ("Shout", "line 2: 'Shout' is not a plain lower-case word"),
        ("15 goes", "'15' is not a plain lower-case word"),
        ("what, now", "'what,' is not a plain lower-case word"),
        ("a $<numbers.yaml#leaf>", r"\$<numbers\.yaml#leaf> needs a rule of its own, like '\$leaf"),
        ("$<numbers.yaml#nose>", r"there is no list \$<numbers\.yaml#nose>; lists: \$<numbers\.y"),
        ("(a | b) <20> (c | d) <20>", "rule \\$it has more than 5000 ways|stands for too many"),
        ("a " * 200, "stands for too many words"),
    ],
)
def test_a_wrong_rule_is_refused_with_the_reason(expansion: str, reason: str) -> None:
    if "more than" in reason:
        expansion += " {x}"
    with pytest.raises(GrammarError, match=reason):
        tree(expansion)


@pytest.mark.parametrize(
    ("expansion", "reason"),
    [
        ("[goes] {goes}", r"rule \$it, \{goes\} may match nothing"),
        ("{goes}", r"rule \$it, \{goes\} may match nothing"),
        ("goes {a} | go (es | ne) {b} |\n go es {c}", r"line 3: rule \$it: 'go es' has two mean"),
        ("goes {a} | snug", r"rule \$it: 'snug' has no tag at its end; if one way has a tag all"),
        ("goes {a} now", "'goes {a} now' has no tag at its end"),
        ("goes {}", "has no tag at its end"),
        ("(goes {a}) now {b}", r"\{a\}: a tag stands at the end of one of the ways of its rule"),
        ("$feel now {a}", r"rule \$it has tags, so the rules in it must have none"),
    ],
)
def test_wrong_tags_are_refused_with_the_reason(expansion: str, reason: str) -> None:
    with pytest.raises(GrammarError, match=reason):
        tree(expansion)


def test_a_tag_is_the_value_as_it_stands() -> None:
    node = tree("ring $end", "$end = are square {!{ ends {square} }!} | off { not square };")
    assert [slots[0].value for said in sentences(node) for _, slots in match(node, said, 0)] == [
        "ends {square}", "not square",
    ]  # fmt: skip


def test_few_lines_that_stand_for_billions_of_words_are_refused() -> None:
    doubling = "".join(f"$r{n} = $r{n + 1} $r{n + 1};" for n in range(30)) + "$r30 = a;"
    with pytest.raises(GrammarError, match="stands for too many words"):
        tree("$r0", doubling)
    chain = "".join(f"$r{n} = $r{n + 1};" for n in range(2000)) + "$r2000 = a;"
    with pytest.raises(GrammarError, match="rules use each other more than 40 deep"):
        tree("$r0", chain)


@pytest.mark.parametrize(
    ("least", "most", "by", "reason"),
    [
        ("3", "2", "1", "there is no number from 3 to 2"),
        ("1", "2", "0.25", r"1\.25 cannot be said"),
        ("98", "100", "1", "100 cannot be said"),
    ],
)
def test_a_wrong_range_is_refused_with_the_reason(
    least: str, most: str, by: str, reason: str
) -> None:
    with pytest.raises(GrammarError, match=reason):
        NumberRange(Decimal(least), Decimal(most), Decimal(by)).entries(NUMBERS)


@pytest.mark.parametrize(
    ("expansion", "empty"),
    [("[a]", True), ("[a] [b]", True), ("(a | [b])", True), ("[a] b", False)],
)
def test_a_rule_that_may_match_nothing_is_found(expansion: str, empty: bool) -> None:
    assert may_be_empty(tree(expansion)) is empty


RULE = "[please] ($leaf $feel | take $what) [now]"
WHAT = "$what = (this | that) one;"


def test_graph_match_and_enumeration_agree_on_every_sentence() -> None:
    node = tree(RULE, WHAT)
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
    node = tree(RULE, WHAT)
    every = set(sentences(node))
    prefixes = {words[:n] for words in every for n in range(len(words) + 1)}
    continuations = {
        frozenset(words[len(p) :] for words in every if words[: len(p)] == p) for p in prefixes
    }
    nfa = Nfa()
    nfa.finals.add(build(node, nfa, nfa.start))
    assert nfa.minimal_graph({}).states == len(continuations)


def test_samples_are_sentences_and_reach_all_of_a_small_rule() -> None:
    node = tree("$feel [now]")
    rng = random.Random(5)
    assert {sample(node, rng) for _ in range(300)} == set(sentences(node))
