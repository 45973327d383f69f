"""What happened: past tense, frozen, stored for ever.

Every stored line is an Envelope: ``v`` (form of the line), ``seq`` (0, 1, 2 ...), ``at`` (UTC),
``turn`` (all events of one call share it) and the event with its literal ``kind``. A stored kind
is never renamed and a field never changes its meaning; a new form gets a new ``v`` and an upcaster.

A line of form 2 ends with ``end`` (whether it is the last of those written together) and ``check``:
the first 16 hex figures of SHA-256 over the check before it and its own text up to there. So a
line that was changed, lost, swapped or doubled is found. Form 1 had neither.
"""

import hashlib
import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from assistant.bench.job import Job, RingPosition
from assistant.bench.learned import Learned
from assistant.bench.plan import RingKey
from assistant.errors import LogDamaged
from assistant.fitting.facts import Feel

CURRENT_V = 2


class _Event(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class _OfRing(_Event):
    cylinder: int
    position: RingPosition

    @property
    def key(self) -> RingKey:
        """The ring it is about."""
        return (self.cylinder, self.position)


class SessionOpened(_Event):
    """A log begins; the whole job is kept, so that the log can be read without its file.

    start: what earlier jobs had taught, so that the log alone gives the same beliefs again.
    """

    kind: Literal["session opened"] = "session opened"
    job: Job
    software: str
    start: Learned | None = None


class SessionResumed(_Event):
    """Work went on with a log that had been left."""

    kind: Literal["session resumed"] = "session resumed"
    software: str


class SessionClosed(_Event):
    """The builder wrapped up."""

    kind: Literal["session closed"] = "session closed"


class CallHeard(_Event):
    """Something was heard, understood or not. start_s, end_s: in the stream ``source``.

    words: best words, maybe none. refused: why it had no effect, None if it had.
    clip: name of the kept sound beside the log, None where it was not kept.
    """

    kind: Literal["call heard"] = "call heard"
    source: str
    words: str
    command: str | None
    refused: str | None
    score: float
    start_s: float
    end_s: float
    clip: str | None = None


class ReplyGiven(_Event):
    """What the bench answered."""

    kind: Literal["reply given"] = "reply given"
    text: str


class RingPicked(_OfRing):
    """The ring at hand is now this one."""

    kind: Literal["ring picked"] = "ring picked"


class LeafTried(_OfRing):
    """A leaf or stack was tried. leaf_nm: thickness; leaves: how many in the stack."""

    kind: Literal["leaf tried"] = "leaf tried"
    leaf_nm: int
    leaves: int
    feel: Feel


class MetalGround(_OfRing):
    """A cut on a dial grinder."""

    kind: Literal["metal ground"] = "metal ground"
    feed_nm: int


class StrokesFiled(_OfRing):
    """Strokes of a file."""

    kind: Literal["strokes filed"] = "strokes filed"
    strokes: int


class RingChecked(_OfRing):
    """A check was reported: deburred, square, ends square, ends not square."""

    kind: Literal["ring checked"] = "ring checked"
    check: Annotated[str, Field(pattern="^(deburred|square|ends square|ends not square)$")]


class RingAccepted(_OfRing):
    """The builder took the ring as done. outside: accepted though not known to be in the window."""

    kind: Literal["ring accepted"] = "ring accepted"
    outside: bool = False


class RingSpoiled(_OfRing):
    """The ring cannot be used."""

    kind: Literal["ring spoiled"] = "ring spoiled"


class RingSkipped(_OfRing):
    """The ring was left for later."""

    kind: Literal["ring skipped"] = "ring skipped"


class RingReopened(_OfRing):
    """Work on an accepted, spoiled or skipped ring went on. fresh: it is another ring."""

    kind: Literal["ring reopened"] = "ring reopened"
    fresh: bool = False


class QuestionAsked(_Event):
    """The bench wants a yes before it believes ``pending``. about: name of the question."""

    kind: Literal["question asked"] = "question asked"
    about: str
    facts: Mapping[str, str]
    pending: tuple["Event", ...]


class QuestionAnswered(_Event):
    """Yes (the pending events follow in the same turn) or no (they are dropped)."""

    kind: Literal["question answered"] = "question answered"
    yes: bool


class EntryRetracted(_Event):
    """The entries of ``retracted_turn`` are taken back, as if never said."""

    kind: Literal["entry retracted"] = "entry retracted"
    retracted_turn: int


class ListeningPaused(_Event):
    """Deaf to all but "listen up"."""

    kind: Literal["listening paused"] = "listening paused"


class ListeningResumed(_Event):
    """Listening again."""

    kind: Literal["listening resumed"] = "listening resumed"


class NoteBegun(_Event):
    """The next utterance is kept as it is."""

    kind: Literal["note begun"] = "note begun"


class NoteKept(_Event):
    """A note: the name of a sound clip beside the log, or the text that was typed.

    Neither, where the sound could not be kept.
    """

    kind: Literal["note kept"] = "note kept"
    clip: str | None = None
    text: str | None = None


class ClipKeepingSet(_Event):
    """Whether the sound of every call is kept beside the log from now on. most_mb: size cap."""

    kind: Literal["clip keeping set"] = "clip keeping set"
    on: bool
    most_mb: Annotated[int, Field(ge=1)] = 200


class ClipsForgotten(_Event):
    """The kept sound of this session was erased on request. clips: how many files."""

    kind: Literal["clips forgotten"] = "clips forgotten"
    clips: Annotated[int, Field(ge=0)]


SOFTEST_PERCENT, LOUDEST_PERCENT = 10, 100
SLOWEST_WPM, FASTEST_WPM = 80, 400
"""How the voice may be set: volume in percent, speed in words a minute."""


class VoiceSet(_Event):
    """How the replies sound from now on."""

    kind: Literal["voice set"] = "voice set"
    volume_percent: Annotated[int, Field(ge=SOFTEST_PERCENT, le=LOUDEST_PERCENT)]
    words_per_minute: Annotated[int, Field(ge=SLOWEST_WPM, le=FASTEST_WPM)]


Trouble = Literal[
    "microphone lost", "microphone back", "voice lost", "voice back", "log elsewhere", "log back",
    "log only in memory", "log damaged", "clip lost", "clock jumped", "machine slept",
    "sound lost",
]  # fmt: skip
"""Names of what can go wrong with the machine, or come right again."""


class TroubleNoted(_Event):
    """Something of the machine went wrong, or came right again; about: name of the trouble."""

    kind: Literal["trouble noted"] = "trouble noted"
    about: Trouble
    detail: str = ""


Event = Annotated[
    SessionOpened | SessionResumed | SessionClosed | CallHeard | ReplyGiven | RingPicked
    | LeafTried | MetalGround | StrokesFiled | RingChecked | RingAccepted | RingSpoiled
    | RingSkipped | RingReopened | QuestionAsked | QuestionAnswered | EntryRetracted
    | ListeningPaused | ListeningResumed | NoteBegun | NoteKept | ClipKeepingSet | ClipsForgotten
    | VoiceSet | TroubleNoted,
    Field(discriminator="kind"),
]  # fmt: skip

QuestionAsked.model_rebuild()

RingEvent = (
    RingPicked | LeafTried | MetalGround | StrokesFiled | RingChecked | RingAccepted
    | RingSpoiled | RingSkipped | RingReopened
)  # fmt: skip
"""Events that change a ring or the place: these, and only these, can be taken back."""


class Envelope(BaseModel):
    """One event of a log, with its place and time."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    v: Literal[2] = 2
    seq: Annotated[int, Field(ge=0)]
    at: AwareDatetime
    turn: Annotated[int, Field(ge=0)]
    event: Event


def envelope(event: Event, *, seq: int, at: datetime, turn: int) -> Envelope:
    """The event in its envelope."""
    return Envelope(seq=seq, at=at, turn=turn, event=event)


# --- stored lines -------------------------------------------------------------------------------


def _from_1(data: dict[str, object]) -> dict[str, object]:
    return {**data, "v": 2}  # form 2 only added end and check, which are of the line


UPCASTERS: dict[int, Callable[[dict[str, object]], dict[str, object]]] = {1: _from_1}
"""Stored v -> function that turns a line of that v into one of v + 1. Append only."""

_SEALED = re.compile(
    r'(?P<body>(?P<json>\{"v":2,.*),"end":(?P<end>true|false)),"check":"(?P<check>[0-9a-f]{16})"\}',
    re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Line:
    """A stored line taken apart. body: what its check covers, all of it in form 1.

    check: None in form 1. end: it was the last of those written together.
    """

    envelope: Envelope
    body: str
    check: str | None = None
    end: bool = True


def next_check(before: str, body: str) -> str:
    """Check of a line with this body; ``before``: check of the line before it, "" at the start.

    It finds accidents and careless hands; whoever wants to forge a log can compute it too.
    """
    return hashlib.sha256(f"{before}{body}".encode()).hexdigest()[:16]


def to_line(envelope: Envelope, *, before: str, end: bool) -> tuple[str, str]:
    """(the envelope as a line of the present form without line end, its check).

    before: check of the line before, "" for the first. end: last of those written together.
    """
    body = f'{envelope.model_dump_json()[:-1]},"end":{"true" if end else "false"}'
    check = next_check(before, body)
    return f'{body},"check":"{check}"}}', check


def to_lines(envelopes: Iterable[Envelope], *, before: str = "") -> tuple[str, str]:
    """(lines that are written together, each with its line end; check of the last)."""
    stored, lines = list(envelopes), []
    for left, one in enumerate(stored, start=1 - len(stored)):
        line, before = to_line(one, before=before, end=left == 0)
        lines.append(f"{line}\n")
    return "".join(lines), before


def from_line(text: str, *, line: int) -> Line:
    """A stored line of any past form; its check is not compared here (chain.scan does).

    line: number of the line, for the message. Raises LogDamaged.
    """
    sealed = _SEALED.fullmatch(text)
    if sealed is not None:
        try:
            found = Envelope.model_validate_json(f"{sealed['json']}}}")
        except ValidationError as error:
            raise _refused(error, line) from error
        return Line(found, sealed["body"], sealed["check"], sealed["end"] == "true")
    if text.endswith("\r"):
        raise LogDamaged(
            f"Line {line} of the log has the line end of Windows: an editor or a transfer changed "
            "the file. Put back an unchanged copy."
        )
    try:
        data = json.loads(text)
    except RecursionError as error:
        raise LogDamaged(f"Line {line} of the log is nested too deep: it is no event.") from error
    except ValueError as error:
        raise LogDamaged(f"Line {line} of the log is not JSON: {error}.") from error
    if not isinstance(data, dict) or not isinstance(data.get("v"), int):
        raise LogDamaged(f"Line {line} of the log is no event: it has no form number v.")
    if data["v"] > CURRENT_V:
        raise LogDamaged(
            f"Line {line} of the log has form {data['v']}; this Leafcall reads up to {CURRENT_V}. "
            "Use a newer Leafcall."
        )
    if data["v"] == CURRENT_V:
        raise LogDamaged(f"Line {line} of the log does not end with its check.")
    while data["v"] < CURRENT_V:
        if data["v"] not in UPCASTERS:
            raise LogDamaged(f"Line {line} of the log has the unknown form {data['v']}.")
        data = UPCASTERS[data["v"]](data)
    try:
        # JSON mode, because the job model is strict and JSON has neither tuples nor decimals.
        return Line(Envelope.model_validate_json(json.dumps(data)), text)
    except RecursionError as error:
        raise LogDamaged(f"Line {line} of the log is nested too deep: it is no event.") from error
    except ValidationError as error:
        raise _refused(error, line) from error


def _refused(error: ValidationError, line: int) -> LogDamaged:
    first = error.errors()[0]
    place = "".join(f"{part}." for part in first["loc"]).rstrip(".")
    where = f"{place}: " if place else ""
    return LogDamaged(f"Line {line} of the log: {where}{first['msg']}.")
