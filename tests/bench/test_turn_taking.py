"""Turn-taking: deaf while it speaks, keys, cut-ins, a lost microphone, sleep; all on fakes."""

from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np
import pytest

from assistant.bench import events as ev
from assistant.bench.commands import Check
from assistant.bench.dialogue import Call
from assistant.bench.ports import Mode, Tone
from assistant.bench.turn_taking import LiveBench, Manners
from assistant.bench.wording import Wording
from assistant.ear.listener import Listener
from assistant.ear.ports import AudioSource, Standings
from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, Heard, Hypothesis, Samples, Utterance
from assistant.errors import MicrophoneError
from assistant.language.grammar import Grammar
from tests.fakes import START, UPPER, Bench, small_job

QUIET, LOUD = 0.001, 0.5
Step = float | str | Exception
"""One frame of a source: its loudness; or what happens before the next frame."""


class Clock:
    def __init__(self) -> None:
        self.wall = START
        self.passed_s = 0.0
        self.waited: list[float] = []

    def now(self) -> datetime:
        return self.wall

    def elapsed_s(self) -> float:
        return self.passed_s

    def wait(self, seconds: float) -> None:
        self.waited.append(seconds)
        self.sleep(seconds)

    def sleep(self, seconds: float, *, awake: bool = True) -> None:
        self.wall += timedelta(seconds=seconds)
        self.passed_s += seconds if awake else 0.0


class World:
    """Microphone, loudspeaker, keys and clock that one script drives."""

    name = "fake microphone"

    def __init__(self, bench: Bench, steps: list[Step]) -> None:
        self.bench, self.steps = bench, list(steps)
        self.clock = Clock()
        self.key: str | None = None
        self.overflows = 0
        self.closed = False
        self.modes: list[Mode] = []

    def frames(self) -> Iterator[Samples]:
        while self.steps:
            step = self.steps.pop(0)
            match step:
                case Exception():
                    raise step
                case "speaking" | "silent":
                    self.bench.speaker.speaking = step == "speaking"
                case "lost":
                    self.overflows += 1
                case "asleep":
                    self.clock.sleep(3600, awake=False)
                case "set back":
                    self.clock.wall -= timedelta(hours=1)
                case str():
                    self.key = step
                case _:
                    self.clock.sleep(FRAME_S)
                    yield np.full(FRAME_SAMPLES, step, np.float32)

    def drop_waiting(self) -> float:
        return 0.0

    def close(self) -> None:
        self.closed = True

    def pressed(self) -> str | None:
        key, self.key = self.key, None
        return key

    def level(self, level_db: float, noise_db: float, mode: Mode) -> None:
        assert -101 < level_db <= 0
        assert noise_db <= level_db + 0.1
        if not self.modes or self.modes[-1] is not mode:
            self.modes.append(mode)


class Loudness:
    def speech(self, frame: Samples) -> float:
        return float(np.abs(frame).max() > 0.1)

    def reset(self) -> None:
        pass


class Told:
    """Hears what it is told to, utterance by utterance."""

    name = "told"

    def __init__(self, *texts: str) -> None:
        self.texts = list(texts)

    def begin(self) -> None:
        pass

    def feed(self, samples: Samples) -> None:
        pass

    def words_so_far(self) -> tuple[str, ...]:
        return ()

    def end(self) -> Heard:
        return Heard((Hypothesis(tuple(self.texts.pop(0).split()), 1.0),), 1.0)

    def close(self) -> None:
        pass


CALL: list[Step] = [*[LOUD] * 60, *[QUIET] * 80]


