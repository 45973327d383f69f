"""The grammar: templates read from data, used to parse, enumerate and build the word graph.

The syntax of the files is in ``grammar/README.md``. A template becomes a small tree of nodes;
the strict parse walks the tree over the words and keeps what each slot took.
"""

import random
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from assistant.automaton import Nfa
from assistant.errors import GrammarError
from assistant.numbers import NumberWords, check_number_words, plain_words
from assistant.units import Unit
from assistant.wordgraph import WordGraph

COMMANDS_FILE = "commands.yaml"
LISTS_FILE = "lists.yaml"
PRONUNCIATIONS_FILE = "pronunciations.yaml"
CONFUSIONS_FILE = "confusions.yaml"
REPLIES_FILE = "replies.yaml"

Value = str | Decimal
_TOKEN = re.compile(r"\s*(\{[\w:]+\}|<\w+>|[()\[\]|]|[^\s()\[\]|{}<>]+)")


@dataclass(frozen=True, slots=True)
class Slot:
    """What one slot took: its name, its value and the words that were said for it."""

    name: str
    value: Value
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Parsed:
    """A sentence of the grammar: command name, slots in the order said, and which template."""

    command: str
    slots: tuple[Slot, ...]
    words: tuple[str, ...]
    template: str

    def values(self, name: str) -> tuple[Value, ...]:
        """Values of all slots called ``name``, in order."""
        return tuple(slot.value for slot in self.slots if slot.name == name)


@dataclass(frozen=True, slots=True)
class CommandHelp:
    """What the phrase card says of one command."""

    name: str
    about: str
    group: str
    templates: tuple[str, ...]


# --- the tree of a template -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Word:
    word: str


@dataclass(frozen=True, slots=True)
class _All:
    parts: tuple["_Node", ...]


@dataclass(frozen=True, slots=True)
class _Any:
    ways: tuple["_Node", ...]


@dataclass(frozen=True, slots=True)
class _Slot:
    name: str
    entries: Mapping[tuple[str, ...], Value] = field(compare=False)

    @property
    def longest(self) -> int:
        return max(len(words) for words in self.entries)


_Node = _Word | _All | _Any | _Slot
_NOTHING = _All(())


# --- the files ----------------------------------------------------------------------------------


