"""A whole session by voice, in a room: ear, turn-taking, dialogue, log and voice are real."""

import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from pathlib import Path

from assistant.adapters.files.session_log import read_log
from assistant.bench import events as ev
from assistant.bench.dialogue import Call, Turn
from assistant.bench.turn_taking import LiveBench
from assistant.bench.wording import Wording
from assistant.build.ears import open_ear
from assistant.build.sessions import SessionFolder, open_session, write_sheet
from assistant.ear.utterance import Heard, Utterance
from assistant.language.grammar import Grammar
from tests.simulation.person import Person
from tests.simulation.room import Attempt, Room
from tests.simulation.standing import entry_of, standing
from tests.simulation.told import Key

_LATE_S = 0.4  # an utterance may seem to end so much after its call, in a room with an echo


@dataclass(frozen=True)
class Taken:
    """One turn of the bench. start_s, end_s: of the utterance, by the clock of the room.

    reply_s: from the true end of the call to the reply ready and on disk, None where nobody called.
    made_s: seconds of computing for each sound of the reply, made right after the turn.
    """

    turn: Turn
    start_s: float
    end_s: float
    attempt: Attempt | None
    reply_s: float | None
    made_s: list[float]

    @property
    def voice_s(self) -> float:
        """Seconds of computing that the sound of the reply took."""
        return sum(self.made_s)

    @property
    def wrong(self) -> bool:
        """Whether a call was taken for another one, and that had an effect."""
        if self.attempt is None or self.turn.refused is not None:
            return False
        meant = self.attempt.meant
        entries = [entry for e in self.turn.events if (entry := entry_of(e)) is not None]
        asked = any(isinstance(e, ev.QuestionAsked) for e in self.turn.events)
        if asked:
            return False  # nothing counts until yes is said
        if meant.kind in _COMMANDS and self.turn.command not in _COMMANDS[meant.kind]:
            return True
        return bool(entries) and tuple(entries) != meant.entries


_COMMANDS = {
    "readings": ("readings",),
    "ground": ("ground",),
    "check": ("done",),
    "accept": ("accept",),
    "spoiled": ("spoiled",),
    "pick": ("pick",),
    "answer": ("answer",),
    "undo": ("undo",),
    "amend": ("amend",),
    "ask": ("ask",),
    "listen": ("listen_up",),
    "wrap": ("wrap_up",),
}  # command names of the grammar by kind of call


@dataclass
class Session:
    """What came of it. folder: of the session; sessions: how often it was begun."""

    person: Person
    room: Room
    grammar: Grammar
    taken: list[Taken] = field(default_factory=list)
    folder: SessionFolder | None = None
    sessions: int = 0

    @property
    def log(self) -> tuple[ev.Envelope, ...]:
        """All that is on disk."""
        if self.folder is None:
            return ()
        return tuple(read_log(self.folder.log))

    def unnoticed(self) -> Mapping[Key, tuple[str, ...]]:
        """Differences between what was meant and what stands in the log, ring by ring."""
        found = standing(self.log)
        differing = {}
        for key, meant in self.person.ledger.items():
            stands = found.get(key, [])
            differing[key] = tuple(_differences(meant, stands))
        return {key: rows for key, rows in differing.items() if rows}

    @property
    def strangers(self) -> list[Taken]:
        """Turns that no call caused, and that had an effect."""
        return [t for t in self.taken if t.attempt is None and t.turn.refused is None]


def _differences(meant: list[str], stands: list[str]) -> Iterable[str]:
    for what, a, b, c, d in SequenceMatcher(None, meant, stands, autojunk=False).get_opcodes():
        if what != "equal":
            yield f"meant {', '.join(meant[a:b]) or '-'}; stands {', '.join(stands[c:d]) or '-'}"


class _Watch:
    """Sees every turn, and what it cost."""

    def __init__(self, played: Session) -> None:
        self._played = played
        self._origin_s = 0.0
        self._called = 0.0
        self._utterance: Utterance | None = None

    def listens_from(self, room_s: float) -> None:
        self._origin_s = room_s

    def hears(self, utterance: Utterance) -> None:
        self._called = time.perf_counter()
        self._utterance = utterance

    def show(self, turn: Turn, _wording: Wording) -> None:
        utterance, self._utterance = self._utterance, None
        if utterance is None:
            return  # the opening, or a trouble of the machine: nobody called
        deciding_s = time.perf_counter() - self._called
        start_s, end_s = (self._origin_s + s for s in (utterance.start_s, utterance.end_s))
        attempt = self._attempt(start_s, end_s)
        reply_s = None
        if attempt is not None:
            decided_s = self._origin_s + utterance.decided_s
            reply_s = decided_s - attempt.ended_s + turn.call.heard.final_s + deciding_s
        # The sound of the reply is made after this, so its cost comes in by the loudspeaker.
        taken = Taken(
            turn, start_s, end_s, attempt, reply_s, self._played.room.speaker.next_costs()
        )
        self._played.taken.append(taken)

    def _attempt(self, start_s: float, end_s: float) -> Attempt | None:
        for attempt in reversed(self._played.room.attempts):
            if start_s < attempt.ended_s and end_s > attempt.start_s:
                return attempt
            if attempt.ended_s + _LATE_S < start_s:
                return None
        return None


def play(job: Path, person: Person, room: Room, grammar: Grammar) -> Session:
    """The session from its first word until the wrap-up or its time is over."""
    played = Session(person, room, grammar)
    watch = _Watch(played)

    while not person.finished and not room.over:
        with (
            open_session(job, speaker=room.speaker, show=watch.show) as session,
            open_ear(session.grammar) as ear,
        ):

            def call_of(utterance: Utterance, heard: Heard, source: str, session=session) -> Call:
                watch.hears(utterance)
                return session.call(utterance, heard, source)

            watch.listens_from(room.now_s)
            bench = LiveBench(
                session.dialogue, room, listener_of=ear.listener, call_of=call_of,
                speaker=room.speaker, clock=room,
            )  # fmt: skip
            bench.run()
            write_sheet(session.folder, session.wording)
            played.folder = session.folder
        played.sessions += 1
        room.hear_out()
    return played
