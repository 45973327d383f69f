"""The session: its state, which only events make.

``apply`` never refuses a stored event. Taking back is an event too: the state keeps what was
before each entry, and EntryRetracted returns to it. Which events a call causes: decisions.py.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from assistant.bench import events as ev
from assistant.bench.commands import Check
from assistant.bench.job import GrinderKind, Job, RingPosition
from assistant.bench.learned import Learned, learned_from
from assistant.bench.plan import RingKey, taught_bench, window_of
from assistant.bench.reply_terms import CommandNotAllowed, Refusal
from assistant.fitting.belief import Belief, believe
from assistant.fitting.bench import Bench
from assistant.fitting.facts import Cut, Fact, Reading, Reseated
from assistant.fitting.learning import FinishedRing
from assistant.fitting.targets import Window

USUAL_VOICE = ev.VoiceSet(volume_percent=70, words_per_minute=170)


class Outcome(StrEnum):
    """How a ring ended, for now."""

    ACCEPTED = "accepted"
    SPOILED = "spoiled"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class Ring:
    """One ring: what is known of it (oldest first), checks since the last cut, how it ended.

    passes: cuts made. outside: accepted by the builder though not known to be in the window.
    replaced: rings that were spoiled in this place before this one. What all this comes to:
    ring_status.py.
    """

    facts: tuple[Fact, ...] = ()
    checks: frozenset[Check] = frozenset()
    passes: int = 0
    outcome: Outcome | None = None
    outside: bool = False
    replaced: int = 0

    @property
    def measured(self) -> bool | None:
        """Whether a leaf was tried after the last cut; None if nothing at all has happened."""
        for fact in reversed(self.facts):
            if isinstance(fact, Reading):
                return True
            if isinstance(fact, Cut):
                return False
        return None


@dataclass(frozen=True, slots=True)
class Pending:
    """A question that waits for yes or no, and the events that a yes makes true."""

    about: str
    facts: Mapping[str, str]
    events: tuple[ev.Event, ...]


@dataclass(frozen=True, slots=True)
class State:
    """Everything known after some events. Made only by ``apply`` and ``replay``.

    start: what earlier jobs had taught of grinder and person.
    keeping_clips, voice: as last set.
    here: the ring at hand. last_entry: ring events of the last turn that changed something.
    before: the state before that turn. turn, seq: of the last event; -1 before the first.
    """

    job: Job | None = None
    start: Learned | None = None
    rings: Mapping[RingKey, Ring] = field(default_factory=dict)
    here: RingKey | None = None
    pending: Pending | None = None
    listening: bool = True
    noting: bool = False
    closed: bool = False
    last_reply: str = ""
    keeping_clips: ev.ClipKeepingSet | None = None
    voice: ev.VoiceSet | None = None
    last_entry: tuple[ev.RingEvent, ...] = ()
    entry_turn: int = -1
    before: "State | None" = field(default=None, repr=False)
    retracted: frozenset[int] = frozenset()
    turn: int = -1
    seq: int = -1

    def ring(self, key: RingKey) -> Ring:
        """The ring at ``key``; a ring never touched is an empty one."""
        return self.rings.get(key, Ring())

    @property
    def the_voice(self) -> ev.VoiceSet:
        """How the replies sound."""
        return self.voice or USUAL_VOICE

    @property
    def the_job(self) -> Job:
        """The job. Raises CommandNotAllowed before the session is opened."""
        if self.job is None:
            raise CommandNotAllowed(Refusal.NO_JOB)
        return self.job

    def window(self, key: RingKey) -> Window:
        """The window of a ring of the job."""
        return window_of(self.the_job, key)

    def belief(self, key: RingKey) -> Belief:
        """What is believed of the gap of a ring."""
        return believe(self.ring(key).facts, self.bench(key), window=window_of(self.the_job, key))

    def bench(self, key: RingKey) -> Bench:
        """The bench as a ring meets it: taught by the finished rings before it in the order of
        work, so that no ring's estimate leans on itself or shifts when later rings teach more."""
        places = list(self.the_job.places())
        before = places[: places.index(key)]
        return taught_bench(self.the_job, self.start, tuple(self._finished(before)))

    def within_largest_cut(self, key: RingKey, feed_nm: int) -> bool:
        """Whether a feed, or what it is expected to take off, is no more than the largest cut."""
        removed_nm = feed_nm * self.bench(key).grinder.unit_rate_nm
        # A little more for rounding: the largest cut that is advised is measured the same way.
        return min(float(feed_nm), removed_nm) <= self.the_job.grinder.largest_cut_nm * (1 + 1e-9)

    @property
    def learned(self) -> Learned:
        """What the next job may start from. Raises CommandNotAllowed before a job is open."""
        finished = tuple(self._finished(self.the_job.places()))
        rings = len(finished) + (self.start.rings if self.start is not None else 0)
        return learned_from(taught_bench(self.the_job, self.start, finished), rings=rings)

    def _finished(self, keys: Iterable[RingKey]) -> Iterator[FinishedRing]:
        for key in keys:
            ring = self.ring(key)
            if ring.outcome in (Outcome.ACCEPTED, Outcome.SPOILED) and ring.facts:
                yield FinishedRing(ring.facts, self.window(key))

    def top_over_second_nm(self, cylinder: int) -> int | None:
        """Gap of the top ring less that of the second, best estimates; None if not both known.

        Only for a job that has both rings.
        """
        top = self.belief((cylinder, RingPosition.TOP))
        second = self.belief((cylinder, RingPosition.SECOND))
        if not (top.known and second.known) or top.butting or second.butting:
            return None
        return top.best_nm - second.best_nm

    def open_rings(self) -> tuple[RingKey, ...]:
        """Rings still to do, in the order of work."""
        return tuple(
            key for key in self.the_job.places()
            if self.ring(key).outcome in (None, Outcome.SKIPPED)
        )  # fmt: skip

    def next_ring(self) -> RingKey | None:
        """The next ring to take up: after the one at hand, then from the start, skipped ones last.

        None if every ring is accepted or spoiled.
        """
        places = list(self.the_job.places())
        at = places.index(self.here) + 1 if self.here in places else 0
        circle = places[at:] + places[:at]
        for wanted in (None, Outcome.SKIPPED):
            for key in circle:
                if key != self.here and self.ring(key).outcome is wanted:
                    return key
        return None


