"""The grammar: strict parse, word graph, enumeration, and refusals of files that cannot be used."""

import random
from collections.abc import Mapping
from decimal import Decimal

import jiwer
import pytest

from assistant.errors import GrammarError
from assistant.language.grammar import Grammar
from assistant.language.phrase_tree import sentences
from assistant.units import Unit
from tests.graphs import count_of
from tests.language.test_numbers import UNITS

NUMBERS = """
words:
  ones: [zero, one, two, three, four, five, six, seven, eight, nine, ten, eleven, twelve,
         thirteen, fourteen, fifteen, sixteen, seventeen, eighteen, nineteen]
  tens: {20: twenty, 30: thirty, 40: forty, 50: fifty,
         60: sixty, 70: seventy, 80: eighty, 90: ninety}
ranges:
  leaf: {least: 1, most: 30, by: 1}
metric ranges:
  leaf: {least: 1, most: 99, by: 1}
"""
CALLS = """#ABNF 1.0 UTF-8;
root $call;
$call = $report | $ask;
/** a reading
  * @group work
  * @example fifteen goes */
$report = $pair <1-2>;
/** a question
  * @group ask */
$ask = what now | how much more;
$pair = $leaf $feel;
$leaf = $<numbers.yaml#leaf>;
$feel = goes {goes} | snug {snug};
"""
HEAD = "#ABNF 1.0; root $call;\n"
FILES = {"calls": "calls.abnf", "numbers": "numbers.yaml", "pronunciations": "pronunciations.dict",
         "confusions": "confusions.yaml"}  # fmt: skip


def files(calls: str = CALLS, numbers: str = NUMBERS, **more: str) -> dict[str, str]:
    return {
        FILES[name]: text for name, text in {"calls": calls, "numbers": numbers, **more}.items()
    }


@pytest.fixture(scope="module")
def small() -> Grammar:
    return Grammar(files())


def test_a_sentence_gives_command_slots_and_the_phrasing_that_matched(small: Grammar) -> None:
    parsed = small.parse(["fifteen", "goes", "one", "six", "snug"])
    assert parsed is not None
    assert (parsed.command, parsed.phrasing) == ("report", "$pair <1-2>")
    assert [(s.name, s.value, " ".join(s.words)) for s in parsed.slots] == [
        ("leaf", Decimal(15), "fifteen"),
        ("feel", "goes", "goes"),
        ("leaf", Decimal(16), "one six"),
        ("feel", "snug", "snug"),
    ]
    assert parsed.values("leaf") == (15, 16)
    assert parsed.values("nothing") == ()


@pytest.mark.parametrize(
    "words",
    ["", "fifteen", "goes fifteen", "fifteen goes sixteen", "fifteen goes please", "what",
     "what now what now", "thirty one goes", "zero goes", "What now"],
)  # fmt: skip
def test_what_is_not_wholly_a_sentence_is_none(small: Grammar, words: str) -> None:
    assert small.parse(words.split()) is None
    assert not small.is_complete(words.split())


def test_a_metric_grammar_takes_the_metric_ranges() -> None:
    assert Grammar(files(), unit=Unit.METRIC).parse(["thirty", "one", "goes"]) is not None


def test_prefixes_complete_sentences_and_next_words_agree(small: Grammar) -> None:
    assert small.is_prefix(["how", "much"])
    assert not small.is_complete(["how", "much"])
    assert small.is_complete(["fifteen", "goes"])
    assert not small.is_prefix(["much"])
    assert small.next_words(["how"]) == {"much"}
    assert small.next_words(["fifteen"]) == {"goes", "snug"}
    assert small.next_words(["what", "now"]) == frozenset()
    assert small.next_words(["rubbish"]) == frozenset()
    assert small.next_words([]) == {"what", "how", *UNITS[1:], "twenty", "thirty"}


@pytest.mark.parametrize(
    ("words", "more"),
    [
        ("ground two", True), ("ground two and a half", False),
        ("ground two and a half thou", False), ("ground", True), ("fifteen goes", True),
        ("cylinder two", True), ("take that back", False), ("twelve", True),
        ("twelve strokes", False), ("rubbish", False), ("filed twelve", True), ("accept", True),
    ],
)  # fmt: skip
def test_only_a_unit_is_not_waited_for(grammar: Grammar, words: str, more: bool) -> None:
    assert grammar.may_go_on(words.split()) == more


