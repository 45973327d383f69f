"""Names of the replies, and the kinds of value that fill their places.

Every reply of ``grammar/replies.yaml`` has its name here and no other has; ``wording.Wording``
holds the file against these names as it is read. A length stays a length until the sentence is
made: the kind of a value says how it is spoken and shown.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from pydantic import BaseModel, ConfigDict, Field

from assistant.bench.job import RingPosition
from assistant.bench.plan import RingKey
from assistant.errors import LeafcallError
from assistant.fitting.facts import Feel

# --- kinds of value ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Length:
    """A length with its unit: "two and a half thou", shown as 2.5 thou."""

    nm: int

    def __str__(self) -> str:
        return str(self.nm)


@dataclass(frozen=True, slots=True)
class Feed(Length):
    """A feed of the dial: never told rounded up, which would be a larger cut."""

    __str__ = Length.__str__


@dataclass(frozen=True, slots=True)
class Count(Length):
    """A length in call units, its unit left out: "two and a half"."""

    __str__ = Length.__str__


@dataclass(frozen=True, slots=True)
class Either:
    """One of several lengths: "fifteen thou or sixteen thou"."""

    nm: tuple[int, ...]

    def __str__(self) -> str:
        return " ".join(map(str, self.nm))


@dataclass(frozen=True, slots=True)
class Stack(Either):
    """Leaves to be stacked, or one alone: "ten plus six thou"."""

    __str__ = Either.__str__


@dataclass(frozen=True, slots=True)
class Strokes:
    """Strokes of a file: "12 strokes", "1 stroke"."""

    count: int

    def __str__(self) -> str:
        return str(self.count)


@dataclass(frozen=True, slots=True)
class NextWords:
    """Words that may follow; those that begin a number are told as one."""

    words: tuple[str, ...]

    def __str__(self) -> str:
        return ", ".join(self.words)


Fact = (
    str | int | RingPosition | tuple[RingPosition, ...] | Length | Either | Strokes | NextWords
)  # fmt: skip
"""What may fill a place of a reply, besides another reply."""


# --- names ------------------------------------------------------------------------------------


class ReplyName(StrEnum):
    """Name of a reply; the kinds below are the groups of the file."""


class AdviceReply(ReplyName):
    """The next step."""

    PICK = "pick"
    SEAT = "seat"
    SEAT_NARROW = "seat narrow"
    SEAT_LEAST_ONLY = "seat least only"
    AFTER_CUT = "after cut"
    AFTER_CUT_DEBURRED = "after cut deburred"
    AFTER_CUT_SQUARE = "after cut square"
    MEASURE = "measure"
    MEASURE_AFRESH = "measure afresh"
    CUT = "cut"
    CUT_STROKES = "cut strokes"
    CUT_NEAR = "cut near"
    CUT_NEAR_STROKES = "cut near strokes"
    CUT_BUTTING = "cut butting"
    CUT_BUTTING_STROKES = "cut butting strokes"
    DRESS = "dress"
    DRESS_ENDS = "dress ends"
    DRESS_DEBURR = "dress deburr"
    ENDS = "ends"
    ACCEPT = "accept"
    LIKELY = "likely"
    LIKELY_DRESS = "likely dress"
    LIKELY_DRESS_ENDS = "likely dress ends"
    LIKELY_DRESS_DEBURR = "likely dress deburr"
    CLOSE = "close"
    OVER = "over"
    LIKELY_OVER = "likely over"
    REPLACE = "replace"
    NOT_RIGHT = "not right"
    ALL_LIKELY = "all likely"
    ALL_DONE = "all done"


class GapReply(ReplyName):
    """A gap in a few words."""

    ABOUT = "about"
    SURE = "sure"
    WIDE = "wide"
    OVER = "over"
    AT_LEAST = "at least"
    BELOW = "below"
    MAY_BUTT = "may butt"
    FITS = "fits"
    FITS_OTHER = "fits other"


class DoneReply(ReplyName):
    """What has just been entered."""

    NOT_ON_DISK = "not on disk"
    RESUMED = "resumed"
    RESUMED_ALL = "resumed all"
    PICKED = "picked"
    REOPENED = "reopened"
    FRESH = "fresh"
    LEAF_TRIED = "leaf tried"
    BUTTS = "butts"
    CUT = "cut"
    STROKES = "strokes"
    DEBURRED = "deburred"
    SQUARE = "square"
    ENDS_SQUARE = "ends square"
    ENDS_NOT_SQUARE = "ends not square"
    ACCEPTED = "accepted"
    ACCEPTED_OUTSIDE = "accepted outside"
    SPOILED = "spoiled"
    SKIPPED = "skipped"
    RETRACTED = "retracted"
    CORRECTED = "corrected"
    RETRACTED_ALL = "retracted all"
    DROPPED = "dropped"
    DROPPED_ALL = "dropped all"
    NOT_COUNTED = "not counted"
    STANDING_BY = "standing by"
    LISTENING = "listening"
    NOTE_BEGUN = "note begun"
    NOTE_KEPT = "note kept"
    VOICE_SET = "voice set"
    KEEPING_CALLS = "keeping calls"
    NOT_KEEPING_CALLS = "not keeping calls"
    CLIP_STORE_FULL = "clip store full"
    CLOSED = "closed"


class AnswerReply(ReplyName):
    """Answers to what the builder asks, and the words that they are put together from."""

    ONE_ROUND = "one round"
    ROUNDS = "rounds"
    ONE_STROKE = "one stroke"
    STROKES = "strokes"
    MORE = "more"
    MORE_CUT = "more cut"
    MORE_STROKES = "more strokes"
    MORE_UNKNOWN = "more unknown"
    MORE_NONE = "more none"
    TARGET = "target"
    TARGET_LEAST_ONLY = "target least only"
    WHERE = "where"
    READ_BACK = "read back"
    READ_BACK_NONE = "read back none"
    AGAIN = "again"
    NOTHING_SAID = "nothing said"
    A_NUMBER = "a number"
    MINUS = "minus"
    PHRASES = "phrases"


class EntryReply(ReplyName):
    """An entry as it is read back: the kinds of ring events, and ``butts``."""

    LEAF_TRIED = "leaf tried"
    BUTTS = "butts"
    METAL_GROUND = "metal ground"
    STROKES_FILED = "strokes filed"
    RING_CHECKED = "ring checked"
    RING_PICKED = "ring picked"
    RING_ACCEPTED = "ring accepted"
    RING_SPOILED = "ring spoiled"
    RING_SKIPPED = "ring skipped"
    RING_REOPENED = "ring reopened"


class QuestionReply(ReplyName):
    """What the bench asks back. Logs hold these names: none is ever renamed."""

    MISHEARD = "misheard"
    READING_SHRANK = "reading shrank"
    READING_GREW_TOO_LITTLE = "reading grew too little"
    READING_GREW_TOO_MUCH = "reading grew too much"
    READING_CONTRADICTS = "reading contradicts"
    READING_IMPOSSIBLE = "reading impossible"
    EARLIER = "earlier"
    SECOND_CUT = "second cut"
    SECOND_STROKES = "second strokes"
    LARGE_CUT = "large cut"
    MANY_STROKES = "many strokes"
    OPEN_AGAIN = "open again"
    ANOTHER_RING = "another ring"
    ACCEPT_BELOW = "accept below"
    ACCEPT_ABOVE = "accept above"
    ACCEPT_RELATION = "accept relation"
    ACCEPT_UNSURE = "accept unsure"


class Refusal(ReplyName):
    """Why a call had no effect. Logs hold these names: none is ever renamed."""

    NOTHING = "nothing"
    FOREIGN = "foreign"
    OVER_THE_REPLY = "over the reply"
    NOT_SURE = "not sure"
    STANDING_BY = "standing by"
    CLOSE_RACE = "close race"
    UNKNOWN_WORDS = "unknown words"
    STRAY_WORD = "stray word"
    OTHER_UNIT = "other unit"
    EXTRA_WORD = "extra word"
    UNFINISHED = "unfinished"
    NO_JOB = "no job"
    WHICH_RING = "which ring"
    WHICH_CYLINDER = "which cylinder"
    NO_SUCH_CYLINDER = "no such cylinder"
    NO_SUCH_RING = "no such ring"
    NO_SUCH_LEAF = "no such leaf"
    NO_RING_LEFT = "no ring left"
    NO_OTHER_RING = "no other ring"
    HALF_A_STROKE = "half a stroke"
    JOB_HAS_A_FILE = "job has a file"
    JOB_HAS_A_DIAL = "job has a dial"
    ACCEPT_WITHOUT_A_READING = "accept without a reading"
    NOTHING_TO_TAKE_BACK = "nothing to take back"
    VOICE_AT_ITS_LIMIT = "voice at its limit"
    NO_QUESTION_OPEN = "no question open"
    NO_NUMBER_TO_CORRECT = "no number to correct"


GROUPS: Mapping[type[ReplyName], str] = {
    AdviceReply: "advice",
    GapReply: "gaps",
    DoneReply: "done",
    AnswerReply: "answers",
    EntryReply: "entries",
    QuestionReply: "questions",
    Refusal: "refusals",
}
"""Kind of name -> its group in the file."""


class CommandNotAllowed(LeafcallError):
    """A call that makes no sense in the present state.

    facts: values for the places of its reply.
    """

    def __init__(self, refusal: Refusal, **facts: Fact) -> None:
        super().__init__(refusal, facts)
        self.refusal = refusal
        self.facts = facts

    def __str__(self) -> str:
        told = ", ".join(f"{key} {value}" for key, value in self.facts.items())
        return f"Not allowed now: {self.refusal}{f' ({told})' if told else ''}."


class QuestionFacts(BaseModel):
    """What a question is about: its ring, and what its kind needs. Lengths in nm.

    A log holds it as text (``stored``), all of it under these names in this order.
    """

    model_config = ConfigDict(frozen=True, extra="ignore", validate_by_name=True)

    cylinder: int
    ring: RingPosition
    said: str | None = None
    leaf_nm: int | None = None
    feel: Feel | None = None
    other_cylinder: int | None = Field(default=None, alias="other cylinder")
    other_ring: RingPosition | None = Field(default=None, alias="other ring")
    likely_nm: int | None = None
    feed_nm: int | None = None
    strokes: int | None = None
    gap_nm: int | None = None
    difference_nm: int | None = None
    least_nm: int | None = None
    most_nm: int | None = None

    @property
    def key(self) -> RingKey:
        """The ring it is about."""
        return (self.cylinder, self.ring)

    @property
    def other(self) -> RingKey | None:
        """The ring that was likelier meant."""
        if self.other_cylinder is None or self.other_ring is None:
            return None
        return (self.other_cylinder, self.other_ring)

    def stored(self) -> dict[str, str]:
        """As a log holds it."""
        known = self.model_dump(by_alias=True, exclude_none=True)
        return {name: str(value) for name, value in known.items()}
