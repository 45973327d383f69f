"""Turn-taking at the bench: who may speak now, what a key does, what to do when sound is lost.

One loop over the frames of the microphone. While the bench speaks it is deaf, so that its own voice
is never taken for a call; with a headset it listens on and a call cuts the reply short. Effects
only through ports.
"""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace

from assistant.bench.dialogue import Call, Dialogue, Turn
from assistant.bench.ports import Clock, Display, Keys, Mode, Speaker
from assistant.ear.levels import QUIETEST_DB, RunningFloor
from assistant.ear.listener import Listener
from assistant.ear.ports import AudioSource, Standings
from assistant.ear.utterance import FRAME_S, Heard, Samples, Utterance
from assistant.errors import AudioError

_ECHO_S = 0.20  # the room and the sound card still hold the reply for so long
_LATE_S = 0.15  # a call that begins so soon after deafness began in it
_CUT_IN_S = 0.25  # of speech over a reply, before the reply is cut short
_LEVEL_EVERY = 10  # frames
_TALK_S = 10.0  # a key opens the ear for so long, or until a call was heard
_RETRY_S = 2.0
_LOOK_S = 0.02
_SLEPT_S = 60.0  # wall clock ahead of the sound by more than this: the machine slept
_SET_BACK_S = 5.0


@dataclass(frozen=True, slots=True)
class Manners:
    """How turns are taken.

    headset: the microphone does not hear the replies, so the bench listens while it speaks.
    key_to_talk: it listens only after a key was pressed.
    recorded: the source is a recording, which waits while the bench speaks.
    """

    headset: bool = False
    key_to_talk: bool = False
    recorded: bool = False


