"""A shop that exists only in memory: its microphone, its loudspeaker, its clock, and who is in it.

Time is the sound that was read from the microphone; nothing waits. Into the microphone go the
calls of the person, the replies of the bench (late, and with a tail of the room, as an echo), talk
that is not for the bench, dropped tools, and noise without a break. Times in seconds.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np

from assistant.adapters.sound.loudspeaker import tone_sound
from assistant.bench.ports import Tone
from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from tests.benchmarks.noises import add_echo, end_of_speech_s, make_noise
from tests.simulation.person import Meant, Person
from tests.simulation.voices import CALL_LEVEL, Caller, Sound, at_16_khz

_START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
_NOISE_LOOP_S = 30.0
_QUIET_ROOM_DB = 60.0  # "clean": the noise floor lies so far below the calls
_OUTPUT_DELAY_S = 0.06  # from the machine to the loudspeaker
_ROOM_TAIL_S = 0.25
_TOOL_S = 0.15


@dataclass(frozen=True)
class Shop:
    """What the room is like.

    noise: "pink", "shop" or "white"; snr_db: of the calls, None = a quiet room. echo_db: level of
    the replies at the microphone over that of the calls. gap_s: shortest and longest time between
    a reply and the next call. talk, tools: how many a call, on average; talk_db: level of the talk.
    patience_s: how long a reply is waited for. longest_s: the session is given up after that.
    """

    noise: str = "pink"
    snr_db: float | None = None
    echo_db: float = 0.0
    gap_s: tuple[float, float] = (0.5, 1.5)
    talk: float = 0.0
    talk_db: float = -6.0
    tools: float = 0.0
    patience_s: float = 3.0
    longest_s: float = 3600.0


@dataclass
class Attempt:
    """One call as it was made. ended_s: true end of speech. answered_s: end of the reply, if any.

    begun_s: when the thought of it began, so that the gap before it counts too.
    """

    meant: Meant
    begun_s: float
    start_s: float
    ended_s: float
    answered_s: float | None = None


@dataclass
class _Heard:
    """What the loudspeaker says. until_s: when its sound has left the loudspeaker."""

    texts: list[str] = field(default_factory=list)
    from_s: float = 0.0
    until_s: float = 0.0


class Room:
    """AudioSource and Clock. ``speaker`` is the loudspeaker, a Speaker of ports.py."""

    name = "room"

    def __init__(
        self,
        shop: Shop,
        person: Person,
        caller: Caller,
        bench_voice: Callable[[str], tuple[Samples, int]],
        *,
        talk: Sequence[Sound] = (),
        seed: int = 0,
    ) -> None:
        self._shop = shop
        self._person = person
        self._caller = caller
        self._rng = np.random.default_rng(seed)
        self._talk = talk
        snr_db = _QUIET_ROOM_DB if shop.snr_db is None else shop.snr_db
        count = round(_NOISE_LOOP_S * SAMPLE_RATE_HZ)
        noise = make_noise(shop.noise, count, seed)
        self._noise = noise * CALL_LEVEL / 10 ** (snr_db / 20) / np.sqrt(np.mean(noise**2))
        self._ahead = np.zeros(0)  # sound to come, from the present frame on
        self._frames = 0
        self._reply = _Heard()
        self._next_call_s: float | None = None  # None while the person calls or waits for a reply
        self._gap_from_s = 0.0
        self._calling_until_s = 0.0
        self.attempts: list[Attempt] = []
        self.talk_s: list[tuple[float, float]] = []
        self.tools = 0
        self.unasked: list[str] = []  # replies that no call came before
        self.left = False
        self.speaker = RoomSpeaker(self, bench_voice)
        self._plan_call()

    # --- microphone -----------------------------------------------------------------------------

    def frames(self) -> Iterator[Samples]:
        """Frames until the person is done, or the session takes too long."""
        while not (self._person.finished or self.left or self.over):
            self._live()
            yield self._frame()

    @property
    def over(self) -> bool:
        """Whether the session has taken too long."""
        return self.now_s >= self._shop.longest_s

    @property
    def overflows(self) -> int:
        """No sound is ever lost."""
        return 0

    def drop_waiting(self) -> float:
        """Nothing waits: time goes on only as frames are read."""
        return 0.0

    def close(self) -> None:
        self.left = True

    def _frame(self) -> Samples:
        at = self._frames * FRAME_SAMPLES % len(self._noise)
        frame = np.resize(self._noise[at : at + FRAME_SAMPLES], FRAME_SAMPLES).copy()
        now = self._ahead[:FRAME_SAMPLES]
        frame[: len(now)] += now
        self._ahead = self._ahead[FRAME_SAMPLES:]
        self._frames += 1
        return np.clip(frame, -1.0, 1.0).astype(np.float32)

    def _mix(self, sound: Sound, delay_s: float = 0.0) -> None:
        start = round(delay_s * SAMPLE_RATE_HZ)
        missing = start + len(sound) - len(self._ahead)
        if missing > 0:
            self._ahead = np.concatenate([self._ahead, np.zeros(missing)])
        self._ahead[start : start + len(sound)] += sound

    def hear_out(self) -> None:
        """Let the person hear what the loudspeaker still says after the bench has ended."""
        while self._reply.texts and not self.over:
            self._live()
            self._frame()

    # --- clock ----------------------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """Seconds of sound that were read."""
        return self._frames * FRAME_S

    def now(self) -> datetime:
        return _START + timedelta(seconds=self.now_s)

    def elapsed_s(self) -> float:
        return self.now_s

    def wait(self, seconds: float) -> None:
        """Time goes by unheard."""
        for _ in range(round(seconds / FRAME_S)):
            self._live()
            self._frame()

    # --- loudspeaker ----------------------------------------------------------------------------

    @property
    def bench_speaks(self) -> bool:
        """Whether the loudspeaker is still at work."""
        return self.now_s < self._reply.until_s

    def play(self, text: str, sound: Sound) -> None:
        """A reply begins, or waits for the end of the one before."""
        if not self._reply.texts:
            self._reply.from_s = self.now_s
        begins_s = max(self.now_s, self._reply.until_s)
        self._reply.until_s = begins_s + len(sound) / SAMPLE_RATE_HZ
        self._reply.texts.append(text)
        loud = CALL_LEVEL * 10 ** (self._shop.echo_db / 20)
        level = np.sqrt(np.mean(sound**2)) if len(sound) else 1.0
        tail = np.zeros(round(_ROOM_TAIL_S * SAMPLE_RATE_HZ))
        echo = add_echo(np.concatenate([sound * loud / level, tail]), _ROOM_TAIL_S, self._frames)
        self._mix(echo, begins_s - self.now_s + _OUTPUT_DELAY_S)

    def hush(self) -> None:
        """The loudspeaker is cut short; the words that were to come are not heard."""
        self._reply.until_s = self.now_s

    # --- the person -----------------------------------------------------------------------------

    def _live(self) -> None:
        """What happens in this instant."""
        if self._reply.texts and self.now_s >= max(self._reply.until_s, self._calling_until_s):
            texts, self._reply.texts = self._reply.texts, []
            self._is_told([text for text in texts if text])
        elif self.bench_speaks:
            return
        elif self._next_call_s is None:
            if self.now_s >= self._calling_until_s + self._shop.patience_s:
                self._person.hears(None)
                self._plan_call(hurried=True)
        elif self.now_s >= self._next_call_s:
            self._call()

    def _is_told(self, texts: Sequence[str]) -> None:
        if not texts:
            return  # a tone alone: the person goes on waiting
        waiting = self._next_call_s is None
        if waiting:
            self.attempts[-1].answered_s = self.now_s
        else:
            self.unasked += texts
        for text in texts:
            self._person.hears(text)
        self._plan_call()

    def _plan_call(self, *, hurried: bool = False) -> None:
        self._gap_from_s = self.now_s
        low_s, high_s = self._shop.gap_s
        gap_s = low_s if hurried else self._rng.uniform(low_s, high_s)
        if self._talk and self._rng.random() < self._shop.talk:
            sound = self._talk[self._rng.integers(len(self._talk))]
            level = 10 ** (self._shop.talk_db / 20)
            self._mix(sound * level, 0.3)
            length_s = len(sound) / SAMPLE_RATE_HZ
            self.talk_s.append((self.now_s + 0.3, self.now_s + 0.3 + length_s))
            gap_s += 0.3 + length_s + 1.0
        if self._rng.random() < self._shop.tools:
            self._mix(self._dropped_tool(), self._rng.uniform(0.0, gap_s))
            self.tools += 1
            gap_s += 0.3
        self._next_call_s = self.now_s + gap_s

    def _call(self) -> None:
        meant = self._person.next_call()
        sound = self._caller.call(meant.words, slowly=meant.tries > 0)
        self._mix(sound)
        ended_s = self.now_s + end_of_speech_s(sound)
        self.attempts.append(Attempt(meant, self._gap_from_s, self.now_s, ended_s))
        self._calling_until_s = ended_s
        self._next_call_s = None

    def _dropped_tool(self) -> Sound:
        """A spanner on a steel bench: a few ringing tones that die within a tenth of a second."""
        t = np.arange(round(_TOOL_S * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
        sound = np.zeros(len(t))
        for _ in range(4):
            pitch_hz, fade_s = self._rng.uniform(800, 6000), self._rng.uniform(0.01, 0.05)
            sound += np.sin(2 * np.pi * pitch_hz * t) * np.exp(-t / fade_s)
        return 0.3 * sound


class RoomSpeaker:
    """The loudspeaker of a room."""

    def __init__(self, room: Room, voice: Callable[[str], tuple[Samples, int]]) -> None:
        self._room = room
        self._voice = voice
        self._costs: list[float] = []
        self.said: list[str] = []

    def next_costs(self) -> list[float]:
        """A list that takes the seconds of computing of all sounds until the next is asked for."""
        self._costs = []
        return self._costs

    def say(self, text: str, *, tone: Tone | None = None) -> None:
        began = time.perf_counter()
        samples, rate_hz = self._voice(text)
        if tone is not None:
            samples = np.concatenate([tone_sound(tone, rate_hz), samples])
        self._costs.append(time.perf_counter() - began)
        sound = at_16_khz(samples / 32_768.0, rate_hz) if len(samples) else np.zeros(0)
        if text:
            self.said.append(text)
        self._room.play(text, sound)

    @property
    def speaking(self) -> bool:
        return self._room.bench_speaks

    def stop(self) -> None:
        self._room.hush()

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        """The room's voice stays as it is."""

    def close(self) -> None:
        self._room.hush()
