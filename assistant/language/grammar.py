"""The grammar: rules read from data, used to parse, enumerate and build the word graph.

The form of the files is in ``grammar/README.md``. A rule becomes a small tree of nodes; the strict
parse walks the tree over the words and keeps what each slot took.
"""

import random
import re
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import combinations, islice

from assistant.errors import GrammarError
from assistant.language.abnf import (
    Choice,
    Expansion,
    Reference,
    Rule,
    Sheet,
    read_abnf,
    text_of,
)  # fmt: skip
from assistant.language.automaton import Nfa
from assistant.language.grammar_files import (
    CALLS_FILE,
    NUMBERS_FILE,
    PRONUNCIATIONS_FILE,
    at,
    read_confusions,
    read_numbers,
    read_pronunciations,
)
from assistant.language.numbers import NumberWords, join, plain_words
from assistant.language.phrase_tree import (
    Entries,
    Node,
    Slot,
    TreeReader,
    Value,
    build,
    match,
    may_be_empty,
    sample,
    sentences,
)
from assistant.language.sentence_graph import WordGraph
from assistant.units import Unit

TAG_FORMAT = "semantics/1.0-literals"  # a tag is its value, as it stands

_FEW = 12  # sentences of a phrasing that the phrase card prints one by one


@dataclass(frozen=True, slots=True)
class Parsed:
    """A sentence of the grammar: command name, slots in the order said, and which phrasing."""

    command: str
    slots: tuple[Slot, ...]
    words: tuple[str, ...]
    phrasing: str

    def values(self, name: str) -> tuple[Value, ...]:
        """Values of all slots called ``name``, in order."""
        return tuple(slot.value for slot in self.slots if slot.name == name)


@dataclass(frozen=True, slots=True)
class CommandHelp:
    """What the phrase card says of one command."""

    name: str
    about: str
    group: str
    examples: tuple[str, ...] = ()


# --- the grammar ------------------------------------------------------------------------------


