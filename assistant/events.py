"""What happened: past tense, frozen, stored for ever.

Every stored line is an Envelope: ``v`` (form of the line), ``seq`` (0, 1, 2 ...), ``at`` (UTC),
``turn`` (all events of one call share it) and the event with its literal ``kind``. A stored kind
is never renamed and a field never changes its meaning; a new form gets a new ``v`` and an upcaster.
"""

import json
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from assistant.errors import LogDamaged
from assistant.fitting.facts import Feel
from assistant.job import Job, RingPosition
from assistant.learned import Learned

CURRENT_V = 1


class _Event(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class _OfRing(_Event):
    cylinder: int
    position: RingPosition


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
    """A note: the name of a sound clip beside the log, or the text that was typed."""

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


class VoiceSet(_Event):
    """How the replies sound from now on."""

    kind: Literal["voice set"] = "voice set"
    volume_percent: Annotated[int, Field(ge=10, le=100)]
    words_per_minute: Annotated[int, Field(ge=80, le=400)]


class TroubleNoted(_Event):
    """Something of the machine went wrong, or came right again; about: name of the trouble."""

    kind: Literal["trouble noted"] = "trouble noted"
    about: Literal[
        "microphone lost", "microphone back", "voice lost", "voice back", "log elsewhere",
        "log back", "clip lost", "clock jumped", "machine slept", "sound lost",
    ]  # fmt: skip
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
    """One line of a log."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    v: Literal[1] = 1
    seq: Annotated[int, Field(ge=0)]
    at: AwareDatetime
    turn: Annotated[int, Field(ge=0)]
    event: Event


UPCASTERS: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {}
"""Stored v -> function that turns a line of that v into one of v + 1. Append only."""


def to_line(envelope: Envelope) -> str:
    """The envelope as one line of JSON, without the line end."""
    return envelope.model_dump_json()


def from_line(text: str, *, line: int) -> Envelope:
    """The envelope in one stored line of any past form.

    line: number of the line, for the message. Raises LogDamaged.
    """
    try:
        data = json.loads(text)
    except ValueError as error:
        raise LogDamaged(f"Line {line} of the log is not JSON: {error}.") from error
    if not isinstance(data, dict) or not isinstance(data.get("v"), int):
        raise LogDamaged(f"Line {line} of the log is no event: it has no form number v.")
    if data["v"] > CURRENT_V:
        raise LogDamaged(
            f"Line {line} of the log has form {data['v']}; this Leafcall reads up to {CURRENT_V}. "
            "Use a newer Leafcall."
        )
    while data["v"] < CURRENT_V:
        if data["v"] not in UPCASTERS:
            raise LogDamaged(f"Line {line} of the log has the unknown form {data['v']}.")
        data = UPCASTERS[data["v"]](data)
    try:
        # JSON mode, because the job model is strict and JSON has neither tuples nor decimals.
        return Envelope.model_validate_json(json.dumps(data))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise LogDamaged(f"Line {line} of the log: {place}: {first['msg']}.") from error


def envelope(event: Any, *, seq: int, at: datetime, turn: int) -> Envelope:
    """The event in its envelope."""
    return Envelope(seq=seq, at=at, turn=turn, event=event)
