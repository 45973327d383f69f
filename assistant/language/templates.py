"""Templates: the small trees that sentences are matched, enumerated and built from.

A template text (syntax: ``grammar/README.md``) becomes a tree of four kinds of node. Everything
that can be done with a sentence is a walk over that tree.
"""

import random
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from assistant.errors import GrammarError
from assistant.language.automaton import Nfa
from assistant.language.numbers import NumberWords

Value = str | Decimal
Entries = Mapping[tuple[str, ...], Value]
"""What a slot may be: the words said -> its value."""

_TOKEN = re.compile(r"\s*(\{[\w:]+\}|<\w+>|[()\[\]|]|[^\s()\[\]|{}<>]+)")


@dataclass(frozen=True, slots=True)
class Slot:
    """What one slot took: its name, its value and the words that were said for it."""

    name: str
    value: Value
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Word:
    word: str


@dataclass(frozen=True, slots=True)
class _All:
    parts: tuple["Node", ...]


@dataclass(frozen=True, slots=True)
class _Any:
    ways: tuple["Node", ...]


@dataclass(frozen=True, slots=True)
class _Slot:
    name: str
    entries: Entries = field(compare=False)

    @property
    def longest(self) -> int:
        return max(len(words) for words in self.entries)


Node = _Word | _All | _Any | _Slot
NOTHING = _All(())


@dataclass(frozen=True, slots=True)
class NumberRange:
    """A list of numbers: first to last by step. digits: 15 may also be said one five."""

    first: Decimal
    last: Decimal
    step: Decimal
    digits: bool = True


class TemplateReader:
    """Turns template texts into nodes; knows the rules and lists they may use."""

    def __init__(
        self,
        rules: Mapping[str, str],
        lists: Mapping[str, NumberRange | Mapping[str, str]],
        numbers: NumberWords | None,
    ) -> None:
        self._rules = rules
        self._lists = lists
        self._numbers = numbers
        self.entries: dict[str, Entries] = {}
        self._open: list[str] = []

    def template(self, text: str) -> Node:
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

    def _ways(self, tokens: list[str]) -> tuple[Node, list[str]]:
        ways: list[Node] = []
        while True:
            parts: list[Node] = []
            while tokens and tokens[0] not in ("|", ")", "]"):
                node, tokens = self._part(tokens)
                parts.append(node)
            ways.append(parts[0] if len(parts) == 1 else _All(tuple(parts)))
            if not tokens or tokens[0] != "|":
                return (ways[0] if len(ways) == 1 else _Any(tuple(ways))), tokens
            tokens = tokens[1:]

    def _part(self, tokens: list[str]) -> tuple[Node, list[str]]:
        token, rest = tokens[0], tokens[1:]
        if token in ("(", "["):
            closing = ")" if token == "(" else "]"
            node, rest = self._ways(rest)
            if not rest or rest[0] != closing:
                raise GrammarError(f"{token!r} is not closed by {closing!r}.")
            return (node if token == "(" else _Any((node, NOTHING))), rest[1:]
        if token[0] == "<":
            return self._rule(token[1:-1]), rest
        if token[0] == "{":
            name, _, kept = token[1:-1].partition(":")
            return _Slot(kept or name, self._list(name)), rest
        if token != token.lower() or not re.fullmatch(r"[^\W\d_]+(?:'[^\W\d_]+)*'?", token):
            raise GrammarError(f"{token!r} is not a plain lower-case word.")
        return _Word(token), rest

    def _rule(self, name: str) -> Node:
        if name not in self._rules:
            raise GrammarError(f"there is no rule <{name}>; rules: {', '.join(self._rules)}.")
        if name in self._open:
            raise GrammarError(f"rule <{name}> uses itself.")
        self._open.append(name)
        node = self.template(self._rules[name])
        self._open.pop()
        return node

    def _list(self, name: str) -> Entries:
        if name not in self._lists:
            raise GrammarError(f"there is no list {{{name}}}; lists: {', '.join(self._lists)}.")
        if name not in self.entries:
            data = self._lists[name]
            if isinstance(data, NumberRange):
                self.entries[name] = self._range(name, data)
            else:
                self.entries[name] = self._words(name, data)
        return self.entries[name]

    def _range(self, name: str, data: NumberRange) -> dict[tuple[str, ...], Value]:
        if self._numbers is None:
            raise GrammarError(f"list {{{name}}} is a range, but the grammar has no numbers.")
        entries: dict[tuple[str, ...], Value] = {}
        value = data.first
        while value <= data.last:
            for words in self._numbers.sayings(value, digits=data.digits):
                entries.setdefault(words, value)
            value += data.step
        if not entries:
            raise GrammarError(f"list {{{name}}} is empty: from {data.first} to {data.last}.")
        return entries

    def _words(self, name: str, data: Mapping[str, str]) -> dict[tuple[str, ...], Value]:
        entries: dict[tuple[str, ...], Value] = {}
        for template, value in data.items():
            for words in sentences(self.template(template)):
                if not words:
                    raise GrammarError(f"list {{{name}}}, {template!r} may match nothing.")
                if entries.setdefault(words, value) != value:
                    raise GrammarError(f"list {{{name}}}: {' '.join(words)!r} has two values.")
        if not entries:
            raise GrammarError(f"list {{{name}}} is empty.")
        return entries


# --- walks ------------------------------------------------------------------------------------


def match(node: Node, words: tuple[str, ...], at: int) -> Iterator[tuple[int, tuple[Slot, ...]]]:
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
                yield from match(way, words, at)
        case _All(parts):
            if not parts:
                yield at, ()
                return
            for middle, slots in match(parts[0], words, at):
                for end, more in match(_All(parts[1:]), words, middle):
                    yield end, slots + more


def build(node: Node, nfa: Nfa, state: int) -> int:
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
                nfa.join(build(way, nfa, state), end)
            return end
        case _All(parts):
            for part in parts:
                state = build(part, nfa, state)
            return state


def sentences(node: Node) -> Iterator[tuple[str, ...]]:
    match node:
        case _Word(word):
            yield (word,)
        case _Slot(_, entries):
            yield from entries
        case _Any(ways):
            for way in ways:
                yield from sentences(way)
        case _All(parts):
            if not parts:
                yield ()
                return
            for first in sentences(parts[0]):
                for rest in sentences(_All(parts[1:])):
                    yield first + rest


def sample(node: Node, rng: random.Random) -> tuple[str, ...]:
    match node:
        case _Word(word):
            return (word,)
        case _Slot(_, entries):
            return rng.choice(list(entries))
        case _Any(ways):
            return sample(rng.choice(ways), rng)
        case _All(parts):
            return tuple(word for part in parts for word in sample(part, rng))


def may_be_empty(node: Node) -> bool:
    match node:
        case _Any(ways):
            return any(may_be_empty(way) for way in ways)
        case _All(parts):
            return all(may_be_empty(part) for part in parts)
    return False
