"""Grammar folders that nobody meant well: each is refused with the file and what is allowed."""

import time

import pytest

from assistant.bench.reply import Wording
from assistant.errors import GrammarError
from assistant.language.grammar import Grammar
from assistant.units import Unit

COMMANDS = 'commands: {snug: {say: ["{feel}"]}}'
LISTS = "lists: {feel: [snug]}"
BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]\n"
    for before, name in zip("abcdefgh", "bcdefghi", strict=True)
)


def refused(commands: str = COMMANDS, lists: str = LISTS) -> str:
    began = time.process_time()
    with pytest.raises(GrammarError) as error:
        Grammar({"commands.yaml": commands, "lists.yaml": lists})
    assert time.process_time() - began < 5
    return str(error.value)


@pytest.mark.parametrize(
    "entry",
    ["{eins: 1}", "{1: eins}", "[[snug]]", "[{snug: snug}]", "{snug: [snug]}", "{snug: null}",
     "[1]", "{? [a] : b}"],
)  # fmt: skip
def test_a_list_of_anything_but_words_is_refused_with_what_a_list_is(entry: str) -> None:
    told = refused(lists=f"lists: {{feel: {entry}}}")
    assert told.startswith("lists.yaml")
    if "?" not in entry:
        assert 'write each entry as words with a value that is a word ("snug": snug' in told


@pytest.mark.parametrize("entry", ["snug", "3", "null"])
def test_what_is_no_list_at_all_is_refused_with_what_one_is(entry: str) -> None:
    told = refused(lists=f"lists: {{feel: {entry}}}")
    assert "lists.yaml, lists.feel" in told
    assert "write words, or a range like {from: 1, to: 60, step: 0.5}" in told


def test_aliases_are_refused_before_they_are_followed() -> None:
    for told in (refused(lists=BOMB), refused(commands=BOMB)):
        assert "line 2: *names of other places are not allowed; write it out there" in told
    with pytest.raises(GrammarError, match=r"replies\.yaml, line 2: \*names"):
        Wording(BOMB, None)


@pytest.mark.parametrize("text", ["[" * 20_000, "a: " * 5, "{" * 3_000, "a: 2001-13-45"])
def test_nesting_and_nonsense_are_refused_by_file(text: str) -> None:
    assert refused(lists=text).startswith("lists.yaml ")
    assert refused(commands=text).startswith("commands.yaml ")


def test_a_sentence_of_two_commands_is_refused_and_named() -> None:
    grammar = Grammar({
        "commands.yaml": 'commands: {one: {say: ["go [on] <w>"]}, two: {say: ["(go | ho) on"]}}\n'
                         'rules: {w: "on"}',
        "lists.yaml": LISTS,
    })  # fmt: skip
    with pytest.raises(GrammarError) as error:
        grammar.refuse_double_meaning()
    assert "commands.yaml: 'go on' is a sentence of 'one' and of 'two'" in str(error.value)


@pytest.mark.parametrize("unit", Unit)
def test_the_grammar_that_ships_has_no_double_meaning(
    grammar_texts: dict[str, str], unit: Unit
) -> None:
    Grammar(grammar_texts, unit=unit).refuse_double_meaning()
