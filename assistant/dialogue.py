"""One turn at the bench: gather (what was heard), decide (pure), act (append, show, speak).

The order of effects never changes: the log is on disk before anything is shown or said, so what
was confirmed aloud is never missing from the log.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from assistant import events as ev
from assistant.commands import Command, Pick
from assistant.decisions import decide
from assistant.errors import CommandNotAllowed, JobError
from assistant.grammar import Grammar
from assistant.interpretation import Rejection, interpret
from assistant.job import Job
from assistant.learned import Learned
from assistant.ports import Clock, EventStore, Speaker
from assistant.reply import (
    Reply,
    Wording,
    reply_to_refusal,
    reply_to_rejection,
    reply_to_turn,
)  # fmt: skip
from assistant.session import State, apply, replay
from assistant.utterance import Heard


@dataclass(frozen=True, slots=True)
class Call:
    """What was heard, and where: seconds in the stream ``source``.

    keep: keeps the sound of the call as a clip and gives its name; None where there is no sound.
    typed: it came from the keyboard, letter by letter, and is never taken for a sound-alike.
    """

    heard: Heard
    source: str
    start_s: float = 0.0
    end_s: float = 0.0
    keep: Callable[[], str] | None = None
    typed: bool = False


@dataclass(frozen=True, slots=True)
class Turn:
    """What one call did. command: name of its command, None if it had no effect.

    refused: why it had none.
    """

    call: Call
    command: str | None
    refused: str | None
    reply: Reply
    events: tuple[Any, ...]
    state: State


class Dialogue:
    """A session under way. Build it with ``begin`` or ``resume``."""

    def __init__(
        self,
        *,
        store: EventStore,
        clock: Clock,
        grammar: Grammar,
        wording: Wording,
        speaker: Speaker,
        show: Callable[[Turn], None],
        state: State,
    ) -> None:
        self._store = store
        self._clock = clock
        self._grammar = grammar
        self._wording = wording
        self._speaker = speaker
        self._show = show
        self.state = state

    def open(self, job: Job, *, software: str, start: Learned | None = None) -> Turn:
        """Begin with the first ring of the job, or go on where an earlier session stopped.

        start: what earlier jobs taught; a session that goes on keeps the one it began with.

        Raises JobError if the log belongs to another job.
        """
        if self.state.job is None:
            first = next(job.places())
            made: tuple[Any, ...] = (
                ev.SessionOpened(job=job, software=software, start=start),
                ev.RingPicked(cylinder=first[0], position=first[1]),
            )
        else:
            if self.state.job != job:
                raise JobError(
                    "The job file has changed since this session began. Put it back, or begin a "
                    "new session with --new."
                )
            made = (ev.SessionResumed(software=software),)
            following = None if self.state.here else self.state.next_ring()
            if following is not None:
                made += (ev.RingPicked(cylinder=following[0], position=following[1]),)
        call = Call(Heard((), 1.0), source="start")
        return self._act(call, None, None, made, lambda after: self._opening(made, after))

    def take(self, call: Call) -> Turn:
        """One call: understand it, decide, write it down, show it, answer it."""
        if self.state.noting:
            return self._keep_note(call)
        meant = interpret(call.heard, self._grammar, self.state, typed=call.typed)
        if isinstance(meant, Rejection):
            unit = self.state.the_job.unit
            reply = reply_to_rejection(meant, self._wording, unit)
            return self._act(call, None, meant.reason, (), lambda _: reply)
        try:
            made = decide(self.state, meant.command)
        except CommandNotAllowed as refused:
            reply = reply_to_refusal(refused, self._wording, self.state.the_job.unit)
            return self._act(call, None, refused.name, (), lambda _: reply)
        command: Command = meant.command
        return self._act(
            call, meant.parsed.command, None, made,
            lambda after: reply_to_turn(command, made, after, self._wording),
        )  # fmt: skip

    def _keep_note(self, call: Call) -> Turn:
        clip = call.keep() if call.keep is not None else None
        text = None if clip is not None else " ".join(call.heard.words)
        made = (ev.NoteKept(clip=clip, text=text),)
        return self._act(
            call, "note", None, made,
            lambda after: self._wording.fill("done", "note kept", after.the_job.unit, {}),
        )  # fmt: skip

    def _opening(self, made: tuple[Any, ...], after: State) -> Reply:
        return reply_to_turn(Pick(None), made, after, self._wording)

    def _act(
        self,
        call: Call,
        command: str | None,
        refused: str | None,
        made: tuple[Any, ...],
        word: Callable[[State], Reply],
    ) -> Turn:
        heard: tuple[Any, ...] = ()
        if call.heard.words:
            heard = (
                ev.CallHeard(
                    source=call.source, words=" ".join(call.heard.words), command=command,
                    refused=refused, score=round(call.heard.score, 4),
                    start_s=round(call.start_s, 3), end_s=round(call.end_s, 3),
                ),
            )  # fmt: skip
        before = self.state
        envelopes = self._enveloped((*heard, *made), before)
        after = _folded(before, envelopes)
        reply = word(after)
        if reply:
            said = self._enveloped((ev.ReplyGiven(text=reply.spoken),), after, turn=before.turn + 1)
            after = _folded(after, said)
            envelopes += said
        if envelopes:
            self._store.append(envelopes)
        self.state = after
        turn = Turn(call, command, refused, reply, made, after)
        self._show(turn)
        if reply.spoken:
            self._speaker.say(reply.spoken)
        return turn

    def _enveloped(
        self, made: Iterable[Any], state: State, *, turn: int | None = None
    ) -> tuple[ev.Envelope, ...]:
        now = self._clock.now()
        number = state.turn + 1 if turn is None else turn
        return tuple(
            ev.envelope(event, seq=state.seq + 1 + n, at=now, turn=number)
            for n, event in enumerate(made)
        )


def _folded(state: State, envelopes: Iterable[ev.Envelope]) -> State:
    for envelope in envelopes:
        state = apply(state, envelope)
    return state


def resumed(store: EventStore) -> State:
    """The state that a stored log leaves. Raises LogDamaged."""
    return replay(store.read())
