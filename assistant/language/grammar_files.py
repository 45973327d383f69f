"""The files of a grammar folder beside the rules: numbers, pronunciations, confusions; and YAML."""

import re
import reprlib
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from assistant.errors import GrammarError
from assistant.language.numbers import NumberRange, NumberWords, check_number_words
from assistant.language.phrase_tree import Entries
from assistant.units import Unit

CALLS_FILE = "calls.abnf"
NUMBERS_FILE = "numbers.yaml"
PRONUNCIATIONS_FILE = "pronunciations.dict"
CONFUSIONS_FILE = "confusions.yaml"
REPLIES_FILE = "replies.yaml"


class _Data(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Words(_Data):
    ones: tuple[str, ...]
    tens: dict[int, str]
    half: str = ""
    half_alone: tuple[str, ...] = Field(default=(), alias="half alone")
    point: str = ""
    leading_zero: str = Field(default="", alias="leading zero")


class _Range(_Data):
    least: Decimal = Field(ge=0)
    most: Decimal
    by: Decimal = Field(gt=0)
    digits: bool = Field(default=True, alias="digit by digit")


class _NumbersFile(_Data):
    words: _Words
    ranges: dict[str, _Range] = Field(default_factory=dict)
    metric_ranges: dict[str, _Range] = Field(default_factory=dict, alias="metric ranges")


class _Confusions(_Data):
    pairs: list[tuple[str, str]] = Field(default_factory=list)
    one_way: list[tuple[str, str]] = Field(default_factory=list)

    def directed(self) -> tuple[tuple[str, str], ...]:
        """(heard, meant) of each."""
        return (*self.pairs, *((two, one) for one, two in self.pairs), *self.one_way)


_Model = TypeVar("_Model", bound=_Data)


class at:  # noqa: N801 - reads as a statement: with at(file, place)
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
        with at(name, ""):
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


def read_numbers(
    files: Mapping[str, str], unit: Unit
) -> tuple[NumberWords, dict[tuple[str, str], Entries]]:
    """How numbers are said, and (file, name) -> the numbers of each range. Raises GrammarError."""
    data = _read(_NumbersFile, NUMBERS_FILE, files)
    numbers = NumberWords(**data.words.model_dump())
    if unit is not Unit.INCH:
        numbers = replace(numbers, leading_zero="")
    with at(NUMBERS_FILE, "words"):
        check_number_words(numbers)
    chosen = data.ranges | (data.metric_ranges if unit is Unit.METRIC else {})
    entries: dict[tuple[str, str], Entries] = {}
    for name, row in chosen.items():
        with at(NUMBERS_FILE, f"range {name}"):
            numbered = NumberRange(row.least, row.most, row.by, digits=row.digits)
            entries[NUMBERS_FILE, name] = numbered.entries(numbers)
    return numbers, entries


def read_pronunciations(text: str) -> dict[str, tuple[str, ...]]:
    """Word -> its pronunciations without stress, from the plain form of the CMU dictionary.

    Raises GrammarError with file and line.
    """
    ways: dict[str, list[str]] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if line.startswith(";;;") or not line.strip():
            continue
        head, *phones = line.split(" #")[0].split()
        word = re.sub(r"\(\d+\)$", "", head).lower()
        if not phones or not all(re.fullmatch(r"[A-Z]+[012]?", phone) for phone in phones):
            raise GrammarError(
                f"{PRONUNCIATIONS_FILE}, line {number}: write a word and its phones, like "
                "'SNUG  S N AH G'."
            )
        said = " ".join(phone.rstrip("012") for phone in phones)
        if said not in ways.setdefault(word, []):
            ways[word].append(said)
    return {word: tuple(said) for word, said in ways.items()}


def read_confusions(files: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """(heard, meant) of the words that are taken for each other. Raises GrammarError."""
    if CONFUSIONS_FILE not in files:
        return ()
    return _read(_Confusions, CONFUSIONS_FILE, files).directed()
