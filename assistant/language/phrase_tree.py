"""The small trees that sentences are matched, enumerated and built from.

A rule of the grammar (``abnf``, form: ``grammar/README.md``) becomes a tree of four kinds of node.
Everything that can be done with a sentence is a walk over that tree.
"""

import random
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import islice

from assistant.errors import GrammarError
from assistant.language.abnf import (
    Choice,
    Expansion,
    Outside,
    Reference,
    Repeat,
    Row,
    Rule,
    Tag,
    Word,
    text_of,
)  # fmt: skip
from assistant.language.automaton import Nfa

Value = str | Decimal
Entries = Mapping[tuple[str, ...], Value]
"""What a slot may be: the words said -> its value."""

# Far above any bench's grammar: a few lines can stand for billions of words.
_MOST_WORDS = 200_000
_LONGEST = 150
_DEEPEST = 40
_MOST_ENTRIES = 5_000


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


class TreeReader:
    """Turns rules into trees; knows the rules and the outside lists they may use.

    rules: by name. outside: (file, name) -> the list of that file; what is not there is refused.
    A rule with tags is a slot: its name, and the tag of what was said as its value. So is a rule
    that is nothing but an outside list.
    """

    def __init__(
        self, rules: Mapping[str, Rule], outside: Mapping[tuple[str, str], Entries]
    ) -> None:
        self._rules = rules
        self._outside = outside
        self.entries: dict[str, Entries] = {}
        self._nodes: dict[str, Node] = {}
        self._sizes: dict[int, tuple[int, int]] = {}
        self._kept: list[Node] = []  # so that no other node gets the id of one that was counted
        self._open: list[str] = []

    def rule(self, name: str, line: int) -> Node:
        """The tree of a rule. line: where it is named. Raises GrammarError with line and reason."""
        if name not in self._rules:
            raise _wrong(line, f"there is no rule ${name}; rules: {', '.join(self._rules)}.")
        if name in self._open:
            raise _wrong(line, f"rule ${name} uses itself.")
        if len(self._open) > _DEEPEST:
            raise _wrong(line, f"rules use each other more than {_DEEPEST} deep.")
        if name not in self._nodes:
            self._open.append(name)
            self._nodes[name] = self._new(self._rules[name])
            self._open.pop()
        return self._nodes[name]

    def way(self, expansion: Expansion, line: int) -> Node:
        """The tree of a part of a rule without tags. Raises GrammarError with line and reason."""
        node = self._node(expansion)
        words, longest = self._size(node)
        if words > _MOST_WORDS or longest > _LONGEST:
            raise _wrong(line, f"{text_of(expansion)[:40]!r} stands for too many words.")
        return node

    def is_slot(self, name: str) -> bool:
        """Whether the rule keeps what was said: it has tags or is an outside list."""
        expansion = self._rules[name].expansion
        return isinstance(expansion, Outside) or has_tags(expansion)

    def _new(self, rule: Rule) -> Node:
        if isinstance(rule.expansion, Outside):
            entries = self._list(rule.expansion)
        elif has_tags(rule.expansion):
            entries = self._tagged(rule)
        else:
            return self.way(rule.expansion, rule.line)
        self.entries[rule.name] = entries
        return _Slot(rule.name, entries)

    def _node(self, expansion: Expansion) -> Node:
        match expansion:
            case Word(text, line):
                return _joined([_Word(word) for word in _plain(text, line)])
            case Reference(name, line):
                return self.rule(name, line)
            case Outside(file, name, line):
                raise _wrong(
                    line,
                    f"$<{file}#{name}> needs a rule of its own, like '$leaf = $<{file}#{name}>;'.",
                )
            case Tag(text, line):
                raise _wrong(
                    line, f"{{{text}}}: a tag stands at the end of one of the ways of its rule."
                )
            case Row(parts):
                return _joined([self._node(part) for part in parts])
            case Choice(ways):
                return _Any(tuple(self._node(way) for way in ways))
            case Repeat(part, least, most):
                once = self._node(part)
                more: Node = NOTHING
                for _ in range(most - least):
                    more = _Any((once if more is NOTHING else _All((once, more)), NOTHING))
                return _joined([once] * least + ([more] if most > least else []))

    def _list(self, place: Outside) -> Entries:
        if (place.file, place.name) not in self._outside:
            known = ", ".join(f"$<{file}#{name}>" for file, name in self._outside) or "none"
            raise _wrong(
                place.line, f"there is no list $<{place.file}#{place.name}>; lists: {known}."
            )
        return self._outside[place.file, place.name]

    def _tagged(self, rule: Rule) -> Entries:
        """Words to value of a rule with tags."""
        ways = rule.expansion.ways if isinstance(rule.expansion, Choice) else (rule.expansion,)
        entries: dict[tuple[str, ...], Value] = {}
        for way in ways:
            *said, tag = way.parts if isinstance(way, Row) else (way,)
            if not isinstance(tag, Tag) or not tag.text:
                raise _wrong(
                    rule.line,
                    f"rule ${rule.name}: {text_of(way)[:40]!r} has no tag at its end; if one way "
                    "has a tag all need one.",
                )
            node = self.way(Row(tuple(said)), tag.line)
            if _has_slot(node):
                raise _wrong(
                    tag.line, f"rule ${rule.name} has tags, so the rules in it must have none."
                )
            every = list(islice(sentences(node), _MOST_ENTRIES + 1))
            if len(every) + len(entries) > _MOST_ENTRIES:
                raise _wrong(tag.line, f"rule ${rule.name} has more than {_MOST_ENTRIES} ways.")
            for words in every:
                if not words:
                    raise _wrong(tag.line, f"rule ${rule.name}, {{{tag.text}}} may match nothing.")
                if entries.setdefault(words, tag.text) != tag.text:
                    raise _wrong(
                        tag.line, f"rule ${rule.name}: {' '.join(words)!r} has two meanings."
                    )
        return entries

    def _size(self, node: Node) -> tuple[int, int]:
        """(words it stands for, how long it can get), counted once however often it is used."""
        if id(node) not in self._sizes:
            words, longest = 1, 1
            match node:
                case _Slot(_, entries):
                    words, longest = sum(map(len, entries)), node.longest
                case _Any(ways):
                    sizes = [self._size(way) for way in ways]
                    words, longest = sum(w for w, _ in sizes), 1 + max(n for _, n in sizes)
                case _All(parts):
                    sizes = [self._size(part) for part in parts]
                    words, longest = sum(w for w, _ in sizes), 1 + sum(n for _, n in sizes)
            self._sizes[id(node)] = words, longest
            self._kept.append(node)
        return self._sizes[id(node)]