def test_what_may_follow_is_told_once_for_each_meaning_and_without_units(
    grammar: Grammar, metric_grammar: Grammar
) -> None:
    following = grammar.options(["fifteen", "goes", "sixteen"])
    assert following == ("almost", "and", "drops", "goes", "no", "plus", "point", "snug")
    assert {"loose", "tight", "thou", "hundredths"} < grammar.next_words(["fifteen"])
    assert grammar.options(["ground", "half", "a"]) == ("thou",)
    assert metric_grammar.options(["ground", "half", "a"]) == ("hundredth", "hundredths")
    assert grammar.options(["wrap", "up"]) == ()


@pytest.mark.parametrize(
    ("words", "another"),
    [
        ("cylinder two second ring", True), ("top ring", True), ("cylinder two", True),
        ("cylinder", False), ("fifteen goes", False), ("ground two", False), ("next ring", False),
    ],
)  # fmt: skip
def test_a_ring_that_is_named_may_begin_a_reading(
    grammar: Grammar, words: str, another: bool
) -> None:
    assert grammar.may_become_another(words.split()) == another


def test_two_ways_to_say_the_same_mean_the_same(grammar: Grammar) -> None:
    meaning = lambda text: grammar.meaning(text.split())  # noqa: E731
    assert meaning("ground two and a half") == meaning("took two point five thou")
    assert meaning("ground two") != meaning("ground three")
    assert meaning("ground") == meaning("ground") != meaning("took")


def test_the_sentences_are_counted_as_they_are_enumerated(small: Grammar) -> None:
    by_hand = {words for _, _, node in small._phrasings for words in sentences(node)}
    # 30 numbers, of which 21 two-digit ones are also said by digits: 51 ways, 2 feels.
    assert count_of(small.graph) == len(by_hand) == 102 + 102 * 102 + 2


def test_every_sentence_is_a_path_of_the_graph_and_parses(small: Grammar) -> None:
    rng = random.Random(2)
    for _ in range(500):
        parsed = small.sample(rng)
        assert small.graph.accepts(parsed.words)
        assert small.parse(parsed.words) == parsed


def test_a_random_walk_of_the_graph_always_parses(small: Grammar) -> None:
    rng = random.Random(3)
    for _ in range(500):
        words: list[str] = []
        while not (small.is_complete(words) and rng.random() < 0.5):
            following = sorted(small.next_words(words))
            if not following:
                break
            words.append(rng.choice(following))
        assert small.parse(words) is not None


def test_samples_of_one_command_are_of_it_and_an_unknown_one_is_refused(small: Grammar) -> None:
    assert small.sample(random.Random(1), command="ask").command == "ask"
    with pytest.raises(GrammarError, match="no command 'dance'"):
        small.sample(random.Random(1), command="dance")


