"""The grammar: templates read from data, used to parse, enumerate and build the word graph.

The syntax of the files is in ``grammar/README.md``. A template becomes a small tree of nodes;
the strict parse walks the tree over the words and keeps what each slot took.
"""

import random
import re
import reprlib
from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import combinations, islice
from typing import Annotated, TypeVar

import yaml
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from assistant.errors import GrammarError
from assistant.language.automaton import Nfa
from assistant.language.numbers import NumberWords, check_number_words, join, plain_words
from assistant.language.sentence_graph import WordGraph
from assistant.language.templates import (
    Entries,
    Node,
    NumberRange,
    Slot,
    TemplateReader,
    Value,
    build,
    match,
    may_be_empty,
    sample,
    sentences,
)  # fmt: skip
from assistant.units import Unit

COMMANDS_FILE = "commands.yaml"
LISTS_FILE = "lists.yaml"
PRONUNCIATIONS_FILE = "pronunciations.yaml"
CONFUSIONS_FILE = "confusions.yaml"
REPLIES_FILE = "replies.yaml"

_FEW = 12  # sentences of a template that the phrase card prints one by one


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


# --- the files --------------------------------------------------------------------------------


class _Data(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Command(_Data):
    about: str = ""
    group: str = ""
    say: list[str] = Field(min_length=1)


class _Commands(_Data):
    rules: dict[str, str] = Field(default_factory=dict)
    commands: dict[str, _Command] = Field(min_length=1)


class _Numbers(_Data):
    units: tuple[str, ...]
    tens: dict[int, str]
    half: str = ""
    half_alone: tuple[str, ...] = ()
    point: str = ""


class _Range(_Data):
    first: Decimal = Field(alias="from")
    last: Decimal = Field(alias="to")
    step: Decimal = Field(gt=0)
    digits: bool = True


def _as_map(entries: object) -> object:
    """A plain list of words is a map of each word to itself. Raises ValueError for what is none."""
    if isinstance(entries, dict) and "from" in entries:
        return entries
    if not isinstance(entries, dict | list):
        raise ValueError(f"write words, or a range like {_RANGE}")
    pairs = entries.items() if isinstance(entries, dict) else zip(entries, entries, strict=True)
    for said, value in pairs:
        for part in (said, value):
            if not isinstance(part, str):
                raise ValueError(
                    f"{reprlib.repr(part)} is no word: write each entry as words with a value that "
                    f'is a word ("snug": snug, a figure in quotes), or a range like {_RANGE}'
                )
    return dict(pairs) if isinstance(entries, dict) else {entry: entry for entry in entries}


_RANGE = "{from: 1, to: 60, step: 0.5}"


_List = Annotated[_Range | dict[str, str], BeforeValidator(_as_map)]


class _ListsFile(_Data):
    numbers: _Numbers | None = None
    lists: dict[str, _List] = Field(default_factory=dict)
    metric: dict[str, _List] = Field(default_factory=dict)


class _Confusions(_Data):
    pairs: list[tuple[str, str]] = Field(default_factory=list)
    one_way: list[tuple[str, str]] = Field(default_factory=list)

    def directed(self) -> tuple[tuple[str, str], ...]:
        """(heard, meant) of each."""
        return (*self.pairs, *((two, one) for one, two in self.pairs), *self.one_way)


# --- the grammar ------------------------------------------------------------------------------


class Grammar:
    """Everything that can be said, from the texts of a grammar folder.

    files: file name -> text (see ``grammar/README.md``). unit: METRIC takes the lists under
    ``metric`` in place of the plain ones. Raises GrammarError with file, place and reason.
    """

    def __init__(self, files: Mapping[str, str], *, unit: Unit = Unit.INCH) -> None:
        for needed in (COMMANDS_FILE, LISTS_FILE):
            if needed not in files:
                raise GrammarError(f"The grammar folder has no {needed}: it needs one.")
        self.unit = unit
        lists = _read(_ListsFile, LISTS_FILE, files)
        self.numbers: NumberWords | None = None
        if lists.numbers is not None:
            self.numbers = NumberWords(**lists.numbers.model_dump())
            with _at(LISTS_FILE, "numbers"):
                check_number_words(self.numbers)
        chosen = lists.lists | (lists.metric if unit is Unit.METRIC else {})
        data = _read(_Commands, COMMANDS_FILE, files)
        ranges = {
            name: NumberRange(entry.first, entry.last, entry.step, digits=entry.digits)
            if isinstance(entry, _Range)
            else entry
            for name, entry in chosen.items()
        }
        reader = TemplateReader(data.rules, ranges, self.numbers)
        self._templates: list[tuple[str, str, Node]] = []
        helps = []
        for name, command in data.commands.items():
            for text in command.say:
                with _at(COMMANDS_FILE, f"command {name!r}, template {text!r}"):
                    node = reader.template(text)
                    if may_be_empty(node):
                        raise GrammarError("it may match nothing at all; put a word outside [ ].")
                self._templates.append((name, text, node))
            helps.append(CommandHelp(name, command.about, command.group, tuple(command.say)))
        self.commands: tuple[CommandHelp, ...] = tuple(helps)
        self._rules: Mapping[str, str] = data.rules
        self._lists: Mapping[str, Entries] = reader.entries
        self.pronunciations = _pronunciations(files)
        self.confusions: tuple[tuple[str, str], ...] = tuple(
            _read(_Confusions, CONFUSIONS_FILE, files).directed()
            if CONFUSIONS_FILE in files
            else ()
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
            for end, slots in match(node, said, 0):
                if end == len(said):
                    yield Parsed(command, slots, said, text)

    def meaning(self, words: Sequence[str]) -> Hashable:
        """What words mean: the command and the values of its slots, whatever the wording.

        The job's own unit adds nothing, the other one does. Words that are no sentence mean
        themselves.
        """
        return self._meaning(words, aside=[self.unit.value])

    def _meaning(self, words: Sequence[str], *, aside: Collection[str]) -> Hashable:
        """The same. aside: values of the slot ``unit`` that add nothing."""
        parsed = self.parse(words)
        if parsed is None:
            return "", tuple(("word", word) for word in words)
        return parsed.command, tuple(
            (slot.name, slot.value)
            for slot in parsed.slots
            if slot.name != "unit" or slot.value not in aside
        )

    def words_of(self, text: str) -> tuple[str, ...]:
        """Typed text as words of the grammar: lower case, figures spelled out."""
        words = " ".join(plain_words(text))
        return tuple((self.numbers.spell_figures(words) if self.numbers else words).split())

    @cached_property
    def graph(self) -> WordGraph:
        """The smallest deterministic word graph that accepts exactly the sentences."""
        return self._graph_of(node for _, _, node in self._templates)

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
                node for name, _, node in self._templates if name == command.name
            )
            for command in self.commands
        }

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

    def may_mean_more(self, words: Sequence[str]) -> bool:
        """Whether some words that may follow ``words`` would change what they mean.

        "Ground two" may become two and a half; "ground two and a half" only gets its "thou". Nor is
        the other unit waited for: it would cost every call the pause, and who says it says it in
        one breath.
        """
        units = [unit.value for unit in Unit]
        meaning = self._meaning(words, aside=units)
        return any(
            self._meaning(longer, aside=units) != meaning or self.may_mean_more(longer)
            for longer in ((*words, word) for word in self.next_words(words))
        )

    def may_become_another(self, words: Sequence[str]) -> bool:
        """Whether ``words`` are a sentence that begins one of another command.

        "Cylinder two second ring" takes up a ring; with "fifteen goes" it is a reading.
        """
        parsed = self.parse(words)
        return parsed is not None and any(
            name != parsed.command and graph.begins(tuple(words))
            for name, graph in self._graphs.items()
        )

    def refuse_double_meaning(self) -> None:
        """Raises GrammarError if two commands share a sentence: the first in the file would take
        it and nobody would know."""
        for one, other in combinations(self._graphs, 2):
            shared = self._graphs[one].shared_with(self._graphs[other])
            if shared is not None:
                raise GrammarError(
                    f"{COMMANDS_FILE}: {join(shared)!r} is a sentence of {one!r} and of {other!r}: "
                    "each sentence may belong to one command; change one of them."
                )

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
        words = sample(node, rng)
        slots = next(slots for end, slots in match(node, words, 0) if end == len(words))
        return Parsed(name, slots, words, text)

    def card(self) -> Iterator[str]:
        """The lines of the phrase card: commands by group, then the parts they are made of.

        A command of few sentences lists them; others show their templates and an example.
        """
        rng = random.Random(1)  # the same card every time  # noqa: S311
        group = None
        for command in self.commands:
            if command.group != group:
                group = command.group
                yield from ("", (group or "commands").upper())
            yield f"  {command.about or command.name}"
            for _, text, node in (entry for entry in self._templates if entry[0] == command.name):
                few = [join(words) for words in islice(sentences(node), _FEW + 1)]
                if len(few) <= _FEW:
                    yield from (f"      {sentence}" for sentence in few)
                else:
                    samples = sorted((join(sample(node, rng)) for _ in range(20)), key=len)
                    yield f"      {_readable(text)}    for example: {samples[5]}"
        yield from ("", "PARTS   [ ] may be left out, | is or")
        yield from (f"  <{name}>  {_readable(text)}" for name, text in self._rules.items())
        for name, entries in self._lists.items():
            numbers = [value for value in entries.values() if isinstance(value, Decimal)]
            ways = " | ".join(join(words) for words in entries)
            if numbers:
                first, last = (f"{edge.normalize():f}" for edge in (min(numbers), max(numbers)))
                shown = [join(words) for words in entries][-4:]
                ways = f"{first} to {last}, said like {', '.join(shown)}"
            yield f"  <{name}>  {ways}"

    def sentences(self, *, template: str) -> Iterator[tuple[str, ...]]:
        """All sentences of one template, in order; may be very many."""
        for _, text, node in self._templates:
            if text == template:
                yield from sentences(node)