class Grammar:
    """Everything that can be said, from the texts of a grammar folder.

    files: file name -> text (see ``grammar/README.md``). unit: METRIC takes the ``metric ranges``
    in place of the plain ones. Raises GrammarError with file, place and reason.
    """

    def __init__(self, files: Mapping[str, str], *, unit: Unit = Unit.INCH) -> None:
        if CALLS_FILE not in files:
            raise GrammarError(f"The grammar folder has no {CALLS_FILE}: it needs one.")
        self.unit = unit
        self.numbers: NumberWords | None = None
        ranges: dict[tuple[str, str], Entries] = {}
        if NUMBERS_FILE in files:
            self.numbers, ranges = read_numbers(files, unit)
        self._phrasings: list[tuple[str, str, Node]] = []
        with at(CALLS_FILE, ""):
            sheet = read_abnf(files[CALLS_FILE])
            reader = TreeReader(sheet.rules, ranges)
            commands = _commands(sheet)
            for rule in sheet.rules.values():
                if rule.name != sheet.root:
                    reader.rule(rule.name, rule.line)
            for command in commands:
                self._phrasings += _phrasings(command, reader)
        self.commands = tuple(_help(command) for command in commands)
        apart = {sheet.root, *(command.name for command in commands), *reader.entries}
        self._parts = {
            rule.name: text_of(rule.expansion)
            for rule in sheet.rules.values()
            if rule.name not in apart
        }
        self._lists: Mapping[str, Entries] = reader.entries
        self.pronunciations = read_pronunciations(files.get(PRONUNCIATIONS_FILE, ""))
        self.confusions: tuple[tuple[str, str], ...] = read_confusions(files)

    def parse(self, words: Sequence[str]) -> Parsed | None:
        """The command that ``words`` say, or None if they are no sentence of the grammar.

        Strict: every word must have its place. Of two ways to read a sentence the phrasing that
        stands first in the file wins; the tests see to it that no two commands share a sentence.
        """
        return next(self.parses(words), None)

    def parses(self, words: Sequence[str]) -> Iterator[Parsed]:
        """Every way to read ``words``, in file order."""
        said = tuple(words)
        for command, text, node in self._phrasings:
            for end, slots in match(node, said, 0):
                if end == len(said):
                    yield Parsed(command, slots, said, text)

    def meaning(self, words: Sequence[str]) -> Hashable:
        """What words mean: the command and the values of its slots, whatever the wording.

        The job's own unit adds nothing, the other one does. Words that are no sentence mean
        themselves.
        """
        parsed = self.parse(words)
        if parsed is None:
            return "", tuple(("word", word) for word in words)
        return parsed.command, tuple(
            (slot.name, slot.value)
            for slot in parsed.slots
            if slot.name != "unit" or slot.value != self.unit.value
        )

    def words_of(self, text: str) -> tuple[str, ...]:
        """Typed text as words of the grammar: lower case, figures spelled out."""
        words = " ".join(plain_words(text))
        return tuple((self.numbers.spell_figures(words) if self.numbers else words).split())

    @cached_property
    def graph(self) -> WordGraph:
        """The smallest deterministic word graph that accepts exactly the sentences."""
        return self._graph_of(node for _, _, node in self._phrasings)

    def _graph_of(self, nodes: Iterable[Node]) -> WordGraph:
        nfa = Nfa()
        for node in nodes:
            nfa.finals.add(build(node, nfa, nfa.start))
        return nfa.minimal_graph(self.pronunciations)

    @cached_property
    def _graphs(self) -> dict[str, WordGraph]:
        """That of each command alone."""
        return {
            command.name: self._graph_of(
                node for name, _, node in self._phrasings if name == command.name
            )
            for command in self.commands
        }

    @property
    def vocabulary(self) -> tuple[str, ...]:
        """All words that can be said, sorted."""
        return self.graph.vocabulary

    def is_complete(self, words: Sequence[str]) -> bool:
        """Whether ``words`` are a whole sentence."""
        return self.graph.accepts(words)

    def is_prefix(self, words: Sequence[str]) -> bool:
        """Whether ``words`` begin some sentence."""
        return self.graph.begins(words)

    def next_words(self, words: Sequence[str]) -> frozenset[str]:
        """Words that may follow ``words`` in some sentence; empty if none may."""
        return self.graph.next_words(words)

    def options(self, words: Sequence[str]) -> tuple[str, ...]:
        """Words that may follow, sorted; of those that mean the same the first in the file.

        A unit only where nothing else can follow, and then the job's own.
        """
        following = self.next_words(words) - self._unit_words
        if not following:
            own = {said[0] for said, unit in self._units.items() if unit == self.unit.value}
            return tuple(sorted(self.next_words(words) & own))
        first = [said[0] for entries in self._lists.values() for said in entries]
        rank = {word: -place for place, word in enumerate(reversed(first))}
        by_meaning: dict[Hashable, str] = {}
        for word in sorted(following, key=lambda word: (rank.get(word, 1), word)):
            by_meaning.setdefault(self.meaning((*words, word)), word)
        return tuple(sorted(by_meaning.values()))

    def may_go_on(self, words: Sequence[str]) -> bool:
        """Whether more than a unit may follow ``words``.

        "Ground two" may become two and a half; "ground two and a half" only gets its "thou". A unit
        is not waited for: it would cost every cut the pause, and who says it says it in one breath.
        """
        return any(
            word not in self._unit_words or self.may_go_on((*words, word))
            for word in self.next_words(words)
        )

    @property
    def _units(self) -> Entries:
        return self._lists.get("unit", {})

    @property
    def _unit_words(self) -> frozenset[str]:
        return frozenset(word for said in self._units for word in said)

    def may_become_another(self, words: Sequence[str]) -> bool:
        """Whether ``words`` are a sentence that begins one of another command.

        "Cylinder two second ring" takes up a ring; with "fifteen goes" it is a reading.
        """
        parsed = self.parse(words)
        return parsed is not None and bool(self.begun(words) - {parsed.command})

    def begun(self, words: Sequence[str]) -> frozenset[str]:
        """Names of the commands that have a sentence which begins with ``words`` or is them."""
        said = tuple(words)
        return frozenset(name for name, graph in self._graphs.items() if graph.begins(said))

    def refuse_double_meaning(self) -> None:
        """Raises GrammarError if two commands share a sentence: the first in the file would take
        it and nobody would know."""
        for one, other in combinations(self._graphs, 2):
            shared = self._graphs[one].shared_with(self._graphs[other])
            if shared is not None:
                raise GrammarError(
                    f"{CALLS_FILE}: {join(shared)!r} is a sentence of {one!r} and of {other!r}: "
                    "each sentence may belong to one command; change one of them."
                )

    def sayings(self, command: str, most: int) -> tuple[tuple[str, ...], ...] | None:
        """All sentences of a command in file order; None if there are more than ``most``."""
        every = (
            said for name, _, node in self._phrasings if name == command for said in sentences(node)
        )
        few = tuple(islice(every, most + 1))
        return few if len(few) <= most else None

    def sample(self, rng: random.Random, *, command: str | None = None) -> Parsed:
        """One random sentence: a phrasing with equal chance, then every choice with equal chance.

        command: only sentences of this command. Raises GrammarError if there is no such command.
        """
        pool = [entry for entry in self._phrasings if command in (None, entry[0])]
        if not pool:
            raise GrammarError(f"There is no command {command!r} in this grammar.")
        name, text, node = rng.choice(pool)
        words = sample(node, rng)
        slots = next(slots for end, slots in match(node, words, 0) if end == len(words))
        return Parsed(name, slots, words, text)

    def short_sentence(self, command: str) -> str:
        """A short sentence of a command of this grammar, the same every time."""
        rng = random.Random(1)  # noqa: S311 not for secrets
        nodes = [node for name, _, node in self._phrasings if name == command]
        return min((join(sample(node, rng)) for node in nodes for _ in range(20)), key=len)

    def word_lists(self) -> Iterator[tuple[str, tuple[str, ...]]]:
        """(rule, its words) of every list of words with a meaning that holds no numbers."""
        for name, entries in self._lists.items():
            if not any(isinstance(value, Decimal) for value in entries.values()):
                yield name, tuple(join(words) for words in entries)

    def card(self) -> Iterator[str]:
        """Everything that can be said: commands by group, then the parts they are made of.

        A command of few sentences lists them; others show their phrasings and an example.
        """
        rng = random.Random(1)  # the same card every time  # noqa: S311
        group = None
        for command in self.commands:
            if command.group != group:
                group = command.group
                yield from ("", (group or "commands").upper())
            yield f"  {command.about or command.name}"
            for _, text, node in (entry for entry in self._phrasings if entry[0] == command.name):
                few = [join(words) for words in islice(sentences(node), _FEW + 1)]
                if len(few) <= _FEW:
                    yield from (f"      {sentence}" for sentence in few)
                else:
                    samples = sorted((join(sample(node, rng)) for _ in range(20)), key=len)
                    yield f"      {_readable(text)}    for example: {samples[5]}"
        yield from ("", "PARTS   [ ] may be left out, | is or")
        yield from (f"  <{name}>  {_readable(text)}" for name, text in self._parts.items())
        for name, entries in self._lists.items():
            numbers = [value for value in entries.values() if isinstance(value, Decimal)]
            ways = " | ".join(join(words) for words in entries)
            if numbers:
                first, last = (f"{edge.normalize():f}" for edge in (min(numbers), max(numbers)))
                shown = [join(words) for words in entries][-4:]
                ways = f"{first} to {last}, said like {', '.join(shown)}"
            yield f"  <{name}>  {ways}"