class Live:
    def __init__(
        self, grammar: Grammar, wording: Wording, *calls: str, steps: list[Step],
        manners: Manners | None = None, again: list[World | Exception] | None = None,
        joins: bool = False,
    ) -> None:  # fmt: skip
        self.joins = joins
        self.bench = Bench(small_job(), grammar, wording)
        self.world = World(self.bench, steps)
        self.told = Told(*calls)
        self.again = again
        self.live = LiveBench(
            self.bench.dialogue, self.world, listener_of=self._listener, call_of=self._call,
            speaker=self.bench.speaker, clock=self.world.clock, keys=self.world,
            display=self.world, manners=manners,
            reopen=self._reopen if again is not None else None,
        )  # fmt: skip

    def _listener(self, source: AudioSource, standings: Standings) -> Listener:
        return Listener(source, Loudness(), self.told, standings if self.joins else None)

    def _call(self, utterance: Utterance, heard: Heard, source: str) -> Call:
        return Call(heard, source, utterance.start_s, utterance.end_s)

    def _reopen(self) -> AudioSource:
        assert self.again is not None
        found = self.again.pop(0)
        if isinstance(found, Exception):
            raise found
        return found

    def run(self) -> list[str]:
        """The words of the calls that were taken or refused, in order."""
        self.live.run()
        events = [stored.event for stored in self.bench.store.events]
        return [event.words for event in events if isinstance(event, ev.CallHeard)]

    def troubles(self) -> list[str]:
        events = [stored.event for stored in self.bench.store.events]
        return [event.about for event in events if isinstance(event, ev.TroubleNoted)]


def test_calls_are_answered_until_the_session_is_wrapped_up(
    grammar: Grammar, wording: Wording
) -> None:
    live = Live(grammar, wording, "ground two", "wrap up", "deburred", steps=CALL * 3)
    assert live.run() == ["ground two", "wrap up"]
    assert len(live.world.steps) > 100, "nothing is heard after the end"
    assert live.bench.state.closed


def test_a_call_under_way_when_the_source_ends_is_heard(grammar: Grammar, wording: Wording) -> None:
    assert Live(grammar, wording, "ground two", steps=[LOUD] * 60).run() == ["ground two"]


def test_what_comes_in_while_it_speaks_is_not_heard(grammar: Grammar, wording: Wording) -> None:
    steps: list[Step] = [*CALL, "speaking", *CALL, "silent", *[LOUD] * 15, *[QUIET] * 50, *CALL]
    live = Live(grammar, wording, "ground two", "deburred", steps=steps)
    assert live.run() == ["ground two", "deburred"], "neither the reply nor its echo is a call"
    assert Mode.SPEAKING in live.world.modes


def test_a_call_that_began_over_the_reply_is_not_taken_for_what_is_left_of_it(
    grammar: Grammar, wording: Wording
) -> None:
    steps: list[Step] = ["speaking", *[QUIET] * 50, *[LOUD] * 60, "silent", *CALL, *CALL]
    live = Live(grammar, wording, "nineteen almost", "ground two", steps=steps)
    assert live.run() == ["nineteen almost", "ground two"]
    heard = [e.event for e in live.bench.store.events if isinstance(e.event, ev.CallHeard)]
    assert [call.refused for call in heard] == ["over the reply", None]
    assert live.bench.speaker.tones[-2:] == [Tone.AGAIN, Tone.HEARD]
    assert live.bench.speaker.said[-1].startswith("Ground two thou."), "no words, only a tone"
    assert len(live.bench.speaker.said) == 2


@pytest.mark.parametrize("spoken_over", [False, True])
def test_the_rest_of_a_call_may_follow_the_reply_that_asks_for_it(
    grammar: Grammar, wording: Wording, *, spoken_over: bool
) -> None:
    beginning: list[Step] = ["speaking", *[LOUD] * 60, "silent", *CALL] if spoken_over else CALL
    steps: list[Step] = [*beginning, "speaking", *[QUIET] * 60, "silent", *[QUIET] * 60, *CALL]
    live = Live(
        grammar, wording, "fifteen", "goes", *(["fifteen goes"] * (not spoken_over)), steps=steps,
        joins=True,
    )  # fmt: skip
    live.run()
    heard = [e.event for e in live.bench.store.events if isinstance(e.event, ev.CallHeard)]
    assert [(call.words, call.refused) for call in heard] == (
        [("fifteen", "over the reply"), ("goes", "unknown words")]
        if spoken_over
        else [("fifteen", "unfinished"), ("fifteen goes", None)]
    )