class LiveBench:
    """The loop of a session by voice.

    listener_of: an ear for a source, told what knows how far words are towards a call. call_of:
    makes the call of an utterance. reopen: finds a microphone again after it was lost, called while
    nothing is played; None where the source simply ends (recordings).
    """

    def __init__(
        self,
        dialogue: Dialogue,
        source: AudioSource,
        *,
        listener_of: Callable[[AudioSource, Standings], Listener],
        call_of: Callable[[Utterance, Heard, str], Call],
        speaker: Speaker,
        clock: Clock,
        keys: Keys | None = None,
        display: Display | None = None,
        manners: Manners | None = None,
        reopen: Callable[[], AudioSource] | None = None,
    ) -> None:
        self._dialogue = dialogue
        self._source = source
        self._listener_of = listener_of
        self._listener = listener_of(source, dialogue.standings)
        self._call_of = call_of
        self._speaker = speaker
        self._clock = clock
        self._keys = keys
        self._display = display
        self._manners = manners or Manners()
        self._reopen = reopen
        self._overflows = 0
        self._echo_frames = 0 if self._manners.recorded else round(_ECHO_S / FRAME_S)
        self._quiet_frames = self._echo_frames  # since it last spoke
        self._talk_frames = 0  # for which a key still keeps the ear open
        self._deaf_until_s = -_LATE_S
        self._cut_in_frames = 0
        self._frames = 0
        self._floor = RunningFloor()
        self._noise_db = QUIETEST_DB
        self._shown: Mode | None = None
        self._last = (self._clock.now(), self._clock.elapsed_s())

    @property
    def source(self) -> AudioSource:
        """The source that is listened to now; another one after the microphone was lost."""
        return self._source

    def run(self) -> None:
        """Listen until the session is wrapped up or the source ends.

        Raises LogError, RecognizerError; AudioError where the source cannot be opened again.
        """
        while not self._dialogue.state.closed:
            try:
                for frame in self._source.frames():
                    if self._take(frame):
                        return
            except AudioError as error:
                if self._reopen is None:
                    raise
                self._find_microphone(error)
                continue
            ended = self._listener.finish()
            if ended is not None:
                self._answer(*ended)
            return

    def _take(self, frame: Samples) -> bool:
        """One frame; whether the session is over."""
        while self._manners.recorded and self._speaker.speaking:
            self._clock.wait(_LOOK_S)
        key = self._keys.pressed() if self._keys is not None else None
        if key is not None and self._speaker.speaking:
            self._speaker.stop()
        ended = self._key(key) if key is not None else None
        deaf = self._deaf()
        if deaf:
            self._deaf_until_s = self._listener.stream_s + FRAME_S
        call = ended or self._listener.take(frame, deaf=deaf)
        if self._manners.headset:
            self._cut_in()
        over = call is not None and self._answer(*call)
        self._show_level(deaf)
        return over

    def _key(self, _key: str) -> tuple[Utterance, Heard] | None:
        """A key opens the ear, or says that the call is complete; the call, if one was under way.

        Without key_to_talk it only does the latter.
        """
        if self._listener.in_speech:
            return self._listener.finish()
        if self._manners.key_to_talk:
            self._talk_frames = round(_TALK_S / FRAME_S)
        return None

    def _deaf(self) -> bool:
        if self._speaker.speaking and not self._manners.headset:
            self._quiet_frames = 0
            self._overflows = self._source.overflows  # of its own voice nothing is missed
            return True
        self._quiet_frames += 1
        if self._quiet_frames <= self._echo_frames and not self._manners.headset:
            return True
        if not self._manners.key_to_talk:
            return False
        if not self._listener.in_speech:
            self._talk_frames = max(0, self._talk_frames - 1)
        return self._talk_frames == 0

    def _cut_in(self) -> None:
        """With a headset: speech over a reply ends the reply."""
        over = self._speaker.speaking and self._listener.in_speech
        self._cut_in_frames = self._cut_in_frames + 1 if over else 0
        if self._cut_in_frames * FRAME_S >= _CUT_IN_S:
            self._speaker.stop()

    def _answer(self, utterance: Utterance, heard: Heard) -> bool:
        """Hand a call to the dialogue; whether the session is over."""
        lost = self._source.overflows
        lossy, self._overflows = lost > self._overflows, lost
        self._talk_frames = 0
        self._mind_the_clock()
        call = self._call_of(utterance, heard, self._source.name)
        # The rest of a call may well come after a reply ("fifteen" ... "fifteen what?" ... "goes").
        begun_s = utterance.start_s if utterance.rest_s is None else utterance.rest_s
        late = begun_s < self._deaf_until_s + _LATE_S and not self._manners.key_to_talk
        if late:  # half of it was the bench's own voice, maybe
            self._listener.drop_what_was_left()
        turn: Turn = self._dialogue.take(replace(call, lossy=lossy, late=late))
        return turn.state.closed

    def _mind_the_clock(self) -> None:
        """Note in the log where the machine slept or its clock was set back."""
        wall, elapsed_s = self._clock.now(), self._clock.elapsed_s()
        before, before_s = self._last
        self._last = (wall, elapsed_s)
        ahead_s = (wall - before).total_seconds() - (elapsed_s - before_s)
        if ahead_s > _SLEPT_S:
            self._dialogue.tell("machine slept", f"{ahead_s:.0f} s")
        elif ahead_s < -_SET_BACK_S:
            self._dialogue.tell("clock jumped", f"{ahead_s:.0f} s")

    def _find_microphone(self, error: AudioError) -> None:
        """Say that the microphone is gone, and try until there is one again."""
        if self._reopen is None:
            raise error
        with suppress(AudioError):
            self._source.close()
        self._dialogue.tell("microphone lost", str(error))
        while True:
            self._show(Mode.LOST)
            self._clock.wait(_RETRY_S)
            if self._speaker.speaking:  # devices cannot be looked for while one is in use
                continue
            try:
                self._source = self._reopen()
            except AudioError:
                continue
            break
        self._listener = self._listener_of(self._source, self._dialogue.standings)
        self._overflows = 0
        self._deaf_until_s = -_LATE_S  # the new stream begins at 0
        self._dialogue.tell("microphone back", self._source.name)
        self._last = (self._clock.now(), self._clock.elapsed_s())

    def _show_level(self, deaf: bool) -> None:
        level_db = self._listener.level_db
        self._noise_db = self._floor.take(level_db, held=self._listener.in_speech)
        mode = self._mode(deaf)
        if self._frames % _LEVEL_EVERY == 0 or mode is not self._shown:
            self._show(mode)
        self._frames += 1

    def _mode(self, deaf: bool) -> Mode:
        if self._speaker.speaking:
            return Mode.SPEAKING
        if not self._dialogue.state.listening:
            return Mode.STAND_BY
        if deaf and self._manners.key_to_talk:
            return Mode.HELD
        if self._listener.in_speech:
            return Mode.HEARING
        return Mode.NOTE if self._dialogue.state.noting else Mode.LISTENING

    def _show(self, mode: Mode) -> None:
        self._shown = mode
        if self._display is not None:
            self._display.level(self._listener.level_db, self._noise_db, mode)
