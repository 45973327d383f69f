"""What was asked: imperative, unchecked, built from a parsed sentence of the bench grammar."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from assistant.bench.job import RingPosition
from assistant.errors import GrammarError
from assistant.fitting.facts import Feel, Reading
from assistant.language.grammar import Parsed
from assistant.language.phrase_tree import Slot
from assistant.units import Unit, from_called


class Check(StrEnum):
    """A check of the ring that the builder reports."""

    DEBURRED = "deburred"
    SQUARE = "square"
    ENDS_SQUARE = "ends square"
    ENDS_NOT_SQUARE = "ends not square"


class VoiceChange(StrEnum):
    """How the replies should sound from now on."""

    LOUDER = "louder"
    SOFTER = "softer"
    FASTER = "faster"
    SLOWER = "slower"


class Question(StrEnum):
    """What the builder may ask."""

    NOW = "now"
    MORE = "more"
    TARGET = "target"
    WHERE = "where"
    READ_BACK = "read back"
    AGAIN = "again"
    PHRASES = "phrases"


@dataclass(frozen=True, slots=True)
class Place:
    """A cylinder, a ring position, or both; what is missing stays as it is."""

    cylinder: int | None = None
    position: RingPosition | None = None


@dataclass(frozen=True, slots=True)
class Pick:
    """Take up a ring; no place = the next open ring in the order of work."""

    place: Place | None


@dataclass(frozen=True, slots=True)
class Report:
    """Readings of leaves, on another ring if ``place`` says so. parts_nm: leaves of each stack."""

    place: Place | None
    readings: tuple[Reading, ...]
    parts_nm: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Ground:
    """A cut of ``feed_nm`` on the dial was made."""

    feed_nm: int


@dataclass(frozen=True, slots=True)
class Filed:
    """That many file strokes were made."""

    strokes: int


@dataclass(frozen=True, slots=True)
class Checked:
    """A check was made."""

    check: Check


@dataclass(frozen=True, slots=True)
class Ask:
    """A question; changes nothing."""

    question: Question


@dataclass(frozen=True, slots=True)
class Answer:
    """Yes or no to the question that is open."""

    yes: bool


@dataclass(frozen=True, slots=True)
class Amend:
    """The last number should have been this one (nm as a leaf; a feed or count by its figure)."""

    number: Decimal


@dataclass(frozen=True, slots=True)
class OtherUnit:
    """A length in another unit than the job's; it is never converted nor taken as the job's."""


@dataclass(frozen=True, slots=True)
class Undo:
    """Take back the last entry."""


@dataclass(frozen=True, slots=True)
class StandBy:
    """Be deaf to all but ListenUp."""


@dataclass(frozen=True, slots=True)
class ListenUp:
    """Listen again."""


@dataclass(frozen=True, slots=True)
class Accept:
    """The ring at hand is done."""


@dataclass(frozen=True, slots=True)
class Spoiled:
    """The ring at hand cannot be used."""


@dataclass(frozen=True, slots=True)
class Skip:
    """Leave the ring at hand for later."""


@dataclass(frozen=True, slots=True)
class TakeNote:
    """Keep the next sentence as sound."""


@dataclass(frozen=True, slots=True)
class SetVoice:
    """Change how the replies sound."""

    change: VoiceChange


@dataclass(frozen=True, slots=True)
class KeepCalls:
    """Keep the sound of every call beside the log from now on, or no longer."""

    on: bool


@dataclass(frozen=True, slots=True)
class WrapUp:
    """End the session."""


Command = (
    Pick | Report | Ground | Filed | Checked | Ask | Answer | Amend | OtherUnit | Undo | StandBy
    | ListenUp | Accept | Spoiled | Skip | TakeNote | SetVoice | KeepCalls | WrapUp
)  # fmt: skip

_PLAIN: dict[str, Command] = {
    "undo": Undo(),
    "stand_by": StandBy(),
    "listen_up": ListenUp(),
    "accept": Accept(),
    "spoiled": Spoiled(),
    "skip": Skip(),
    "note": TakeNote(),
    "wrap_up": WrapUp(),
}

COMMAND_NAMES = frozenset(_PLAIN) | {
    "pick", "readings", "ground", "strokes", "done", "ask", "answer", "amend", "voice", "keep"
}  # fmt: skip
"""Names that the commands of a bench grammar must have."""


def command_from(parsed: Parsed, unit: Unit) -> Command:
    """The command that a sentence of the bench grammar means.

    Raises GrammarError if the grammar is not a bench grammar (a name or slot that is not known).
    """
    name = parsed.command
    if any(said != unit.value for said in parsed.values("unit")):
        return OtherUnit()
    if name in _PLAIN:
        return _PLAIN[name]
    try:
        match name:
            case "pick":
                return Pick(None if parsed.values("step") else _place(parsed))
            case "readings":
                stacks = tuple(_stacks(parsed.slots, unit))
                readings = tuple(
                    Reading(sum(parts), feel, leaves=max(1, len(parts))) for parts, feel in stacks
                )
                return Report(_place(parsed), readings, tuple(parts for parts, _ in stacks))
            case "ground":
                slot = "one" if parsed.values("one") else "feed"
                return Ground(from_called(_number(parsed, slot), unit))
            case "strokes":
                return Filed(int(_number(parsed, "count")))
            case "done":
                return Checked(Check(_word(parsed, "check")))
            case "ask":
                return Ask(Question(_word(parsed, "question")))
            case "answer":
                return Answer(_word(parsed, "yes_no") == "yes")
            case "voice":
                return SetVoice(VoiceChange(_word(parsed, "manner")))
            case "keep":
                return KeepCalls(_word(parsed, "keeping") == "on")
            case "amend":
                return Amend(_number(parsed, "leaf"))
    except (IndexError, ValueError) as error:
        raise GrammarError(
            f"command {name!r}, phrasing {parsed.phrasing!r}: the bench cannot use it ({error})."
        ) from error
    raise GrammarError(
        f"The bench knows no command {name!r}; it knows {', '.join(sorted(COMMAND_NAMES))}."
    )


def _number(parsed: Parsed, slot: str) -> Decimal:
    return Decimal(parsed.values(slot)[0])


def _word(parsed: Parsed, slot: str) -> str:
    return str(parsed.values(slot)[0])


def _place(parsed: Parsed) -> Place | None:
    cylinders, rings = parsed.values("cylinder"), parsed.values("ring")
    if not cylinders and not rings:
        return None
    return Place(
        int(cylinders[0]) if cylinders else None,
        RingPosition(str(rings[0])) if rings else None,
    )


def _stacks(slots: Sequence[Slot], unit: Unit) -> Iterator[tuple[tuple[int, ...], Feel]]:
    """(leaves in nm, feel) of each reading: leaf slots gather until a feel closes them."""
    parts: list[int] = []
    for slot in slots:
        if slot.name in ("leaf", "plus"):
            parts.append(from_called(Decimal(slot.value), unit))
        elif slot.name in ("feel", "butts"):
            yield tuple(parts), Feel(str(slot.value))
            parts = []