def test_words_are_counted_as_jiwer_counts_them(grammar: Grammar) -> None:
    # jiwer 4 (word error rate library) as the outside reference for what a word is.
    line = "Cylinder three, second ring: 15 goes; 16-and-a-half SNUG!"
    ours = grammar.words_of(line)
    spelled = "cylinder three second ring fifteen goes sixteen and a half snug"
    counted = jiwer.process_words(spelled, " ".join(ours))
    assert (counted.hits, counted.wer) == (len(ours), 0.0)


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"calls": ""}, r"calls\.abnf, line 1: the file must begin with '#ABNF"),
        ({"calls": HEAD}, r"calls\.abnf, line 1: there is no rule \$call for the root"),
        ({"calls": HEAD + "$call = $a | x; $a = b;"},
         r"calls\.abnf, line 2: 'x' in the root \$call: it only names commands"),
        ({"calls": HEAD + "$call = $a | $b;\n$a = b;"}, r"abnf, line 2: there is no rule \$b"),
        ({"calls": HEAD + "$call = $a | $a; $a = b;"}, r"line 2: \$a in the root stands twice"),
        ({"calls": HEAD + "$call = $call;"}, r"line 2: \$call in the root stands twice"),
        ({"calls": HEAD + "$call = $a;\n$a = x | [y];"},
         r"calls\.abnf, line 3: '\[y\]' in \$a may match nothing at all; put a word outside"),
        ({"calls": HEAD + "$call = $a;\n$a = $x;"}, r"calls\.abnf, line 3: there is no rule \$x"),
        ({"calls": HEAD + "$call = $a; $a = x;\n$unused = $y;"}, r"line 3: there is no rule \$y"),
        ({"calls": HEAD + "$call = $a;\n$a = $<numbers.yaml#x>;"},
         r"line 3: there is no list \$<numbers\.yaml#x>; lists: \$<numbers\.yaml#leaf>"),
        ({"calls": "#ABNF 1.0; root $call; tag-format <semantics/1.0>; $call = $a; $a = b;"},
         r"tag-format semantics/1\.0 is not read: write 'tag-format <semantics/1\.0-literals>"),
        ({"numbers": "words: [a"}, r"numbers\.yaml is not YAML: .* line 1"),
        ({"numbers": "ranges: {}"}, r"numbers\.yaml, words: Field required"),
        ({"numbers": NUMBERS + "shout: 1"}, r"numbers\.yaml, shout: Extra inputs"),
        ({"numbers": NUMBERS.replace("30, by: 1", "30, by: 0")},
         r"numbers\.yaml, ranges\.leaf\.by"),
        ({"numbers": NUMBERS.replace("most: 30", "most: 0")},
         r"numbers\.yaml, range leaf: there is no number from 1 to 0"),
        ({"numbers": "words: {ones: [a], tens: {20: b}}"}, r"numbers\.yaml, words: .*1 words"),
        ({"pronunciations": ";;; x\nsnug"}, r"pronunciations\.dict, line 2: write a word and its"),
        ({"pronunciations": "snug  s3"}, r"pronunciations\.dict, line 1: .* like 'SNUG  S N AH G'"),
        ({"confusions": "pairs: [[a]]"}, r"confusions\.yaml, pairs\.0"),
    ],
)  # fmt: skip
def test_files_that_cannot_be_used_are_refused_with_file_and_place(
    changed: Mapping[str, str], reason: str
) -> None:
    with pytest.raises(GrammarError, match=reason):
        Grammar(files(**changed))


def test_a_missing_file_is_named_and_numbers_may_be_missing() -> None:
    with pytest.raises(GrammarError, match=r"has no calls\.abnf"):
        Grammar({"numbers.yaml": NUMBERS})
    with pytest.raises(GrammarError, match=r"no list \$<numbers\.yaml#leaf>; lists: none"):
        Grammar({"calls.abnf": CALLS})


def test_another_language_needs_no_numbers_and_may_use_any_script() -> None:
    foreign = Grammar({"calls.abnf": HEAD + "$call = $hi; $hi = привет [мир];"})
    assert foreign.words_of("Привет, мир!") == ("привет", "мир")
    assert foreign.parse(("привет", "мир")) is not None
    assert foreign.numbers is None


def test_pronunciations_and_confusions_go_with_the_grammar() -> None:
    extra = {
        "pronunciations": ";;; a note\nSNUG  S N AH1 G\nSNUG(1)  S N UH0 G # rare\nUNUSED  AH\n",
        "confusions": "pairs: [[goes, snug]]\none_way: [[butts, goes]]",
    }
    made = Grammar(files(**extra))
    assert made.graph.pronunciations == {"snug": ("S N AH G", "S N UH G")}
    assert made.pronunciations["unused"] == ("AH",)
    assert made.confusions == (("goes", "snug"), ("snug", "goes"), ("butts", "goes"))


def test_a_command_whose_rule_has_tags_keeps_what_was_said() -> None:
    made = Grammar({"calls.abnf": HEAD + "$call = $answer; $answer = yes {1} | no {0};"})
    parsed = made.parse(["no"])
    assert parsed is not None
    assert (parsed.phrasing, parsed.values("answer")) == ("$answer", ("0",))


def test_the_phrase_card_shows_every_command_phrasing_and_part(small: Grammar) -> None:
    card = "\n".join(small.card())
    for line in ("WORK", "ASK", "  a reading", "      what now", "      how much more"):
        assert f"\n{line}" in card
    assert "      <pair> (1 to 2 times)    for example: " in card
    assert "  <pair>  <leaf> <feel>" in card
    assert "  <leaf>  1 to 30, said like twenty nine, two nine, thirty, three zero" in card
    assert "  <feel>  goes | snug" in card


def test_yes_no_on_and_off_are_words_without_quotes() -> None:
    made = Grammar(files(confusions="pairs: [[yes, on]]\none_way: [[no, off]]"))
    assert made.confusions == (("yes", "on"), ("on", "yes"), ("no", "off"))
