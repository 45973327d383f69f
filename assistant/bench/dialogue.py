"""One turn at the bench: gather (what was heard), decide (pure), act (append, show, speak).

The order of effects never changes: the log is on disk before anything is shown or said, so what
was confirmed aloud is never missing from the log.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from assistant.bench import events as ev
from assistant.bench.commands import Amend, Answer, Command, Pick, Report, Undo
from assistant.bench.decisions import asked_first, asked_of_earlier, corrected, decide
from assistant.bench.interpretation import Rejection, interpret
from assistant.bench.job import Job
from assistant.bench.learned import Learned
from assistant.bench.ports import Clock, EventStore, Speaker, Tone
from assistant.bench.reply import (
    reply_to_dropped,
    reply_to_refusal,
    reply_to_rejection,
    reply_to_trouble,
    reply_to_turn,
)  # fmt: skip
from assistant.bench.reply_terms import CommandNotAllowed, DoneReply, Refusal
from assistant.bench.session import State, apply
from assistant.bench.standing import CallStanding, is_taken
from assistant.bench.wording import Reply, Wording, join
from assistant.ear.utterance import Heard
from assistant.errors import JobError, LogError, SpeakerError
from assistant.language.grammar import Grammar

_NOT_FOR_IT = (Refusal.FOREIGN, Refusal.STANDING_BY, Refusal.OVER_THE_REPLY)
"""Refusals of what somebody said to somebody else, or of what may be an echo."""

_REPAIRS = {"amend", "undo"}


@dataclass(frozen=True, slots=True)
class Call:
    """What was heard, and where: seconds in the stream ``source``.

    keep: keeps the sound of the call as a clip, if all clips then take no more than so many bytes
    (None: any), and gives its name, or None if there was no room; None where there is no sound.
    lossy: part of its sound was lost on the way. late: its beginning was spoken over a reply, when
    the bench was deaf.
    typed: it came from the keyboard, letter by letter, and is never taken for a sound-alike.
    text: the line as it was typed, for a note.
    """

    heard: Heard
    source: str
    start_s: float = 0.0
    end_s: float = 0.0
    keep: Callable[[int | None], str | None] | None = None
    lossy: bool = False
    late: bool = False
    typed: bool = False
    text: str = ""


@dataclass(frozen=True, slots=True)
class Turn:
    """What one call did. command: name of its command, None if it had no effect.

    refused: why it had none.
    """

    call: Call
    command: str | None
    refused: Refusal | ev.Trouble | None
    reply: Reply
    events: tuple[ev.Event, ...]
    state: State


@dataclass(frozen=True, slots=True)
class ClipKept:
    """What came of keeping the sound of a call. clip: its name, None if it was not kept.

    troubles: what went wrong, and that no more is kept from now on.
    """

    clip: str | None = None
    troubles: tuple[ev.TroubleNoted | ev.ClipKeepingSet, ...] = ()


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
        self._voice_lost = False
        self._unnoted: Command | Refusal | None = None  # the last call, if nothing of it was noted
        self.state = state

    def open(
        self,
        job: Job,
        *,
        software: str,
        start: Learned | None = None,
        settings: tuple[ev.VoiceSet | ev.ClipKeepingSet, ...] = (),
    ) -> Turn:
        """Begin with the first ring of the job, or go on where an earlier session stopped.

        start: what earlier jobs taught; a session that goes on keeps the one it began with.
        settings: to be used from now on; what is not among them stays as it was.

        Raises JobError if the log belongs to another job.
        """
        if self.state.job is None:
            first = next(job.places())
            made: tuple[ev.Event, ...] = (
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
            if self.state.pending is not None:  # what waits for a yes is asked again, never lost
                waiting = self.state.pending
                made += (
                    ev.QuestionAsked(
                        about=waiting.about, facts=waiting.facts, pending=waiting.events
                    ),
                )
        as_before = (self.state.voice, self.state.keeping_clips)
        made += tuple(new for new in settings if new not in as_before)
        call = Call(Heard((), 1.0), source="start")
        return self._act(call, None, None, made, lambda after: self._opening(made, after))

    @property
    def standings(self) -> CallStanding:
        """What the ear asks in a pause: how far words are towards a call that is taken here."""
        return CallStanding(self._grammar, lambda: self.state)

    def take(self, call: Call) -> Turn:
        """One call: understand it, decide, write it down, show it, answer it."""
        if self.state.noting:
            return self._keep_note(call)
        if call.late:
            # No words: were it the echo of a reply after all, an answer would make the next echo.
            why = Rejection(Refusal.OVER_THE_REPLY, call.heard.words)
            return self._reject(call, why, tone=Tone.AGAIN)
        if call.lossy and call.heard.words:
            return self.tell("sound lost", call=call)
        meant = interpret(call.heard, self._grammar, self.state, typed=call.typed)
        if isinstance(meant, Rejection):
            repairs = self._grammar.begun(call.heard.words) & _REPAIRS
            if not repairs and meant.reason not in (*_NOT_FOR_IT, Refusal.NOTHING):
                self._unnoted = meant.reason
            return self._reject(call, meant)
        command, unnoted = meant.command, self._unnoted
        try:
            if isinstance(command, Amend) and isinstance(unnoted, Report):
                command = corrected(unnoted, command.number, self.state.the_job.unit)
            made = decide(self.state, command)
        except CommandNotAllowed as refused:
            if not isinstance(command, Amend | Undo | Answer):
                self._unnoted = command
            if not meant.sure:
                return self._reject(call, Rejection(Refusal.NOT_SURE, call.heard.words))
            reply = reply_to_refusal(refused, self._wording, self.state.the_job.unit)
            return self._act(call, None, refused.refusal, (), lambda _: reply, tone=Tone.AGAIN)
        self._unnoted = None
        if unnoted is not None and isinstance(command, Amend | Undo):
            made = asked_of_earlier(self.state, made)
        taken = is_taken(meant, self.state)
        if not taken:
            made = asked_first(made, meant.parsed.words)
        before = self.state
        return self._act(
            call, meant.parsed.command, None, made,
            lambda after: join(
                [self._dropped(command, made, after),
                 reply_to_turn(command, made, before, after, self._wording)]
            ),
            tone=Tone.HEARD if taken else Tone.AGAIN,
        )  # fmt: skip

    def _dropped(self, command: Command, made: tuple[ev.Event, ...], after: State) -> Reply:
        """That what waited for a yes does not count, if a call went past the question."""
        waiting = self.state.pending
        answered = isinstance(command, Amend) or any(
            isinstance(event, ev.QuestionAnswered) for event in made
        )
        if waiting is None or answered or after.pending == waiting:
            return Reply("", "")
        return reply_to_dropped(waiting, after, self._wording)

    def _reject(self, call: Call, why: Rejection, *, tone: Tone | None = None) -> Turn:
        reply = reply_to_rejection(why, self._wording, self.state.the_job.unit)
        tone = Tone.AGAIN if reply else tone
        return self._act(call, None, why.reason, (), lambda _: reply, tone=tone)

    def tell(self, about: ev.Trouble, detail: str = "", *, call: Call | None = None) -> Turn:
        """Note a trouble of the machine, or its end, and say so. call: what it spoiled."""
        made = (ev.TroubleNoted(about=about, detail=detail),)
        return self._act(
            call or Call(Heard((), 1.0), source="bench"), None, about if call else None, made,
            lambda after: reply_to_trouble(about, after, self._wording), tone=Tone.TROUBLE,
        )  # fmt: skip

    def _keep_note(self, call: Call) -> Turn:
        try:
            clip = call.keep(None) if call.keep is not None else None
        except LogError as error:
            lost = ev.TroubleNoted(about="clip lost", detail=str(error))
            return self._act(
                call, "note", None, (ev.NoteKept(), lost),
                lambda after: self._told(lost, after), tone=Tone.TROUBLE,
            )  # fmt: skip
        text = None if clip is not None else call.text or " ".join(call.heard.words)
        made = (ev.NoteKept(clip=clip, text=text),)
        return self._act(
            call, "note", None, made,
            lambda after: self._wording.fill(DoneReply.NOTE_KEPT, after.the_job.unit, {}),
            tone=Tone.HEARD,
        )  # fmt: skip

    def _opening(self, made: tuple[ev.Event, ...], after: State) -> Reply:
        return reply_to_turn(Pick(None), made, self.state, after, self._wording)

    def _act(
        self,
        call: Call,
        command: str | None,
        refused: Refusal | ev.Trouble | None,
        made: tuple[ev.Event, ...],
        word: Callable[[State], Reply],
        *,
        tone: Tone | None = None,
    ) -> Turn:
        heard: tuple[ev.Event, ...] = ()
        troubles: tuple[ev.TroubleNoted | ev.ClipKeepingSet, ...] = ()
        if call.heard.words:
            kept = self._keep_call(call, refused) if command != "note" else ClipKept()
            troubles = kept.troubles
            heard = (
                ev.CallHeard(
                    source=call.source, words=" ".join(call.heard.words), command=command,
                    refused=None if refused is None else str(refused),
                    score=round(call.heard.score, 4),
                    start_s=round(call.start_s, 3), end_s=round(call.end_s, 3), clip=kept.clip,
                ),
            )  # fmt: skip
            made = (*made, *troubles)
        before = self.state
        envelopes = self._enveloped((*heard, *made), before)
        after = _folded(before, envelopes)
        reply = join([word(after), *(self._told(trouble, after) for trouble in troubles)])
        if reply and self._store.only_in_memory:  # never confirmed as if it were safe
            unsafe = self._wording.fill(DoneReply.NOT_ON_DISK, after.the_job.unit, {})
            reply = join([reply, unsafe])
        if reply:
            said = self._enveloped((ev.ReplyGiven(text=reply.spoken),), after, turn=before.turn + 1)
            after = _folded(after, said)
            envelopes += said
        if envelopes:
            self._store.append(envelopes)
        self.state = after
        turn = Turn(call, command, refused, reply, made, after)
        self._show(turn)
        if after.the_voice != before.the_voice or before.job is None:
            voice = after.the_voice
            self._speaker.set_voice(
                volume_percent=voice.volume_percent, words_per_minute=voice.words_per_minute
            )
        if reply.spoken or tone is not None:
            self._speak(reply.spoken, tone)
        for about, detail in self._store.troubles():
            self.tell(about, detail)
        return turn

    def _speak(self, text: str, tone: Tone | None) -> None:
        """A voice that fails is told once, on the screen; the session goes on without it."""
        try:
            self._speaker.say(text, tone=tone)
        except SpeakerError as error:
            if not self._voice_lost:
                self._voice_lost = True
                self.tell("voice lost", str(error))
            return
        if self._voice_lost:
            self._voice_lost = False
            self.tell("voice back")

    def _keep_call(self, call: Call, refused: Refusal | ev.Trouble | None) -> ClipKept:
        """The kept clip, and what became of keeping clips.

        Talk that was not for the bench is not kept. A clip that cannot be kept never stops a call.
        """
        wanted = self.state.keeping_clips
        if call.keep is None or wanted is None or not wanted.on or refused in _NOT_FOR_IT:
            return ClipKept()
        off = wanted.model_copy(update={"on": False})
        try:
            clip = call.keep(wanted.most_mb * 1_000_000)
        except LogError as error:
            return ClipKept(None, (ev.TroubleNoted(about="clip lost", detail=str(error)), off))
        return ClipKept(clip, () if clip is not None else (off,))

    def _told(self, trouble: ev.TroubleNoted | ev.ClipKeepingSet, after: State) -> Reply:
        if isinstance(trouble, ev.TroubleNoted):
            return reply_to_trouble(trouble.about, after, self._wording)
        return self._wording.fill(DoneReply.CLIP_STORE_FULL, after.the_job.unit, {})

    def _enveloped(
        self, made: Iterable[ev.Event], state: State, *, turn: int | None = None
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