# --- apply: events make state -----------------------------------------------------------------


def replay(envelopes: Iterable[ev.Envelope]) -> State:
    """The state after all events, oldest first."""
    state = State()
    for envelope in envelopes:
        state = apply(state, envelope)
    return state


def apply(state: State, envelope: ev.Envelope) -> State:
    """The state after one more event; never refuses."""
    event = envelope.event
    after = replace(state, turn=envelope.turn, seq=envelope.seq)
    if isinstance(event, ev.RingEvent):
        if state.job is not None and not state.job.has(*event.key):
            return after  # of a log that was tampered with: no ring of this job
        if envelope.turn == state.entry_turn and state.before is None:
            # The first ring, taken up as the session opens: nobody said so, it is no entry.
            return with_ring_event(after, event)
        if envelope.turn != state.entry_turn:
            # What was taken back is known to the present state; kept in each one it would grow
            # with the square of the corrections.
            before = replace(state, retracted=frozenset())
            after = replace(after, before=before, entry_turn=envelope.turn, last_entry=())
        after = replace(after, last_entry=(*after.last_entry, event), pending=None)
        return with_ring_event(after, event)
    match event:
        case ev.SessionOpened(job=job, start=start):
            turn = envelope.turn
            return State(job=job, start=start, entry_turn=turn, turn=turn, seq=envelope.seq)
        case ev.SessionClosed():
            return replace(after, closed=True, pending=None)
        case ev.SessionResumed():
            return replace(after, closed=False, listening=True, noting=False, pending=None)
        case ev.ReplyGiven(text=text):
            return replace(after, last_reply=text)
        case ev.QuestionAsked(about=about, facts=facts, pending=pending):
            return replace(after, pending=Pending(about, facts, pending))
        case ev.QuestionAnswered():
            return replace(after, pending=None)
        case ev.EntryRetracted(retracted_turn=turn):
            base = _before_turn(state, turn)
            return replace(
                base, job=state.job, start=state.start, turn=envelope.turn, seq=envelope.seq,
                pending=None, closed=state.closed,
                last_reply=state.last_reply, listening=state.listening, voice=state.voice,
                keeping_clips=state.keeping_clips,
                retracted=state.retracted | {turn},
            )  # fmt: skip
        case ev.ListeningPaused():
            return replace(after, listening=False, pending=None)
        case ev.ListeningResumed():
            return replace(after, listening=True)
        case ev.NoteBegun():
            return replace(after, noting=True)
        case ev.NoteKept():
            return replace(after, noting=False)
        case ev.ClipKeepingSet():
            return replace(after, keeping_clips=event)
        case ev.VoiceSet():
            return replace(after, voice=event)
    return after


