"""Stand-ins with state that can be read, and short builders, for all tests of the bench."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from assistant.bench.dialogue import Call, Dialogue, Turn
from assistant.bench.events import Envelope, Trouble, envelope
from assistant.bench.job import (
    FactorRule,
    Grinder,
    GrinderKind,
    Job,
    LimitsRule,
    RingPosition,
    RingSpec,
    usual_leaves_nm,
)
from assistant.bench.ports import Tone
from assistant.bench.session import State, apply
from assistant.bench.wording import Wording
from assistant.ear.utterance import Heard, Hypothesis
from assistant.errors import LogError, SpeakerError
from assistant.language.grammar import Grammar
from assistant.units import NM_PER_INCH, NM_PER_MM, NM_PER_THOU, Unit

TOP, SECOND, UPPER, LOWER, OIL = RingPosition
START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
THOU = NM_PER_THOU


def words(text: str) -> list[str]:
    """A string of words, split."""
    return text.split()


class FakeClock:
    """A clock that goes on by one second each time it is asked."""

    def __init__(self) -> None:
        self.asked = 0

    def now(self) -> datetime:
        self.asked += 1
        return START + timedelta(seconds=self.asked - 1)

    def elapsed_s(self) -> float:
        return float(self.asked)

    def wait(self, seconds: float) -> None:
        pass


class MemoryStore:
    """EventStore in memory. full: the next appends fail as on a full disk."""

    def __init__(self, events: Sequence[Envelope] = ()) -> None:
        self.events = list(events)
        self.full = False
        self.closed = False
        self.only_in_memory = False
        self.waiting_troubles: list[tuple[Trouble, str]] = []

    def troubles(self) -> Sequence[tuple[Trouble, str]]:
        told, self.waiting_troubles = self.waiting_troubles, []
        return told

    def append(self, events: Sequence[Envelope]) -> None:
        if self.closed:
            raise LogError("The log is closed.")
        if self.full:
            raise LogError("The log cannot be written: No space left on device.")
        self.events += events

    def read(self) -> Sequence[Envelope]:
        return tuple(self.events)

    def close(self) -> None:
        self.closed = True


class FakeSpeaker:
    """Keeps what was said. broken: it has lost its voice. speaking: set it by hand."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.tones: list[Tone | None] = []
        self.voices: list[tuple[int, int]] = []
        self.broken = False
        self.speaking = False
        self.stops = 0

    def say(self, text: str, *, tone: Tone | None = None) -> None:
        if self.broken:
            raise SpeakerError("no voice")
        self.tones.append(tone)
        if text:
            self.said.append(text)

    def stop(self) -> None:
        self.stops += 1
        self.speaking = False

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        self.voices.append((volume_percent, words_per_minute))

    def close(self) -> None:
        pass


def small_job(**changes: Any) -> Job:
    """Two cylinders of 4.000 in, one rail, second and top ring; dial grinder; windows in thou:

    rail 15 or more; second 18 to 20 (0.0045 x bore); top 16 to 18 (from a sheet).
    """
    facts: dict[str, Any] = {
        "name": "bench test",
        "unit": Unit.INCH,
        "cylinders": 2,
        "bore_nm": 4 * NM_PER_INCH,
        "rings": (
            RingSpec(position=TOP, rule=LimitsRule(least_nm=16 * THOU, most_nm=18 * THOU)),
            RingSpec(position=SECOND, rule=FactorRule(factor=Decimal("0.0045"), over_nm=2 * THOU)),
            RingSpec(position=UPPER, rule=LimitsRule(least_nm=15 * THOU)),
        ),
        "leaves_nm": usual_leaves_nm(Unit.INCH),
        "grinder": Grinder.usual(GrinderKind.DIAL, Unit.INCH),
    }
    return Job(**{**facts, **changes})