def test_with_a_headset_a_call_cuts_the_reply_short(grammar: Grammar, wording: Wording) -> None:
    steps: list[Step] = ["speaking", *[QUIET] * 50, *CALL]
    live = Live(grammar, wording, "ground two", steps=steps, manners=Manners(headset=True))
    assert live.run() == ["ground two"]
    assert live.bench.speaker.stops == 1
    quiet = Live(grammar, wording, steps=["speaking", *[QUIET] * 99], manners=Manners(headset=True))
    assert quiet.run() == []
    assert quiet.bench.speaker.stops == 0


def test_a_key_cuts_a_reply_short_and_the_ear_opens_after_the_echo(
    grammar: Grammar, wording: Wording
) -> None:
    steps: list[Step] = ["speaking", *[QUIET] * 50, " ", *[QUIET] * 30, *CALL]
    live = Live(grammar, wording, "ground two", steps=steps)
    assert live.run() == ["ground two"]
    assert live.bench.speaker.stops == 1


def test_a_key_ends_a_call_without_waiting_for_quiet(grammar: Grammar, wording: Wording) -> None:
    live = Live(grammar, wording, "ground two", steps=[*[LOUD] * 60, " ", LOUD, *[QUIET] * 9])
    seen: list[float] = []
    taken = live.bench.dialogue.take
    live.bench.dialogue.take = lambda call: (seen.append(call.end_s), taken(call))[1]  # type: ignore[method-assign]
    assert live.run() == ["ground two"]
    assert seen[0] <= 0.61


def test_with_key_to_talk_only_calls_after_a_key_are_heard(
    grammar: Grammar, wording: Wording
) -> None:
    late: list[Step] = [" ", *[QUIET] * 1100]
    steps: list[Step] = [*CALL, " ", *[QUIET] * 20, *CALL, *CALL, *late, *CALL]
    live = Live(grammar, wording, "ground two", steps=steps, manners=Manners(key_to_talk=True))
    assert live.run() == ["ground two"]
    assert live.world.modes[:2] == [Mode.HELD, Mode.LISTENING]


def test_a_recording_waits_until_the_reply_was_spoken(grammar: Grammar, wording: Wording) -> None:
    live = Live(
        grammar, wording, "ground two", "deburred", steps=["speaking", *CALL, *CALL],
        manners=Manners(recorded=True),
    )  # fmt: skip
    wait = live.world.clock.wait

    def waits(seconds: float) -> None:
        wait(seconds)
        live.bench.speaker.speaking = len(live.world.clock.waited) < 3

    live.world.clock.wait = waits  # type: ignore[method-assign]
    assert live.run() == ["ground two", "deburred"]
    assert len(live.world.clock.waited) == 3


def test_a_lost_microphone_is_told_and_tried_until_it_is_back(
    grammar: Grammar, wording: Wording
) -> None:
    gone = MicrophoneError("the plug is out")
    live = Live(grammar, wording, "ground two", "deburred", steps=[*CALL, *[LOUD] * 60, gone])
    live.again = [MicrophoneError("still out"), MicrophoneError("still out")]
    back = World(live.bench, [*[QUIET] * 30, *CALL])
    back.name = "other microphone"
    live.again.append(back)
    live.live._reopen = live._reopen
    assert live.run() == ["ground two", "deburred"], "half a call that was cut off is dropped"
    assert live.troubles() == ["microphone lost", "microphone back"]
    assert live.world.clock.waited == [2.0] * 3
    assert Mode.LOST in live.world.modes
    assert live.live.source is back
    assert "The microphone is back." in live.bench.speaker.said[-2]
    assert live.bench.state.ring((1, UPPER)).passes == 1


