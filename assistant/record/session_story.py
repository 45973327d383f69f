"""A session told again: its turns, the way of every ring, and what it came to. Pure.

One fold over the log gives all three, so what is told of a ring is what the bench believed then,
not what it came to believe later.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from itertools import groupby

from assistant.bench import events as ev
from assistant.bench.gap_words import NOT_MEASURED, ToldGap, told_gap
from assistant.bench.job import Job
from assistant.bench.plan import BAND_SHARE, RingKey
from assistant.bench.reply import entry_line
from assistant.bench.ring_status import RingStatus, Standing, Verdict, standing_of, verdict_of
from assistant.bench.session import State, apply
from assistant.bench.wording import Wording
from assistant.fitting.targets import Window
from assistant.units import Unit


class Kind(StrEnum):
    """What a turn was about; the words are what the filter offers."""

    READING = "readings"
    WORK = "cuts and checks"
    RING = "rings taken up and closed"
    QUESTION = "questions asked back"
    ASKED = "questions of the builder"
    CORRECTION = "corrections"
    REFUSED = "without effect"
    NOTE = "notes"
    TROUBLE = "troubles"
    SESSION = "session and settings"


@dataclass(frozen=True, slots=True)
class Band:
    """What is believed of a gap, nm: best estimate, and the band of BAND_SHARE; negative = overlap.

    felt: a leaf has been tried since the last cut; else it is expected from the cut.
    butting: the last reading says that the ends touch. told: what of all this was measured, and so
    may be told.
    """

    best_nm: int
    low_nm: int
    high_nm: int
    felt: bool
    butting: bool
    told: ToldGap


@dataclass(frozen=True, slots=True)
class Entry:
    """What one call entered of a ring, and the belief after the whole call.

    turn: of the log. events: in their order, without taking the ring up; texts: as they are listed.
    passes: cuts made so far, those of this entry counted. band: None before the first reading.
    struck: taken back later. specimen: 1 for the ring that was there first, 2 for the one put in
    its place after it was spoiled, and so on.
    """

    turn: int
    events: tuple[ev.RingEvent, ...]
    texts: tuple[str, ...]
    passes: int
    band: Band | None
    struck: bool = False
    specimen: int = 1

    @property
    def cuts(self) -> tuple[ev.MetalGround | ev.StrokesFiled, ...]:
        """Its MetalGround and StrokesFiled."""
        return tuple(e for e in self.events if isinstance(e, ev.MetalGround | ev.StrokesFiled))

    @property
    def readings(self) -> tuple[ev.LeafTried, ...]:
        """Its LeafTried."""
        return tuple(e for e in self.events if isinstance(e, ev.LeafTried))


@dataclass(frozen=True, slots=True)
class RingStory:
    """One ring of the job from first to last; entries include those that were taken back."""

    key: RingKey
    place: str
    name: str
    window: Window
    standing: Standing
    entries: tuple[Entry, ...]
    last: Band | None

    @property
    def specimens(self) -> int:
        """How many rings were tried in this place."""
        return max((entry.specimen for entry in self.entries), default=1)

    def standing_of(self, specimen: int) -> Standing:
        """How one of the rings tried in this place stands; all but the last were replaced."""
        return self.standing if specimen == self.specimens else Standing(RingStatus.REPLACED)

    @property
    def told(self) -> ToldGap:
        """What may be told of the gap of the last ring."""
        return self.last.told if self.last is not None else NOT_MEASURED

    @property
    def kept(self) -> tuple[Entry, ...]:
        """Entries that were not taken back."""
        return tuple(entry for entry in self.entries if not entry.struck)

    @property
    def passes(self) -> int:
        """Cuts made, of all specimens."""
        return sum(len(entry.cuts) for entry in self.kept)

    @property
    def readings(self) -> int:
        """Leaves tried, of all specimens."""
        return sum(len(entry.readings) for entry in self.kept)

    @property
    def taken_back(self) -> int:
        """Entries that were taken back."""
        return len(self.entries) - len(self.kept)


@dataclass(frozen=True, slots=True)
class TurnTold:
    """One call and all that came of it.

    heard: None where nobody spoke. understood: what was entered or asked, in words.
    asked: what is asked back, None if nothing. answered: the builder's yes or no.
    taken_back: by a later call. takes_back: the turn that this one takes back.
    rings: rings that it is about. clips: names of kept sound, as stored: never to be trusted.
    erased: that sound was erased on request later. sitting: from 1.
    """

    number: int
    at: datetime
    sitting: int
    heard: ev.CallHeard | None
    understood: tuple[str, ...]
    asked: str | None
    answered: bool | None
    replies: tuple[str, ...]
    notes: tuple[str, ...]
    troubles: tuple[str, ...]
    taken_back: bool
    takes_back: int | None
    rings: tuple[RingKey, ...]
    kinds: frozenset[Kind]
    clips: tuple[str, ...]
    erased: bool


@dataclass(frozen=True, slots=True)
class Totals:
    """What a session came to. bench_s: from first to last event of each sitting, added up."""

    calls: int = 0
    refused: int = 0
    corrections: int = 0
    asked_back: int = 0
    notes: int = 0
    troubles: int = 0
    sittings: int = 0
    bench_s: float = 0.0
    passes: int = 0
    readings: int = 0


@dataclass(frozen=True, slots=True)
class Story:
    """A whole session. job: None where the log lacks its beginning; rings is then empty."""

    job: Job | None
    unit: Unit
    closed: bool
    software: tuple[str, ...]
    rings: tuple[RingStory, ...]
    turns: tuple[TurnTold, ...]
    totals: Totals
    events: int

    @property
    def verdict(self) -> Verdict:
        """The verdict on all rings."""
        return verdict_of({ring.key: ring.standing for ring in self.rings})

    @property
    def first(self) -> datetime | None:
        """When it began, as stored."""
        return self.turns[0].at if self.turns else None

    @property
    def last(self) -> datetime | None:
        """When the last turn began, as stored."""
        return self.turns[-1].at if self.turns else None


def story_of(envelopes: Iterable[ev.Envelope], wording: Wording) -> Story:
    """The story of a log, oldest event first. A log without its first event is told without rings,
    its lengths in thou.

    Cost: about one belief for every reading and cut, some milliseconds each.
    """
    stored = list(envelopes)
    teller = _Teller(wording)
    for envelope in stored:
        teller.take(envelope)
    teller.end_turn()
    return teller.story(stored)


@dataclass
class _Teller:
    """Folds the log and keeps, on the way, what was believed after each entry."""

    wording: Wording
    state: State = field(default_factory=State)
    entries: dict[RingKey, list[Entry]] = field(default_factory=dict)
    heres: dict[int, RingKey | None] = field(default_factory=dict)
    places: frozenset[RingKey] = frozenset()
    turn: list[ev.Envelope] = field(default_factory=list)

    @property
    def unit(self) -> Unit:
        return self.state.job.unit if self.state.job is not None else Unit.INCH

    def take(self, envelope: ev.Envelope) -> None:
        if self.turn and self.turn[0].turn != envelope.turn:
            self.end_turn()
        self.heres.setdefault(envelope.turn, self.state.here)
        self.turn.append(envelope)
        self.state = apply(self.state, envelope)
        if isinstance(envelope.event, ev.SessionOpened):
            self.places = frozenset(envelope.event.job.places())

    def end_turn(self) -> None:
        """Keep what the turn entered of each ring; half a call is never believed."""
        of_ring: dict[RingKey, list[ev.RingEvent]] = {}
        for envelope in self.turn:
            event = envelope.event
            if isinstance(event, ev.RingEvent) and not isinstance(event, ev.RingPicked):
                of_ring.setdefault(event.key, []).append(event)
        for key, events in of_ring.items():
            if key not in self.places:
                continue  # a log that was written by hand: no ring of this job
            entry = entry_of(
                self.state, key, events,
                turn=self.turn[0].turn, wording=self.wording,
            )  # fmt: skip
            self.entries.setdefault(key, []).append(entry)
        self.turn.clear()

    def story(self, stored: Sequence[ev.Envelope]) -> Story:
        rings = tuple(self._ring(key) for key in self._job_places())
        turns = tuple(self._turns(stored))
        return Story(
            job=self.state.job,
            unit=self.unit,
            closed=self.state.closed,
            software=tuple(dict.fromkeys(
                e.event.software for e in stored
                if isinstance(e.event, ev.SessionOpened | ev.SessionResumed)
            )),
            rings=rings,
            turns=turns,
            totals=_totals(stored, rings),
            events=len(stored),
        )  # fmt: skip

    def _job_places(self) -> list[RingKey]:
        return list(self.state.job.places()) if self.state.job is not None else []

    def _ring(self, key: RingKey) -> RingStory:
        entries = []
        specimen = 1
        for entry in self.entries.get(key, ()):
            struck = entry.turn in self.state.retracted
            fresh = any(isinstance(e, ev.RingReopened) and e.fresh for e in entry.events)
            specimen += fresh and not struck
            entries.append(replace(entry, struck=struck, specimen=specimen))
        ring = self.state.ring(key)
        return RingStory(
            key=key,
            place=self.wording.place(key),
            name=self.wording.ring(key[1]),
            window=self.state.window(key),
            standing=standing_of(self.state, key),
            entries=tuple(entries),
            last=_band(self.state, key) if ring.facts else None,
        )

    def _turns(self, stored: Sequence[ev.Envelope]) -> Iterable[TurnTold]:
        forgotten = max(
            (e.turn for e in stored if isinstance(e.event, ev.ClipsForgotten)), default=-1
        )
        sitting = 0
        for number, group in groupby(stored, key=lambda envelope: envelope.turn):
            envelopes = list(group)
            events: list[ev.Event] = [envelope.event for envelope in envelopes]
            sitting += any(isinstance(e, ev.SessionOpened | ev.SessionResumed) for e in events)
            yield self._turn(
                number, envelopes[0].at, max(sitting, 1), events, erased=number <= forgotten
            )

    def _turn(
        self, number: int, at: datetime, sitting: int, events: Sequence[ev.Event], *, erased: bool
    ) -> TurnTold:
        heard = next((e for e in events if isinstance(e, ev.CallHeard)), None)
        entries = [e for e in events if isinstance(e, ev.RingEvent)]
        question = next((e for e in events if isinstance(e, ev.QuestionAsked)), None)
        answered = next((e.yes for e in events if isinstance(e, ev.QuestionAnswered)), None)
        takes_back = next(
            (e.retracted_turn for e in events if isinstance(e, ev.EntryRetracted)), None
        )
        asked = question.pending if question is not None else ()
        waiting = [e for e in asked if isinstance(e, ev.RingEvent)]
        clips = [e.clip for e in events if isinstance(e, ev.CallHeard | ev.NoteKept) and e.clip]
        about = [e.key for e in (*entries, *waiting)]
        here = self.heres.get(number)
        if not about and here is not None and heard is not None and heard.refused is None:
            about = [here]
        return TurnTold(
            number=number,
            at=at,
            sitting=sitting,
            heard=heard,
            understood=tuple(self._understood(events, heard, answered)),
            asked=self._question(question, waiting) if question is not None else None,
            answered=answered,
            replies=tuple(e.text for e in events if isinstance(e, ev.ReplyGiven)),
            notes=tuple(e.text for e in events if isinstance(e, ev.NoteKept) and e.text),
            troubles=tuple(
                f"{e.about}: {e.detail}" if e.detail else e.about
                for e in events if isinstance(e, ev.TroubleNoted)
            ),
            taken_back=number in self.state.retracted,
            takes_back=takes_back,
            rings=tuple(dict.fromkeys(about)),
            kinds=_kinds(events, heard),
            clips=tuple(dict.fromkeys(clips)),
            erased=erased and bool(clips),
        )  # fmt: skip

    def _understood(
        self, events: Sequence[ev.Event], heard: ev.CallHeard | None, answered: bool | None
    ) -> Iterable[str]:
        if answered is not None:
            yield "yes" if answered else "no"
        told = [line for event in events if (line := self._line(event))]
        yield from told
        if not told and answered is None and heard is not None and heard.command:
            yield "a question" if heard.command == "ask" else heard.command.replace("_", " ")

    def _line(self, event: ev.Event) -> str:
        """One event as it was understood; empty where another part of the turn tells it."""
        match event:
            case ev.EntryRetracted(retracted_turn=turn):
                return f"call {turn} taken back"
            case ev.ListeningPaused():
                return "stand by: deaf until listen up"
            case ev.ListeningResumed():
                return "listening again"
            case ev.NoteBegun():
                return "the next sentence is a note"
            case ev.NoteKept():
                return "note kept"
            case ev.ClipKeepingSet(on=on, most_mb=most_mb):
                return f"sound of calls is kept, up to {most_mb} MB" if on else "sound is not kept"
            case ev.ClipsForgotten(clips=clips):
                return f"{clips} kept sound{'s' if clips != 1 else ''} erased"
            case ev.VoiceSet(volume_percent=percent, words_per_minute=speed):
                return f"voice at {percent} %, {speed} words a minute"
            case ev.SessionOpened():
                return "session begun"
            case ev.SessionResumed():
                return "session gone on with"
            case ev.SessionClosed():
                return "wrapped up"
        if isinstance(event, ev.RingEvent):
            return entry_line(event, self.wording, self.unit).shown
        return ""

    def _question(self, question: ev.QuestionAsked, waiting: Sequence[ev.RingEvent]) -> str:
        entries = [entry_line(event, self.wording, self.unit).shown for event in waiting]
        return f"{question.about}: {', '.join(entries)}" if entries else question.about


def entry_of(
    state: State,
    key: RingKey,
    events: Sequence[ev.RingEvent],
    *,
    turn: int,
    wording: Wording,
) -> Entry:
    """What one turn entered of the ring at ``key``. state: after the whole turn."""
    ring, unit = state.ring(key), state.the_job.unit
    return Entry(
        turn=turn,
        events=tuple(events),
        texts=tuple(entry_line(event, wording, unit).shown for event in events),
        passes=ring.passes,
        band=_band(state, key) if ring.facts else None,
    )


def _band(state: State, key: RingKey) -> Band | None:
    belief = state.belief(key)
    if not belief.seen:
        return None
    low_nm, high_nm = belief.interval_nm(BAND_SHARE)
    return Band(
        belief.best_nm, low_nm, high_nm, belief.readings > 0, belief.butting, told_gap(belief)
    )


_KIND_OF: tuple[tuple[Kind, tuple[type[ev.Event], ...]], ...] = (
    (Kind.READING, (ev.LeafTried,)),
    (Kind.WORK, (ev.MetalGround, ev.StrokesFiled, ev.RingChecked)),
    (Kind.RING, (ev.RingPicked, ev.RingAccepted, ev.RingSpoiled, ev.RingSkipped,
                 ev.RingReopened)),
    (Kind.QUESTION, (ev.QuestionAsked, ev.QuestionAnswered)),
    (Kind.CORRECTION, (ev.EntryRetracted,)),
    (Kind.NOTE, (ev.NoteBegun, ev.NoteKept)),
    (Kind.TROUBLE, (ev.TroubleNoted,)),
    (Kind.SESSION, (ev.SessionOpened, ev.SessionResumed, ev.SessionClosed, ev.ListeningPaused,
                    ev.ListeningResumed, ev.ClipKeepingSet, ev.ClipsForgotten, ev.VoiceSet)),
)  # fmt: skip


def _kinds(events: Sequence[ev.Event], heard: ev.CallHeard | None) -> frozenset[Kind]:
    found = {kind for kind, types in _KIND_OF if any(isinstance(e, types) for e in events)}
    if heard is not None and heard.refused is not None:
        found.add(Kind.REFUSED)
    if not found and heard is not None:
        found.add(Kind.ASKED)
    return frozenset(found)


def _totals(stored: Sequence[ev.Envelope], rings: Sequence[RingStory]) -> Totals:
    heard = [e.event for e in stored if isinstance(e.event, ev.CallHeard)]

    def count(made: type[ev.Event]) -> int:
        return sum(isinstance(envelope.event, made) for envelope in stored)

    sittings = _sittings(stored)
    return Totals(
        calls=len(heard),
        refused=sum(call.refused is not None for call in heard),
        corrections=count(ev.EntryRetracted),
        asked_back=count(ev.QuestionAsked),
        notes=count(ev.NoteKept),
        troubles=count(ev.TroubleNoted),
        sittings=len(sittings),
        # A clock that was set back in between must not make the time at the bench negative.
        bench_s=sum(max((last - first).total_seconds(), 0.0) for first, last in sittings),
        passes=sum(ring.passes for ring in rings),
        readings=sum(ring.readings for ring in rings),
    )


def _sittings(stored: Sequence[ev.Envelope]) -> list[tuple[datetime, datetime]]:
    """(first, last event) of each stretch of work between opening or resuming and leaving."""
    found: list[tuple[datetime, datetime]] = []
    for envelope in stored:
        if not found or isinstance(envelope.event, ev.SessionOpened | ev.SessionResumed):
            found.append((envelope.at, envelope.at))
        else:
            found[-1] = (found[-1][0], envelope.at)
    return found