def _ways(expansion: Expansion) -> tuple[Expansion, ...]:
    return expansion.ways if isinstance(expansion, Choice) else (expansion,)


def _commands(sheet: Sheet) -> list[Rule]:
    """The rules that the root names. Raises GrammarError if it holds anything else."""
    root = sheet.rules[sheet.root]
    if sheet.tag_format not in ("", TAG_FORMAT):
        raise GrammarError(
            f"tag-format {sheet.tag_format} is not read: write 'tag-format <{TAG_FORMAT}>;'."
        )
    rules = []
    for way in _ways(root.expansion):
        if not isinstance(way, Reference):
            raise GrammarError(
                f"line {root.line}: {text_of(way)[:40]!r} in the root ${root.name}: it only names "
                "commands, like '$first | $second'; give this a rule of its own."
            )
        if way.name not in sheet.rules:
            raise GrammarError(f"line {way.line}: there is no rule ${way.name}.")
        if sheet.rules[way.name] in rules or way.name == root.name:
            raise GrammarError(f"line {way.line}: ${way.name} in the root stands twice.")
        rules.append(sheet.rules[way.name])
    return rules


def _phrasings(command: Rule, reader: TreeReader) -> list[tuple[str, str, Node]]:
    """(command, text, tree) of each way that its rule lists."""
    if reader.is_slot(command.name):
        ways: tuple[Expansion, ...] = (Reference(command.name, command.line),)
    else:
        ways = _ways(command.expansion)
    made = []
    for way in ways:
        node = reader.way(way, command.line)
        if may_be_empty(node):
            raise GrammarError(
                f"line {command.line}: {text_of(way)[:40]!r} in ${command.name} may match nothing "
                "at all; put a word outside [ ]."
            )
        made.append((command.name, text_of(way), node))
    return made


def _help(command: Rule) -> CommandHelp:
    """From the comment before the rule: what it is about, its group (@group), examples."""
    lines = command.comment.splitlines()
    about = " ".join(line for line in lines if not line.startswith("@"))
    groups = [line.removeprefix("@group ") for line in lines if line.startswith("@group ")]
    shown = [line.removeprefix("@example ") for line in lines if line.startswith("@example ")]
    return CommandHelp(command.name, about, groups[0] if groups else "", tuple(shown))


def _readable(phrasing: str) -> str:
    """A phrasing for the card: rules as <leaf>, how often in words."""
    words = re.sub(r" <(\d+)(?:-(\d+))?>", _times, phrasing)
    return re.sub(r"\$([^\W\d]\w*)", r"<\1>", words)


def _times(found: re.Match[str]) -> str:
    return f" ({found[1]} to {found[2]} times)" if found[2] else f" ({found[1]} times)"