def test_calls_to_another_microphone_are_not_late_by_the_time_of_the_first(
    grammar: Grammar, wording: Wording
) -> None:
    """The bench spoke far into the first stream; the second begins anew, and nothing is said."""
    gone = MicrophoneError("the plug is out")
    spoken: list[Step] = [*[QUIET] * 900, "speaking", *[QUIET] * 50, "silent", *[QUIET] * 50]
    live = Live(grammar, wording, "ground two", "deburred", steps=[*spoken, *CALL, gone])
    back = World(live.bench, [*[QUIET] * 30, *CALL])
    live.again = [back]
    live.live._reopen = live._reopen
    assert live.run() == ["ground two", "deburred"]
    assert [turn.refused for turn in live.bench.turns if turn.call.source != "start"][-1] is None
    assert live.bench.state.ring((1, UPPER)).checks == {Check.DEBURRED}


def test_a_recording_that_cannot_be_read_ends_with_its_error(
    grammar: Grammar, wording: Wording
) -> None:
    live = Live(grammar, wording, steps=[MicrophoneError("broken file")])
    with pytest.raises(MicrophoneError, match="broken file"):
        live.run()


def test_a_call_that_lost_sound_is_asked_again_but_what_was_lost_in_a_reply_is_not(
    grammar: Grammar, wording: Wording
) -> None:
    steps: list[Step] = [
        *[LOUD] * 30, "lost", *CALL,
        "speaking", QUIET, "lost", QUIET, "silent", *[QUIET] * 60, *CALL,
    ]  # fmt: skip
    live = Live(grammar, wording, "ground three", "ground two", steps=steps)
    live.run()
    heard = [e.event for e in live.bench.store.events if isinstance(e.event, ev.CallHeard)]
    assert [(call.words, call.refused) for call in heard] == [
        ("ground three", "sound lost"), ("ground two", None),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("jump", "about"), [("asleep", ["machine slept"]), ("set back", ["clock jumped"])]
)
def test_sleep_and_a_clock_that_is_set_back_are_in_the_log(
    grammar: Grammar, wording: Wording, jump: str, about: list[str]
) -> None:
    live = Live(grammar, wording, "ground two", "deburred", steps=[*CALL, jump, *CALL])
    assert live.run() == ["ground two", "deburred"]
    assert live.troubles() == about
    assert [e.seq for e in live.bench.store.events] == list(range(len(live.bench.store.events)))


def test_that_it_hears_is_shown_while_one_speaks_and_only_then(
    grammar: Grammar, wording: Wording
) -> None:
    steps: list[Step] = [*CALL, "speaking", *[LOUD] * 30, "silent", *[QUIET] * 40, *CALL]
    live = Live(grammar, wording, "note", "the rail was burred", steps=steps)
    seen: list[tuple[float, Mode]] = []
    level = live.world.level

    def watched(level_db: float, noise_db: float, mode: Mode) -> None:
        seen.append((live.world.clock.passed_s, mode))
        level(level_db, noise_db, mode)

    live.world.level = watched  # type: ignore[method-assign]
    live.run()
    assert live.world.modes == [
        Mode.LISTENING, Mode.HEARING, Mode.NOTE, Mode.SPEAKING, Mode.NOTE, Mode.HEARING,
        Mode.LISTENING,
    ]  # fmt: skip
    begun_s = next(at_s for at_s, mode in seen if mode is Mode.HEARING)
    assert begun_s <= 0.08, "seen at once, not with the next level"


def test_standing_by_is_shown(grammar: Grammar, wording: Wording) -> None:
    live = Live(grammar, wording, "stand by", "ground two", steps=CALL * 2)
    assert live.run() == ["stand by", "ground two"]
    assert live.world.modes == [Mode.LISTENING, Mode.HEARING, Mode.STAND_BY]
    assert live.bench.state.ring((1, UPPER)).passes == 0
