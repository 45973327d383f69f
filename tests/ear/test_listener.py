"""The loop from sound to what was heard, with fakes whose state can be read."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from assistant.ear.endpointer import Patience
from assistant.ear.listener import Listener
from assistant.ear.ports import Standing
from assistant.ear.utterance import (
    FRAME_S,
    FRAME_SAMPLES,
    Evidence,
    Heard,
    Hypothesis,
    Samples,
)

QUIET, LOUD = 0.0, 0.5


class ListedSource:
    """Frames of constant samples; the sample value of frame n is taken from a list."""

    name = "a list"
    overflows = 0

    def __init__(self, values: Sequence[float]) -> None:
        self.values = list(values)
        self.waiting_s = 0.0

    def frames(self) -> Iterator[Samples]:
        for value in self.values:
            yield np.full(FRAME_SAMPLES, value, np.float32)

    def drop_waiting(self) -> float:
        dropped, self.waiting_s = self.waiting_s, 0.0
        return dropped

    def close(self) -> None:
        pass


class Loudness:
    """Speech is what is loud."""

    def speech(self, frame: Samples) -> float:
        return 0.95 if abs(frame[0]) > 0.1 else 0.02

    def reset(self) -> None:
        pass


Test = Callable[[tuple[str, ...]], bool]


@dataclass
class Rules:
    """Standings by plain tests of words; what is not sure by its sound alone is doubtful."""

    whole: Test = lambda _: False
    more: Test = lambda _: False
    half: Test = lambda _: False

    def standing(self, words: tuple[str, ...], heard: Heard | None = None) -> Standing:
        if not self.whole(words):
            return Standing.OPEN if self.more(words) else Standing.NONE
        if heard is not None and heard.score < heard.sure_from:
            return Standing.DOUBTFUL
        if not self.more(words):
            return Standing.WHOLE
        return Standing.DOUBTFUL if self.half(words) else Standing.MAY_GO_ON


class CountingRecognizer:
    """Hears one word for each utterance and keeps every sample it was fed."""

    name = "counting"

    def __init__(self) -> None:
        self.utterances: list[list[Samples]] = []
        self.ended = 0

    def begin(self) -> None:
        self.utterances.append([])

    def feed(self, samples: Samples) -> None:
        self.utterances[-1].append(samples)

    def words_so_far(self) -> tuple[str, ...]:
        return ("so", "far")

    def end(self) -> Heard:
        self.ended += 1
        return Heard((Hypothesis((f"call{self.ended}",), 1.0),), 1.0)

    def close(self) -> None:
        pass

    def sound(self, number: int) -> Samples:
        return np.concatenate(self.utterances[number])


def stream(*parts: tuple[float, int]) -> list[float]:
    return [value for value, count in parts for _ in range(count)]


def numbered(values: list[float]) -> list[float]:
    """The same loudness, but every frame its own value, so that lost frames are noticed."""
    return [value + n * 1e-5 for n, value in enumerate(values)]


TWO_CALLS = stream((QUIET, 60), (LOUD, 80), (QUIET, 100), (LOUD, 50), (QUIET, 90))


def test_two_calls_come_out_with_their_times() -> None:
    listener = Listener(ListedSource(TWO_CALLS), Loudness(), CountingRecognizer())
    calls = list(listener.calls())
    assert [heard.words for _, heard in calls] == [("call1",), ("call2",)]
    times = [(u.start_s, u.end_s, u.decided_s) for u, _ in calls]
    assert times[0] == pytest.approx((0.60, 1.40, 2.10), abs=1e-9)
    assert times[1] == pytest.approx((2.40, 2.90, 3.60), abs=1e-9)
    assert listener.stream_s == pytest.approx(3.80)


def test_the_recogniser_gets_the_pre_roll_and_no_frame_is_lost_or_doubled() -> None:
    values = numbered(TWO_CALLS)
    recognizer = CountingRecognizer()
    calls = list(Listener(ListedSource(values), Loudness(), recognizer).calls())
    # first call: 0.5 s before its start (frame 60) up to its decision (210 frames seen)
    expected = np.repeat(np.float32(values[10:210]), FRAME_SAMPLES)
    assert np.array_equal(calls[0][0].samples, expected)
    heard = recognizer.sound(0)
    assert np.array_equal(heard, expected)


class BrokenOff(CountingRecognizer):
    """Hears what it was told to, in order."""

    def __init__(self, *heard: tuple[str, float]) -> None:
        super().__init__()
        self._heard = list(heard)

    def end(self) -> Heard:
        text, score = self._heard.pop(0)
        return Heard((Hypothesis(tuple(text.split()), score),), score)


@pytest.mark.parametrize(
    ("heard", "calls"),
    [
        ((("fifteen", 1.0), ("goes", 0.1), ("fifteen goes", 1.0)), ["fifteen", "fifteen goes"]),
        ((("fifteen", 1.0), ("six snug", 1.0), ("fifteen", 0.9)), ["fifteen", "six snug"]),
        ((("fifteen", 1.0), ("six snug", 1.0), ("fifteen goes", 0.4)), ["fifteen", "six snug"]),
        ((("fifteen goes", 1.0), ("six snug", 1.0)), ["fifteen goes", "six snug"]),
    ],
)
def test_what_follows_a_sentence_that_was_broken_off_is_heard_together_with_it(
    heard: tuple[tuple[str, float], ...], calls: list[str]
) -> None:
    recognizer = BrokenOff(*heard)
    listener = Listener(
        ListedSource(TWO_CALLS), Loudness(), recognizer,
        Rules(
            whole=lambda words: words in (("fifteen", "goes"), ("six", "snug")),
            more=lambda words: words in (("fifteen",), ("six",), ("fifteen", "goes")),
        ),
    )  # fmt: skip
    found = list(listener.calls())
    assert [" ".join(what.words) for _, what in found] == calls
    joined = calls[1] == "fifteen goes" and calls[0] == "fifteen"
    assert found[1][0].start_s == (found[0][0].start_s if joined else pytest.approx(2.4, abs=0.05))
    if joined:  # the sound of both, with a little quiet between
        alone = recognizer.sound(0), recognizer.sound(1)
        assert len(recognizer.sound(2)) > len(alone[0]) + len(alone[1]) - 2 * FRAME_SAMPLES


def test_a_file_that_stops_short_has_its_tail_flushed() -> None:
    values = numbered(stream((QUIET, 40), (LOUD, 60)))
    recognizer = CountingRecognizer()
    listener = Listener(ListedSource(values), Loudness(), recognizer)
    ((utterance, _),) = list(listener.calls())
    assert (utterance.start_s, utterance.end_s) == pytest.approx((0.4, 1.0))
    heard = recognizer.sound(0)
    spoken = np.repeat(np.float32(values[0:100]), FRAME_SAMPLES)
    assert np.array_equal(heard[: len(spoken)], spoken)
    assert np.all(heard[len(spoken) :] == 0.0)
    assert len(heard) > len(spoken)


@pytest.mark.parametrize("frames", [60, 61, 100])
def test_every_frame_of_the_stream_is_counted(frames: int) -> None:
    listener = Listener(ListedSource([LOUD] * frames), Loudness(), CountingRecognizer())
    ((utterance, _),) = list(listener.calls())
    assert utterance.end_s == pytest.approx(frames * FRAME_S)
    assert listener.stream_s == pytest.approx(frames * FRAME_S)


def test_noise_alone_yields_nothing_and_time_goes_on() -> None:
    recognizer = CountingRecognizer()
    listener = Listener(ListedSource([0.01] * 500), Loudness(), recognizer)
    assert list(listener.calls()) == []
    assert recognizer.utterances == []
    assert listener.stream_s == pytest.approx(5.0)


def test_a_click_yields_nothing() -> None:
    values = stream((QUIET, 50), (LOUD, 7), (QUIET, 100))
    recognizer = CountingRecognizer()
    assert list(Listener(ListedSource(values), Loudness(), recognizer).calls()) == []
    assert recognizer.ended == 0


def test_a_complete_sentence_is_answered_sooner() -> None:
    asked: list[tuple[str, ...]] = []

    def whole(words: tuple[str, ...]) -> bool:
        asked.append(words)
        return True

    listener = Listener(
        ListedSource(TWO_CALLS), Loudness(), CountingRecognizer(), Rules(whole=whole)
    )
    waits = [u.decided_s - u.end_s for u, _ in listener.calls()]
    assert waits == pytest.approx([0.25, 0.25])
    # from 0.10 s of quiet on, and of what was heard in the end
    assert asked == [*[("so", "far")] * 16, ("call1",), *[("so", "far")] * 16, ("call2",)]


@pytest.mark.parametrize(
    ("complete", "goes_on", "wait_s"),
    [(False, False, 0.70), (False, True, 0.70), (True, True, 0.38), (True, False, 0.25)],
)
def test_a_sentence_that_may_go_on_is_waited_for(
    complete: bool, goes_on: bool, wait_s: float
) -> None:
    listener = Listener(
        ListedSource(TWO_CALLS), Loudness(), CountingRecognizer(),
        Rules(whole=lambda _: complete, more=lambda _: goes_on),
    )  # fmt: skip
    waits = [u.decided_s - u.end_s for u, _ in listener.calls()]
    assert waits == pytest.approx([wait_s, wait_s])


class Ahead(CountingRecognizer):
    """Hears what its sound holds: a word for every stretch of loud frames; unsure of some."""

    def __init__(self, *, unsure: str = "") -> None:
        super().__init__()
        self._unsure = unsure

    def end(self) -> Heard:
        self.ended += 1
        loud = np.abs(np.concatenate(self.utterances[-1])[::FRAME_SAMPLES]) > 0.1
        count = int(np.sum(loud[1:] & ~loud[:-1])) + int(loud[0])
        words = " ".join(["one", "two", "three"][:count])
        return Heard(
            (Hypothesis(tuple(words.split()), 1.0),), 0.1 if words == self._unsure else 1.0
        )

    def words_so_far(self) -> tuple[str, ...]:
        raise AssertionError("it lags behind, so it is not to be asked")


def ahead(values: list[float], recognizer: Ahead) -> list[tuple[str, float]]:
    """Words of the calls, and the quiet that each was waited for."""
    counts = Rules(whole=lambda words: len(words) > 0, more=lambda words: len(words) < 3)
    listener = Listener(ListedSource(values), Loudness(), recognizer, counts, ahead=True)
    return [
        (" ".join(heard.words), round(u.decided_s - u.end_s, 2)) for u, heard in listener.calls()
    ]


def test_the_answer_is_made_in_the_pause_and_anew_if_speech_goes_on() -> None:
    values = stream((QUIET, 40), (LOUD, 40), (QUIET, 15), (LOUD, 40), (QUIET, 90))
    recognizer = Ahead()
    assert ahead(values, recognizer) == [("one two", 0.38)]
    assert recognizer.ended == 2
    assert len(recognizer.utterances) == 2
    whole = recognizer.sound(1)
    assert np.array_equal(whole[: len(recognizer.sound(0))], recognizer.sound(0))
    assert len(whole) == (40 + 40 + 15 + 40 + 10) * FRAME_SAMPLES


def test_an_answer_that_is_not_sure_waits_longer_and_is_made_of_all_the_sound() -> None:
    values = stream((QUIET, 40), (LOUD, 40), (QUIET, 90))
    recognizer = Ahead(unsure="one")
    assert ahead(values, recognizer) == [("one", 0.50)]
    assert recognizer.ended == 4  # looked at three times
    assert len(recognizer.sound(3)) > len(recognizer.sound(0)) + 25 * FRAME_SAMPLES


def test_talk_that_goes_on_and_on_is_not_looked_at_in_every_pause() -> None:
    words = [(LOUD, 60), (QUIET, 12)]
    recognizer = Ahead()
    ahead(stream((QUIET, 40), *words * 14, (QUIET, 90)), recognizer)
    # 9 s of talk, and at most 12 s of it a second time before the last look
    assert decoded_s(recognizer) < 9 + 12 + 9
    assert 4 < recognizer.ended < 9


def test_a_last_word_that_fades_out_slowly_is_heard_a_little_later() -> None:
    """The pause seems to begin 0.20 s before the last word has ended."""

    class Faint(Loudness):
        def speech(self, frame: Samples) -> float:
            faint = 0.2 < abs(frame[0]) < 0.4
            return 0.1 if faint else super().speech(frame)

    values = stream((QUIET, 40), (LOUD, 40), (0.0, 12), (0.3, 8), (QUIET, 90))
    recognizer = Ahead()
    listener = Listener(
        ListedSource(values), Faint(), recognizer,
        Rules(whole=lambda words: len(words) == 2, more=lambda words: len(words) < 2), ahead=True,
    )  # fmt: skip
    ((utterance, heard),) = listener.calls()
    assert heard.words == ("one", "two")
    assert utterance.decided_s - utterance.end_s == pytest.approx(0.25)


def test_a_soft_word_after_the_answer_was_made_ahead_is_heard() -> None:
    """It is never clear, so that the pause goes on through it."""

    class Soft(Loudness):
        def speech(self, frame: Samples) -> float:
            soft = 0.2 < abs(frame[0]) < 0.4
            return 0.6 if soft else super().speech(frame)

    values = stream((QUIET, 40), (LOUD, 60), (0.0, 12), (0.3, 20), (QUIET, 90))
    listener = Listener(
        ListedSource(values), Soft(), Ahead(),
        Rules(whole=lambda words: len(words) > 0, more=lambda words: len(words) < 3), ahead=True,
    )  # fmt: skip
    ((utterance, heard),) = listener.calls()
    assert heard.words == ("one", "two")
    assert utterance.end_s == pytest.approx(1.32)


@pytest.mark.parametrize(("half", "wait_s"), [(True, 0.50), (False, 0.38)])
def test_what_is_likely_a_part_is_waited_for_longer(half: bool, wait_s: float) -> None:
    listener = Listener(
        ListedSource(TWO_CALLS), Loudness(), Ahead(),
        Rules(whole=lambda _: True, more=lambda _: True, half=lambda _: half), ahead=True,
    )  # fmt: skip
    waits = [u.decided_s - u.end_s for u, _ in listener.calls()]
    assert waits == pytest.approx([wait_s, wait_s])


def test_what_was_made_ahead_takes_no_time_after_the_end_but_what_the_pause_was_too_short_for() -> (
    None
):
    class Slow(Ahead):
        def end(self) -> Heard:
            return replace(super().end(), compute_s=0.5, final_s=0.18)

    listener = Listener(
        ListedSource(TWO_CALLS), Loudness(), Slow(), Rules(whole=lambda _: True),
        ahead=True,
    )  # fmt: skip
    assert [round(heard.final_s, 3) for _, heard in listener.calls()] == [0.03, 0.03]


def test_a_file_that_stops_in_a_pause_is_heard_whole() -> None:
    recognizer = Ahead()
    assert ahead(stream((QUIET, 40), (LOUD, 40), (QUIET, 12)), recognizer) == [("one", 0.12)]
    assert recognizer.ended == 2


def test_two_calls_close_together_share_no_speech() -> None:
    values = numbered(stream((QUIET, 40), (LOUD, 40), (QUIET, 12), (LOUD, 40), (QUIET, 40)))
    recognizer = CountingRecognizer()
    patience = Patience(hang_s=0.1, long_hang_s=0.1, middle_hang_s=0.1, short_hang_s=0.1)
    calls = list(Listener(ListedSource(values), Loudness(), recognizer, patience=patience).calls())
    assert [(round(u.start_s, 2), round(u.end_s, 2)) for u, _ in calls] == [
        (0.4, 0.8),
        (0.92, 1.32),
    ]
    assert np.all(np.abs(recognizer.sound(1)[: 12 * FRAME_SAMPLES]) < 0.1)


def test_what_gathered_while_nobody_listened_is_dropped_but_counted() -> None:
    source = ListedSource(TWO_CALLS)
    listener = Listener(source, Loudness(), CountingRecognizer())
    calls = listener.calls()
    first, _ = next(calls)
    source.waiting_s = 1.5
    assert listener.skip_waiting() == pytest.approx(1.5)
    second, _ = next(calls)
    assert second.start_s == pytest.approx(2.40 + 1.5)
    assert first.start_s == pytest.approx(0.60)


def test_deaf_lets_speech_pass_and_hears_again_afterwards() -> None:
    recognizer = CountingRecognizer()
    source = ListedSource(TWO_CALLS)
    listener = Listener(source, Loudness(), recognizer)
    taken = [
        listener.take(frame, deaf=99 <= n < 199)  # from the middle of the first call on
        for n, frame in enumerate(source.frames())
    ]
    ((utterance, _),) = [call for call in taken if call is not None]
    assert utterance.start_s == pytest.approx(2.40)
    assert recognizer.ended == 1
    assert listener.stream_s == pytest.approx(3.80)


def test_the_level_meter_shows_full_scale_as_zero_decibels() -> None:
    """A constant of 0.5 is -6.02 dB of full scale (20 log10 0.5)."""
    listener = Listener(ListedSource([0.5] * 200), Loudness(), CountingRecognizer())
    list(listener.calls())
    assert listener.level_db == pytest.approx(-6.02, abs=0.05)


@pytest.mark.parametrize(("frames", "score"), [(119, 1.0), (121, 0.0)])
def test_a_word_dragged_beyond_all_speech_leaves_no_score(frames: int, score: float) -> None:
    values = stream((QUIET, 60), (LOUD, frames), (QUIET, 100))
    ((_, heard),) = Listener(ListedSource(values), Loudness(), CountingRecognizer()).calls()
    assert heard.score == score


# --- talk that is not for the bench -------------------------------------------------------------


class Margins(Ahead):
    """Hears three words, and says how well the grammar explains the sound."""

    def __init__(self, margin: float) -> None:
        super().__init__()
        self._margin = margin

    def end(self) -> Heard:
        words = Hypothesis(("one", "two", "three"), 1.0)
        return replace(super().end(), hypotheses=(words,), evidence=Evidence(self._margin))


def decoded_s(recognizer: CountingRecognizer) -> float:
    """Seconds of sound that the recogniser was given, heard again or not."""
    return sum(len(part) for line in recognizer.utterances for part in line) / (
        FRAME_SAMPLES / FRAME_S
    )


def test_whoever_speaks_longer_than_any_call_is_decoded_no_further() -> None:
    recognizer = CountingRecognizer()
    values = stream((QUIET, 60), (LOUD, 1400), (QUIET, 30), (LOUD, 100), (QUIET, 90))
    talk, call = Listener(ListedSource(values), Loudness(), recognizer).calls()
    assert talk[0].end_s == pytest.approx(14.6)
    assert talk[1].score == 0.0
    assert talk[0].decided_s == pytest.approx(14.85)  # the next breath ends it
    assert call[0].start_s == pytest.approx(14.9)
    assert call[1].score == 1.0
    assert decoded_s(recognizer) == pytest.approx(9.5 + 1.25 + 0.7, abs=0.1)


@pytest.mark.parametrize(
    ("margin", "length", "waited_s", "score"),
    [(-0.26, 150, 0.25, 0.0), (-0.24, 150, 0.7, 1.0), (-0.26, 140, 0.7, 1.0)],
)
def test_what_is_surely_foreign_ends_at_the_next_breath(
    margin: float, length: int, waited_s: float, score: float
) -> None:
    recognizer = Margins(margin)
    values = stream((QUIET, 60), (LOUD, length), (QUIET, 90))
    listener = Listener(ListedSource(values), Loudness(), recognizer, ahead=True)
    ((utterance, heard),) = listener.calls()
    assert utterance.decided_s - utterance.end_s == pytest.approx(waited_s)
    assert heard.score == score


def test_what_is_surely_foreign_is_not_decoded_again_in_every_pause() -> None:
    recognizer = Margins(-0.5)
    pauses = [part for _ in range(6) for part in ((LOUD, 160), (QUIET, 15))]
    values = stream((QUIET, 60), *pauses, (QUIET, 90))
    calls = list(Listener(ListedSource(values), Loudness(), recognizer, ahead=True).calls())
    assert [heard.score for _, heard in calls] == [0.0]
    assert recognizer.ended == 1
    assert decoded_s(recognizer) < 2.5  # of 10 s


def test_the_rest_of_a_long_sentence_is_not_joined_to_it() -> None:
    recognizer = BrokenOff(("fifteen", 1.0), ("goes", 0.1))
    values = stream((QUIET, 60), (LOUD, 500), (QUIET, 90), (LOUD, 450), (QUIET, 90))
    calls = Listener(
        ListedSource(values), Loudness(), recognizer, Rules(more=lambda words: True)
    ).calls()
    assert [heard.words for _, heard in calls] == [("fifteen",), ("goes",)]
