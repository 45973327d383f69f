"""The grammar: strict parse, word graph, enumeration, and refusals of files that cannot be used."""

import random
from collections.abc import Mapping
from decimal import Decimal

import jiwer
import pytest

from assistant.errors import GrammarError
from assistant.language.grammar import Grammar
from assistant.units import Unit
from tests.language.test_numbers import UNITS

LISTS = """
numbers:
  units: [zero, one, two, three, four, five, six, seven, eight, nine, ten, eleven, twelve,
          thirteen, fourteen, fifteen, sixteen, seventeen, eighteen, nineteen]
  tens: {20: twenty, 30: thirty, 40: forty, 50: fifty,
         60: sixty, 70: seventy, 80: eighty, 90: ninety}
lists:
  leaf: {from: 1, to: 30, step: 1}
  feel: {goes: goes, snug: snug}
metric:
  leaf: {from: 1, to: 99, step: 1}
"""
COMMANDS = """
rules: {pair: "{leaf} {feel}"}
commands:
  report: {about: a reading, group: work, say: ["<pair> [<pair>]"]}
  ask: {about: a question, group: ask, say: ["what now", "how much more"]}
"""


def files(commands: str = COMMANDS, lists: str = LISTS, **more: str) -> dict[str, str]:
    extra = {f"{name}.yaml": text for name, text in more.items()}
    return {"commands.yaml": commands, "lists.yaml": lists, **extra}


@pytest.fixture(scope="module")
def small() -> Grammar:
    return Grammar(files())


def test_a_sentence_gives_command_slots_and_the_template_that_matched(small: Grammar) -> None:
    parsed = small.parse(["fifteen", "goes", "one", "six", "snug"])
    assert parsed is not None
    assert (parsed.command, parsed.template) == ("report", "<pair> [<pair>]")
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


def test_a_metric_grammar_takes_the_metric_lists() -> None:
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
        ("cylinder two", True), ("scratch that", False), ("twelve", True),
        ("twelve strokes", False), ("rubbish", False),
    ],
)  # fmt: skip
def test_what_only_gets_another_wording_by_more_words_means_no_more(
    grammar: Grammar, words: str, more: bool
) -> None:
    assert grammar.may_mean_more(words.split()) == more


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
    by_hand = {
        words for _, template in small.templates for words in small.sentences(template=template)
    }
    # 30 numbers, of which 21 two-digit ones are also said by digits: 51 ways, 2 feels.
    assert small.sentences_count == len(by_hand) == 102 + 102 * 102 + 2


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
        ({"commands": "commands: {}"}, r"commands\.yaml, commands: .*at least 1"),
        ({"commands": "commands: {a: {say: []}}"}, r"commands\.yaml, commands\.a\.say: "),
        ({"commands": "commands: {a: {say: [x], shout: 1}}"}, r"commands\.a\.shout: Extra inputs"),
        ({"commands": "commands: [a"}, r"commands\.yaml is not YAML: .* line 1"),
        ({"commands": "commands: {a: {say: ['[x]']}}"},
         r"commands\.yaml, command 'a', template '\[x\]': it may match nothing"),
        ({"commands": "commands: {a: {say: ['{x}']}}"}, r"template '\{x\}': there is no list"),
        ({"commands": "commands: {a: {say: ['<x>']}}"}, r"template '<x>': there is no rule <x>"),
        ({"lists": "lists: {a: {from: 1, to: 3, step: 0}}"}, r"lists\.yaml, lists\.a"),
        ({"lists": "lists: {a: {true: true}}"}, r"lists\.yaml, lists\.a"),
        ({"lists": "numbers: {units: [a], tens: {20: b}}"}, r"lists\.yaml, numbers: .*1 words"),
        ({"pronunciations": "[a]"}, r"pronunciations\.yaml must be a map"),
        ({"pronunciations": "snug: 3"}, r"pronunciations\.yaml, snug: write phones like"),
        ({"confusions": "pairs: [[a]]"}, r"confusions\.yaml, pairs\.0"),
    ],
)  # fmt: skip
def test_files_that_cannot_be_used_are_refused_with_file_and_place(
    changed: Mapping[str, str], reason: str
) -> None:
    with pytest.raises(GrammarError, match=reason):
        Grammar(files(**changed))


@pytest.mark.parametrize("missing", ["commands.yaml", "lists.yaml"])
def test_a_missing_file_is_named(missing: str) -> None:
    texts = files()
    del texts[missing]
    with pytest.raises(GrammarError, match=f"has no {missing}"):
        Grammar(texts)


def test_another_language_needs_no_numbers_and_may_use_any_script() -> None:
    foreign = Grammar(files("commands: {hi: {say: ['привет [мир]']}}", "{}"))
    assert foreign.words_of("Привет, мир!") == ("привет", "мир")
    assert foreign.parse(("привет", "мир")) is not None
    assert foreign.numbers is None


def test_pronunciations_and_confusions_go_with_the_grammar() -> None:
    extra = {
        "pronunciations": "snug: S N AH G\nunused: [AH, B]",
        "confusions": "pairs: [[goes, snug]]\none_way: [[butts, goes]]",
    }
    made = Grammar(files(**extra))
    assert made.graph.pronunciations == {"snug": ("S N AH G",)}
    assert made.confusions == (("goes", "snug"), ("snug", "goes"), ("butts", "goes"))


def test_the_phrase_card_shows_every_command_template_and_part(small: Grammar) -> None:
    card = "\n".join(small.card())
    for line in ("WORK", "ASK", "  a reading", "      what now", "      how much more"):
        assert f"\n{line}" in card
    assert "      <pair> [<pair>]    for example: " in card
    assert "  <pair>  <leaf> <feel>" in card
    assert "  <leaf>  1 to 30, said like twenty nine, two nine, thirty, three zero" in card
    assert "  <feel>  goes | snug" in card


def test_yes_no_on_and_off_are_words_without_quotes() -> None:
    made = Grammar(
        files("commands: {say: {say: ['{word}']}}", "lists: {word: [yes, no, on, off, left]}")
    )
    assert sorted(made.vocabulary) == ["left", "no", "off", "on", "yes"]