def _before_turn(state: State, turn: int) -> State:
    """The state before the entry of a turn; where lines of a log are lost, it may not be the last.

    The state itself if that entry is not there.
    """
    found: State | None = state
    while found is not None and found.entry_turn > turn:
        found = found.before
    if found is None or found.entry_turn != turn or found.before is None:
        return state
    return found.before


def with_ring_event(state: State, event: ev.RingEvent) -> State:
    """The state with one ring event more, its turn left alone: for ``apply`` and for trials."""
    key = event.key
    ring = state.ring(key)
    here: RingKey | None = key
    match event:
        case ev.LeafTried(leaf_nm=leaf_nm, feel=feel, leaves=leaves):
            ring = replace(ring, facts=(*ring.facts, Reading(leaf_nm, feel, leaves=leaves)))
        case ev.MetalGround(feed_nm=feed_nm):
            ring = _after_cut(ring, Cut(feed_nm=feed_nm))
        case ev.StrokesFiled(strokes=strokes):
            ring = _after_cut(ring, Cut(strokes=strokes))
        case ev.RingChecked(check=check):
            ring = _after_check(ring, Check(check), state.job)
        case ev.RingAccepted(outside=outside):
            ring, here = replace(ring, outcome=Outcome.ACCEPTED, outside=outside), None
        case ev.RingSpoiled():
            ring, here = replace(ring, outcome=Outcome.SPOILED), None
        case ev.RingSkipped():
            ring, here = replace(ring, outcome=Outcome.SKIPPED), None
        case ev.RingReopened(fresh=fresh):
            before = ring.replaced + (ring.outcome is Outcome.SPOILED)
            opened = replace(ring, outcome=None, outside=False)
            ring = Ring(replaced=before) if fresh else opened
    return replace(state, rings={**state.rings, key: ring}, here=here)


def _after_cut(ring: Ring, cut: Cut) -> Ring:
    return replace(ring, facts=(*ring.facts, cut), checks=frozenset(), passes=ring.passes + 1)


def _after_check(ring: Ring, check: Check, job: Job | None) -> Ring:
    if check is Check.ENDS_SQUARE and Check.ENDS_NOT_SQUARE in ring.checks and job is not None:
        # Dressing the ends took some metal off: about half a call unit, common practice, no source.
        # What was measured before it no longer holds, and the burr is new.
        dial = job.grinder.kind is GrinderKind.DIAL
        amount = {"feed_nm": job.unit.half_nm} if dial else {"strokes": 1}
        dressed = Cut(**amount, dressing=True)
        return replace(ring, facts=(*ring.facts, dressed), checks=frozenset({check}))
    opposite = {Check.ENDS_SQUARE: Check.ENDS_NOT_SQUARE, Check.ENDS_NOT_SQUARE: Check.ENDS_SQUARE}
    checks = (ring.checks | {check}) - {opposite.get(check, check)} | {check}
    facts = (*ring.facts, Reseated()) if check is Check.SQUARE else ring.facts
    return replace(ring, facts=facts, checks=checks)