class _Data(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Command(_Data):
    about: str = ""
    group: str = ""
    say: list[str] = Field(min_length=1)


class _Commands(_Data):
    rules: dict[str, str] = Field(default_factory=dict)
    commands: dict[str, _Command] = Field(min_length=1)


class _Range(_Data):
    start: Decimal = Field(alias="from")
    to: Decimal
    step: Decimal = Field(gt=0)


class _Numbers(_Data):
    units: tuple[str, ...]
    tens: dict[int, str]
    half: str = ""
    half_alone: tuple[str, ...] = ()
    point: str = ""


class _ListsFile(_Data):
    numbers: _Numbers | None = None
    lists: dict[str, _Range | dict[str, str]] = Field(default_factory=dict)
    metric: dict[str, _Range | dict[str, str]] = Field(default_factory=dict)


class _Confusions(_Data):
    pairs: list[tuple[str, str]] = Field(default_factory=list)


# --- the grammar ----------------------------------------------------------------------------------


class Grammar:
    """Everything that can be said, from the texts of a grammar folder.

    files: file name -> text (see ``grammar/README.md``). unit: METRIC takes the lists under
    ``metric`` in place of the plain ones. Raises GrammarError with file, place and reason.
    """

    def __init__(self, files: Mapping[str, str], *, unit: Unit = Unit.INCH) -> None:
        for needed in (COMMANDS_FILE, LISTS_FILE):
            if needed not in files:
                raise GrammarError(f"The grammar folder has no {needed}: it needs one.")
        lists = _read(_ListsFile, LISTS_FILE, files)
        self.numbers: NumberWords | None = None
        if lists.numbers is not None:
            self.numbers = NumberWords(**lists.numbers.model_dump())
            with _at(LISTS_FILE, "numbers"):
                check_number_words(self.numbers)
        chosen = lists.lists | (lists.metric if unit is Unit.METRIC else {})
        data = _read(_Commands, COMMANDS_FILE, files)
        reader = _Reader(data.rules, chosen, self.numbers)
        self._templates: list[tuple[str, str, _Node]] = []
        helps = []
        for name, command in data.commands.items():
            for text in command.say:
                with _at(COMMANDS_FILE, f"command {name!r}, template {text!r}"):
                    node = reader.template(text)
                    if _may_be_empty(node):
                        raise GrammarError("it may match nothing at all; put a word outside [ ].")
                self._templates.append((name, text, node))
            helps.append(CommandHelp(name, command.about, command.group, tuple(command.say)))
        self.commands: tuple[CommandHelp, ...] = tuple(helps)
        self.pronunciations = _pronunciations(files)
        self.confusions: tuple[tuple[str, str], ...] = tuple(
            _read(_Confusions, CONFUSIONS_FILE, files).pairs if CONFUSIONS_FILE in files else ()
        )

    @property
    def templates(self) -> tuple[tuple[str, str], ...]:
        """(command, template) of every template, in file order."""
        return tuple((command, text) for command, text, _ in self._templates)

    def parse(self, words: Sequence[str]) -> Parsed | None:
        """The command that ``words`` say, or None if they are no sentence of the grammar.

        Strict: every word must have its place. Of two ways to read a sentence the template that
        stands first in the file wins; the tests see to it that no two commands share a sentence.
        """
        return next(self.parses(words), None)

    def parses(self, words: Sequence[str]) -> Iterator[Parsed]:
        """Every way to read ``words``, in file order."""
        said = tuple(words)
        for command, text, node in self._templates:
            for end, slots in _match(node, said, 0):
                if end == len(said):
                    yield Parsed(command, slots, said, text)

    def words_of(self, text: str) -> tuple[str, ...]:
        """Typed text as words of the grammar: lower case, figures spelled out."""
        words = " ".join(plain_words(text))
        return tuple((self.numbers.spell_figures(words) if self.numbers else words).split())

    @cached_property
    def graph(self) -> WordGraph:
        """The smallest deterministic word graph that accepts exactly the sentences."""
        nfa = Nfa()
        for _, _, node in self._templates:
            nfa.finals.add(_build(node, nfa, nfa.start))
        return nfa.minimal_graph(self.pronunciations)

    @property
    def vocabulary(self) -> tuple[str, ...]:
        """All words that can be said, sorted."""
        return self.graph.vocabulary

    @cached_property
    def _steps(self) -> dict[int, dict[str, int]]:
        steps: dict[int, dict[str, int]] = {}
        for source, word, target in self.graph.arcs:
            steps.setdefault(source, {})[word] = target
        return steps

    def _state_after(self, words: Sequence[str]) -> int | None:
        state: int | None = self.graph.start
        for word in words:
            state = self._steps.get(state, {}).get(word) if state is not None else None
        return state

    def is_complete(self, words: Sequence[str]) -> bool:
        """Whether ``words`` are a whole sentence."""
        return self._state_after(words) in self.graph.finals

    def is_prefix(self, words: Sequence[str]) -> bool:
        """Whether ``words`` begin some sentence."""
        return self._state_after(words) is not None

    def next_words(self, words: Sequence[str]) -> frozenset[str]:
        """Words that may follow ``words`` in some sentence; empty if none may."""
        state = self._state_after(words)
        return frozenset(self._steps.get(state, {})) if state is not None else frozenset()

    @cached_property
    def sentences_count(self) -> int:
        """How many different sentences there are (paths of the deterministic graph)."""
        counts: dict[int, int] = {}

        def count(state: int) -> int:
            if state not in counts:
                counts[state] = (state in self.graph.finals) + sum(
                    count(target) for target in self._steps.get(state, {}).values()
                )
            return counts[state]

        return count(self.graph.start)

    def sample(self, rng: random.Random, *, command: str | None = None) -> Parsed:
        """One random sentence: a template with equal chance, then every choice with equal chance.

        command: only sentences of this command. Raises GrammarError if there is no such command.
        """
        pool = [entry for entry in self._templates if command in (None, entry[0])]
        if not pool:
            raise GrammarError(f"There is no command {command!r} in this grammar.")
        name, text, node = rng.choice(pool)
        words = _sample(node, rng)
        slots = next(slots for end, slots in _match(node, words, 0) if end == len(words))
        return Parsed(name, slots, words, text)

    def sentences(self, *, template: str) -> Iterator[tuple[str, ...]]:
        """All sentences of one template, in order; may be very many."""
        for _, text, node in self._templates:
            if text == template:
                yield from _sentences(node)


_Model = TypeVar("_Model", bound=_Data)


# --- reading the files ------------------------------------------------------------------------------


class _at:  # noqa: N801 - reads as a statement: with _at(file, place)
    """Put file and place before the text of a GrammarError that passes through."""

    def __init__(self, file: str, place: str) -> None:
        self._where = f"{file}, {place}: "

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if isinstance(error, GrammarError) and not str(error).startswith(self._where):
            raise GrammarError(f"{self._where}{error}") from error


def _load(name: str, text: str) -> Any:
    try:
        return yaml.safe_load(text) or {}
    except yaml.YAMLError as error:
        raise GrammarError(f"{name} is not YAML: {' '.join(str(error).split())}") from error


def _read(model: type[_Model], name: str, files: Mapping[str, str]) -> _Model:
    try:
        return model.model_validate(_load(name, files[name]))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "top"
        raise GrammarError(f"{name}, {place}: {first['msg']} (found {first['input']!r}).") from error


def _pronunciations(files: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    data = _load(PRONUNCIATIONS_FILE, files.get(PRONUNCIATIONS_FILE, ""))
    if not isinstance(data, dict):
        raise GrammarError(f"{PRONUNCIATIONS_FILE} must be a map of word to pronunciations.")
    ways: dict[str, tuple[str, ...]] = {}
    for word, said in data.items():
        listed = [said] if isinstance(said, str) else said
        if not isinstance(listed, list) or not all(isinstance(way, str) for way in listed):
            raise GrammarError(
                f"{PRONUNCIATIONS_FILE}, {word}: write phones like 'S N AH G', or a list of such."
            )
        ways[str(word)] = tuple(" ".join(way.split()) for way in listed)
    return ways


class _Reader:
    """Turns template texts into nodes; knows the rules and lists they may use."""

    def __init__(
        self,
        rules: Mapping[str, str],
        lists: Mapping[str, _Range | dict[str, str]],
        numbers: NumberWords | None,
    ) -> None:
        self._rules = rules
        self._lists = lists
        self._numbers = numbers
        self._entries: dict[str, Mapping[tuple[str, ...], Value]] = {}
        self._open: list[str] = []

    def template(self, text: str) -> _Node:
        """The node of a template. Raises GrammarError."""
        tokens: list[str] = []
        at = 0
        while text[at:].strip():
            found = _TOKEN.match(text, at)
            if found is None:
                raise GrammarError(f"cannot read {text[at:].strip()!r}.")
            tokens.append(found[1])
            at = found.end()
        node, rest = self._ways(tokens)
        if rest:
            raise GrammarError(f"{rest[0]!r} has no opening partner.")
        return node

    def _ways(self, tokens: list[str]) -> tuple[_Node, list[str]]:
        ways: list[_Node] = []
        while True:
            parts: list[_Node] = []
            while tokens and tokens[0] not in ("|", ")", "]"):
                node, tokens = self._part(tokens)
                parts.append(node)
            ways.append(parts[0] if len(parts) == 1 else _All(tuple(parts)))
            if not tokens or tokens[0] != "|":
                return (ways[0] if len(ways) == 1 else _Any(tuple(ways))), tokens
            tokens = tokens[1:]

    def _part(self, tokens: list[str]) -> tuple[_Node, list[str]]:
        token, rest = tokens[0], tokens[1:]
        if token in ("(", "["):
            closing = ")" if token == "(" else "]"
            node, rest = self._ways(rest)
            if not rest or rest[0] != closing:
                raise GrammarError(f"{token!r} is not closed by {closing!r}.")
            return (node if token == "(" else _Any((node, _NOTHING))), rest[1:]
        if token[0] == "<":
            return self._rule(token[1:-1]), rest
        if token[0] == "{":
            name, _, kept = token[1:-1].partition(":")
            return _Slot(kept or name, self._list(name)), rest
        if token != token.lower() or not re.fullmatch(r"[^\W\d_]+(?:'[^\W\d_]+)*'?", token):
            raise GrammarError(f"{token!r} is not a plain lower-case word.")
        return _Word(token), rest

    def _rule(self, name: str) -> _Node:
        if name not in self._rules:
            raise GrammarError(f"there is no rule <{name}>; rules: {', '.join(self._rules)}.")
        if name in self._open:
            raise GrammarError(f"rule <{name}> uses itself.")
        self._open.append(name)
        node = self.template(self._rules[name])
        self._open.pop()
        return node

    def _list(self, name: str) -> Mapping[tuple[str, ...], Value]:
        if name not in self._lists:
            raise GrammarError(f"there is no list {{{name}}}; lists: {', '.join(self._lists)}.")
        if name not in self._entries:
            data = self._lists[name]
            self._entries[name] = (
                self._range(name, data) if isinstance(data, _Range) else self._words(name, data)
            )
        return self._entries[name]

    def _range(self, name: str, data: _Range) -> dict[tuple[str, ...], Value]:
        if self._numbers is None:
            raise GrammarError(f"list {{{name}}} is a range, but {LISTS_FILE} has no numbers.")
        entries: dict[tuple[str, ...], Value] = {}
        value = data.start
        while value <= data.to:
            for words in self._numbers.sayings(value):
                entries.setdefault(words, value)
            value += data.step
        if not entries:
            raise GrammarError(f"list {{{name}}} is empty: from {data.start} to {data.to}.")
        return entries

    def _words(self, name: str, data: dict[str, str]) -> dict[tuple[str, ...], Value]:
        entries: dict[tuple[str, ...], Value] = {}
        for template, value in data.items():
            for words in _sentences(self.template(template)):
                if not words:
                    raise GrammarError(f"list {{{name}}}, {template!r} may match nothing.")
                if entries.setdefault(words, value) != value:
                    raise GrammarError(f"list {{{name}}}: {' '.join(words)!r} has two values.")
        if not entries:
            raise GrammarError(f"list {{{name}}} is empty.")
        return entries


# --- walking a tree -----------------------------------------------------------------------------------


def _match(
    node: _Node, words: tuple[str, ...], at: int
) -> Iterator[tuple[int, tuple[Slot, ...]]]:
    """Every (end, slots) such that words[at:end] are a way to say the node."""
    match node:
        case _Word(word):
            if at < len(words) and words[at] == word:
                yield at + 1, ()
        case _Slot(name, entries):
            for end in range(at + 1, min(at + node.longest, len(words)) + 1):
                said = words[at:end]
                if said in entries:
                    yield end, (Slot(name, entries[said], said),)
        case _Any(ways):
            for way in ways:
                yield from _match(way, words, at)
        case _All(parts):
            if not parts:
                yield at, ()
                return
            for middle, slots in _match(parts[0], words, at):
                for end, more in _match(_All(parts[1:]), words, middle):
                    yield end, slots + more


def _build(node: _Node, nfa: Nfa, state: int) -> int:
    """Add the node to the automaton after ``state``; the state after it."""
    match node:
        case _Word(word):
            return nfa.step(state, (word,))
        case _Slot(_, entries):
            end = nfa.state()
            for words in entries:
                nfa.join(nfa.step(state, words), end)
            return end
        case _Any(ways):
            end = nfa.state()
            for way in ways:
                nfa.join(_build(way, nfa, state), end)
            return end
        case _All(parts):
            for part in parts:
                state = _build(part, nfa, state)
            return state


def _sentences(node: _Node) -> Iterator[tuple[str, ...]]:
    match node:
        case _Word(word):
            yield (word,)
        case _Slot(_, entries):
            yield from entries
        case _Any(ways):
            for way in ways:
                yield from _sentences(way)
        case _All(parts):
            if not parts:
                yield ()
                return
            for first in _sentences(parts[0]):
                for rest in _sentences(_All(parts[1:])):
                    yield first + rest


def _sample(node: _Node, rng: random.Random) -> tuple[str, ...]:
    match node:
        case _Word(word):
            return (word,)
        case _Slot(_, entries):
            return rng.choice(list(entries))
        case _Any(ways):
            return _sample(rng.choice(ways), rng)
        case _All(parts):
            return tuple(word for part in parts for word in _sample(part, rng))


def _may_be_empty(node: _Node) -> bool:
    match node:
        case _Any(ways):
            return any(_may_be_empty(way) for way in ways)
        case _All(parts):
            return all(_may_be_empty(part) for part in parts)
    return False