_Model = TypeVar("_Model", bound=_Data)


# --- reading the files ------------------------------------------------------------------------


class _at:  # noqa: N801 - reads as a statement: with _at(file, place)
    """Put file and place before the text of a GrammarError that passes through."""

    def __init__(self, file: str, place: str) -> None:
        self._where = f"{file}, {place}: " if place else f"{file}, "

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if isinstance(error, GrammarError) and not str(error).startswith(self._where):
            raise GrammarError(f"{self._where}{error}") from error


class _WordLoader(yaml.SafeLoader):
    """Reads yes, no, on and off as words, as YAML 1.2 does (core schema, 10.3.2); 1.1 does not."""

    yaml_implicit_resolvers = {  # noqa: RUF012 the library's own way
        first: [(tag, form) for tag, form in known if tag != "tag:yaml.org,2002:bool"]
        for first, known in yaml.SafeLoader.yaml_implicit_resolvers.items()
    }

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        """A node, but no alias: a few lines of them can stand for billions of words."""
        if self.check_event(yaml.AliasEvent):
            at = self.peek_event().start_mark  # type: ignore[no-untyped-call]
            raise GrammarError(
                f"line {at.line + 1}: *names of other places are not allowed; write it out there."
            )
        return super().compose_node(parent, index)


_WordLoader.add_implicit_resolver(
    "tag:yaml.org,2002:bool", re.compile(r"(?:true|True|TRUE|false|False|FALSE)$"), list("tTfF")
)


