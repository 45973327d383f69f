"""Replies in words: ``grammar/replies.yaml`` with its places filled in."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from string import Formatter
from typing import get_args

from pydantic import BaseModel, ConfigDict, ValidationError

from assistant.bench.events import Trouble
from assistant.bench.job import RingPosition
from assistant.bench.plan import RingKey
from assistant.bench.reply_terms import (
    GROUPS,
    AnswerReply,
    Count,
    Either,
    Fact,
    Feed,
    Length,
    NextWords,
    ReplyName,
    Stack,
    Strokes,
)
from assistant.errors import GrammarError
from assistant.language.grammar_files import REPLIES_FILE, load_yaml
from assistant.language.numbers import NumberWords
from assistant.units import Unit, floor_to, round_to, show_gap, show_span, to_called

_MOST_OPTIONS = 6
_TROUBLES = "troubles"


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer: words to speak (numbers in words) and the line to show (figures)."""

    spoken: str
    shown: str

    def __bool__(self) -> bool:
        return bool(self.spoken or self.shown)


Facts = Mapping[str, Fact | Reply]
"""Values for the places of a reply."""


class _Wording(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    units: dict[Unit, str]
    rings: dict[RingPosition, str]
    cautions: tuple[str, ...]
    place: str
    advice: dict[str, str]
    done: dict[str, str]
    gaps: dict[str, str]
    answers: dict[str, str]
    entries: dict[str, str]
    questions: dict[str, str]
    troubles: dict[str, str]
    refusals: dict[str, str]


class Wording:
    """The replies of a grammar folder, ready to be filled in.

    text: of ``replies.yaml``. numbers: words for figures; None leaves figures to the voice.
    Raises GrammarError if a reply, ring or unit is missing, or one is there that is never given.
    """

    def __init__(self, text: str, numbers: NumberWords | None) -> None:
        try:
            self._data = _Wording.model_validate(load_yaml(REPLIES_FILE, text))
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in first["loc"])
            raise GrammarError(f"{REPLIES_FILE}, {place}: {first['msg']}.") from error
        for names, group in GROUPS.items():
            self._check(group, [name.value for name in names])
        self._check(_TROUBLES, get_args(Trouble))
        self._check("rings", list(RingPosition))
        self._check("units", list(Unit))
        self._numbers = numbers

    def _check(self, group: str, wanted: Sequence[str]) -> None:
        there: Mapping[str, str] = getattr(self._data, group)
        for name in wanted:
            if name not in there:
                raise GrammarError(f"{REPLIES_FILE}, {group}: there is no {str(name)!r}: add it.")
        for name in there:
            if name not in wanted:
                raise GrammarError(
                    f"{REPLIES_FILE}, {group}: {name!r} is never said. Take it out, or spell it as "
                    f"one of {', '.join(wanted)}."
                )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is shown before work and on every sheet."""
        return self._data.cautions

    def text(self, name: ReplyName) -> str:
        """The template of a reply."""
        return self._text(GROUPS[type(name)], name)

    def _text(self, group: str, name: str) -> str:
        texts: Mapping[str, str] = getattr(self._data, group)
        return texts[name]

    def places(self, name: ReplyName) -> frozenset[str]:
        """Names of the places in a reply."""
        return frozenset(place for _, place, _, _ in Formatter().parse(self.text(name)) if place)

    def fill(self, name: ReplyName, unit: Unit, facts: Facts) -> Reply:
        """The reply with its places filled. Raises GrammarError if a fact is missing."""
        return self._fill(GROUPS[type(name)], name, unit, facts)

    def trouble(self, about: Trouble, unit: Unit, facts: Facts) -> Reply:
        """What to say of a trouble of the machine. Raises GrammarError if a fact is missing."""
        return self._fill(_TROUBLES, about, unit, facts)

    def _fill(self, group: str, name: str, unit: Unit, facts: Facts) -> Reply:
        template = self._text(group, name)
        try:
            spoken = template.format_map({k: self._said(v, unit) for k, v in facts.items()})
            shown = template.format_map({k: self._shown(v, unit) for k, v in facts.items()})
        except (KeyError, IndexError, ValueError) as error:
            raise GrammarError(
                f"{REPLIES_FILE}, {group}, {name}: cannot fill {error}; "
                f"there is {', '.join(facts) or 'nothing'}."
            ) from error
        if self._numbers is not None:
            spoken = self._numbers.spell_figures(spoken)
        return Reply(" ".join(spoken.split()), _capital(" ".join(shown.split())))

    def place(self, key: RingKey) -> str:
        """A ring as called: cylinder 1 top ring."""
        cylinder, position = key
        return self._data.place.format(cylinder=cylinder, ring=self._data.rings[position])

    def ring(self, position: RingPosition) -> str:
        """A ring position as called: top ring."""
        return self._data.rings[position]

    def span(self, low_nm: int, high_nm: int, unit: Unit) -> Reply:
        """Two lengths with the unit said once."""
        spoken = f"{self._say_count(low_nm, unit)} to {self._say_length(high_nm, unit)}"
        return Reply(spoken, show_span(low_nm, high_nm, unit))

    def rounds(self, count: int) -> str:
        """So many more rounds of cutting and measuring, in words."""
        name = AnswerReply.ONE_ROUND if count == 1 else AnswerReply.ROUNDS
        return self.text(name).format(count=count)

    def _said(self, value: Fact | Reply, unit: Unit) -> str:
        match value:
            case Reply():
                return value.spoken
            case Stack(nm=(*first, last)):
                counts = [self._say_count(nm, unit) for nm in first]
                return " plus ".join([*counts, self._say_length(last, unit)])
            case Either(nm=several):
                return " or ".join(self._say_length(nm, unit) for nm in several)
            case Count(nm=nm):
                return self._say_count(nm, unit)
            case Feed(nm=nm) if nm % unit.half_nm:
                # A dial that knows no halves: never round a cut up, so say it as it is shown.
                return show_gap(floor_to(nm, unit.call_nm // 10), unit)
            case Length(nm=nm):
                return self._say_length(nm, unit)
        return self._plain(value)

    def _shown(self, value: Fact | Reply, unit: Unit) -> str:
        match value:
            case Reply():
                return value.shown
            case Stack(nm=several):
                return " plus ".join(show_gap(nm, unit) for nm in several)
            case Either(nm=several):
                return " or ".join(show_gap(nm, unit) for nm in several)
            case Count(nm=nm):
                return f"{to_called(nm, unit).normalize():f}"
            case Length(nm=nm):
                return show_gap(nm, unit)
        return self._plain(value)

    def _plain(self, value: Fact) -> str:
        """What is spoken and shown alike."""
        match value:
            case Strokes(count=count):
                name = AnswerReply.ONE_STROKE if count == 1 else AnswerReply.STROKES
                return self.text(name).format(count=count)
            case NextWords(words=words):
                return ", ".join(self._options(words))
            case RingPosition():
                return self.ring(value)
            case tuple():
                return ", ".join(map(self.ring, value))
        return str(value)

    def _options(self, words: Sequence[str]) -> list[str]:
        """Words that may follow, at most six; all that begin a number are told as one."""
        numeral = self._numbers.words if self._numbers is not None else frozenset()
        plain = [word for word in words if word not in numeral]
        begins = [self.text(AnswerReply.A_NUMBER)] if len(plain) < len(words) else []
        return (plain + begins)[:_MOST_OPTIONS]

    def _say_length(self, length_nm: int, unit: Unit) -> str:
        return f"{self._say_count(length_nm, unit)} {self._data.units[unit]}"

    def _say_count(self, length_nm: int, unit: Unit) -> str:
        """Called units in words, rounded to the grid of feel; figures where no words reach."""
        count = to_called(round_to(abs(length_nm), unit.half_nm), unit)
        try:
            said = self._numbers.say(count) if self._numbers else f"{count.normalize():f}"
        except GrammarError:
            said = f"{count.normalize():f}"
        return f"{self.text(AnswerReply.MINUS)} {said}" if length_nm < 0 and count else said


def _capital(text: str) -> str:
    return re.sub(r"(^|[.?!] )([a-z])", lambda found: found[1] + found[2].upper(), text)


def join(replies: Iterable[Reply]) -> Reply:
    """Several replies as one."""
    kept = list(replies)
    return Reply(
        " ".join(reply.spoken for reply in kept if reply.spoken),
        " ".join(reply.shown for reply in kept if reply.shown),
    )