def metric_job(**changes: Any) -> Job:
    """One cylinder of 83 mm, top ring 0.35 to 0.45 mm and second 0.38 mm or more; a file."""
    facts: dict[str, Any] = {
        "name": "metric bench test",
        "unit": Unit.METRIC,
        "cylinders": 1,
        "bore_nm": 83 * NM_PER_MM,
        "rings": (
            RingSpec(position=TOP, rule=LimitsRule(least_nm=350_000, most_nm=450_000)),
            RingSpec(position=SECOND, rule=LimitsRule(least_nm=380_000)),
        ),
        "leaves_nm": usual_leaves_nm(Unit.METRIC),
        "grinder": Grinder.usual(GrinderKind.FILE, Unit.METRIC),
    }
    return Job(**{**facts, **changes})


def heard(text: str, *others: tuple[str, float], score: float = 0.95) -> Heard:
    """What a recogniser made of an utterance: ``text``, and other hypotheses with their scores."""
    if not text:
        return Heard((), 0.0)
    left = 1.0 - sum(share for _, share in others)
    ways = [(text, left), *others]
    return Heard(tuple(Hypothesis(tuple(words.split()), share) for words, share in ways), score)


def stored(*turns: Sequence[Any]) -> list[Envelope]:
    """Events in envelopes, as a log holds them; each argument is one turn."""
    envelopes: list[Envelope] = []
    for number, events in enumerate(turns):
        for event in events:
            at = START + timedelta(seconds=len(envelopes))
            envelopes.append(envelope(event, seq=len(envelopes), at=at, turn=number))
    return envelopes


def after(state: State, *events: Any) -> State:
    """The state after one more turn of these events."""
    turn = state.turn + 1
    for event in events:
        state = apply(state, envelope(event, seq=state.seq + 1, at=START, turn=turn))
    return state


class Bench:
    """A dialogue on fakes: ``say`` calls words out, ``type`` types them; all effects can be read.

    effects: ("log" | "show" | "say", what) in the order in which they happened.
    """

    def __init__(
        self, job: Job, grammar: Grammar, wording: Wording, *, opened: bool = True
    ) -> None:
        self.job, self.grammar = job, grammar
        self.store = _Watched(self)
        self.speaker = _Spoken(self)
        self.turns: list[Turn] = []
        self.effects: list[tuple[str, Any]] = []
        self.dialogue = Dialogue(
            store=self.store, clock=FakeClock(), grammar=grammar, wording=wording,
            speaker=self.speaker, show=self._show, state=State(),
        )  # fmt: skip
        if opened:
            self.dialogue.open(job, software="leafcall test")
            self.effects.clear()

    def _show(self, turn: Turn) -> None:
        self.turns.append(turn)
        self.effects.append(("show", turn.reply.shown))

    @property
    def state(self) -> State:
        return self.dialogue.state

    def say(self, text: str, *others: tuple[str, float], score: float = 0.95) -> str:
        """Call out; the spoken reply."""
        call = Call(heard(text, *others, score=score), source="microphone", start_s=1.0, end_s=2.0)
        return self.dialogue.take(call).reply.spoken

    def mumble(self, text: str, *, score: float = 0.7) -> str:
        """Call out what the ear hears as ``text`` but is not sure of; the spoken reply."""
        heard = Heard((Hypothesis(tuple(text.split()), 1.0),), score, sure_from=0.8)
        return self.dialogue.take(Call(heard, source="microphone")).reply.spoken

    def type(self, line: str) -> str:
        """Type a line; the spoken reply."""
        words = self.grammar.words_of(line)
        call = Call(Heard((Hypothesis(words, 1.0),), 1.0), source="keyboard", typed=True)
        return self.dialogue.take(call).reply.spoken

    def through(self, *texts: str) -> "Bench":
        """Call out several sentences; itself."""
        for text in texts:
            self.say(text)
        return self

    @property
    def last(self) -> Turn:
        return self.turns[-1]


class _Watched(MemoryStore):
    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self._bench = bench

    def append(self, events: Sequence[Envelope]) -> None:
        super().append(events)
        self._bench.effects.append(("log", [stored.event.kind for stored in events]))


class _Spoken(FakeSpeaker):
    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self._bench = bench

    def say(self, text: str, *, tone: Tone | None = None) -> None:
        super().say(text, tone=tone)
        if text:
            self._bench.effects.append(("say", text))