def load_yaml(name: str, text: str) -> object:
    """What a file of a grammar folder holds; {} if nothing. name: of the file, for messages.

    Raises GrammarError if it is no YAML, nests too deep, or uses aliases.
    """
    try:
        with _at(name, ""):
            return yaml.load(text, _WordLoader) or {}  # noqa: S506 a SafeLoader
    except RecursionError as error:
        raise GrammarError(f"{name} is nested too deep: three levels are enough.") from error
    except (yaml.YAMLError, ValueError) as error:  # ValueError: a date of the 45th
        raise GrammarError(f"{name} is not YAML: {' '.join(str(error).split())}") from error


def _read(model: type[_Model], name: str, files: Mapping[str, str]) -> _Model:
    try:
        return model.model_validate(load_yaml(name, files[name]))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "top"
        raise GrammarError(
            f"{name}, {place}: {first['msg']} (found {reprlib.repr(first['input'])})."
        ) from error


def _pronunciations(files: Mapping[str, str]) -> dict[str, tuple[str, ...]]:
    data = load_yaml(PRONUNCIATIONS_FILE, files.get(PRONUNCIATIONS_FILE, ""))
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


def _readable(template: str) -> str:
    """A template with slots written like rules: <leaf>."""
    return re.sub(r"\{(\w+)(?::\w+)?\}", r"<\1>", template)