def has_tags(expansion: Expansion) -> bool:
    """Whether a tag stands in the expansion itself; rules that it names are not looked into."""
    match expansion:
        case Tag():
            return True
        case Row(parts) | Choice(parts):
            return any(has_tags(part) for part in parts)
        case Repeat(part):
            return has_tags(part)
    return False


def _wrong(line: int, reason: str) -> GrammarError:
    return GrammarError(f"line {line}: {reason}")


def _plain(text: str, line: int) -> list[str]:
    words = text.split()
    for word in words:
        if word != word.lower() or not re.fullmatch(r"[^\W\d_]+(?:'[^\W\d_]+)*'?", word):
            raise _wrong(line, f"{word!r} is not a plain lower-case word.")
    return words


def _joined(parts: list[Node]) -> Node:
    return parts[0] if len(parts) == 1 else _All(tuple(parts))


def _has_slot(node: Node) -> bool:
    match node:
        case _Slot():
            return True
        case _Any(parts) | _All(parts):
            return any(_has_slot(part) for part in parts)
    return False


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
    """All ways to say the node, in order; one may come twice."""
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
    """One way to say the node, every choice with equal chance."""
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
    """Whether the node can be said without a word."""
    match node:
        case _Any(ways):
            return any(may_be_empty(way) for way in ways)
        case _All(parts):
            return all(may_be_empty(part) for part in parts)
    return False
