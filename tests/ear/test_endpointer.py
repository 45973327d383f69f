"""The endpointer against a plain reference written from its rule, and against hand-made times."""

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.ear.endpointer import Decision, Endpointer, Patience, Turn
from assistant.ear.ports import Standing
from assistant.ear.utterance import FRAME_S
from assistant.errors import SettingsError
from tests.examples import MANY

QUICK = Patience(
    start=0.6,
    stay=0.35,
    clear=0.8,
    onset_s=0.03,
    least_s=0.05,
    hang_s=0.08,
    long_hang_s=0.07,
    middle_hang_s=0.06,
    short_hang_s=0.04,
    look_s=0.02,
    longest_s=0.4,
    pre_roll_s=0.0,
)


def decisions(
    probabilities: Sequence[float], patience: Patience, *, standing: Standing = Standing.OPEN
) -> list[Decision]:
    """All decisions on a whole stream, the last one by ``finish``."""
    endpointer = Endpointer(patience)
    found = [endpointer.step(p, lambda: standing) for p in probabilities]
    found.append(endpointer.finish())
    return [decision for decision in found if decision is not None]


def reference(
    probabilities: Sequence[float], patience: Patience, *, standing: Standing
) -> list[tuple[str, int, int, int]]:
    """The rule of endpointer.py read literally: whole lists, scanned again for every stretch."""

    def frames(seconds: float) -> int:
        return round(seconds / FRAME_S)

    total = len(probabilities)
    awake = [p >= patience.stay for p in probabilities]
    loud = [p >= patience.start for p in probabilities]
    clear = [p >= patience.clear for p in probabilities]
    hang = frames(
        {
            "none": patience.hang_s,
            "open": patience.hang_s,
            "doubtful": patience.long_hang_s,
            "may go on": patience.long_hang_s,
            "whole": patience.short_hang_s,
        }[standing.value]
    )
    found = []
    position = 0
    while position < total:
        # the first run at or after position that holds enough loud frames
        first = onset = None
        run_start = None
        for n in range(position, total):
            if not awake[n]:
                run_start = None
                continue
            run_start = n if run_start is None else run_start
            if sum(loud[run_start : n + 1]) >= frames(patience.onset_s):
                first, onset = run_start, n
                break
        if first is None or onset is None:
            break
        found.append(("started", first, onset, onset + 1))
        turn, seen = "ended", total
        for n in range(onset + 1, total):
            heard = [k for k in range(first, n + 1) if awake[k]]
            surely = [k for k in heard if clear[k]]
            mostly = 2 * len(surely) >= heard[-1] + 1 - first
            since = max([onset, *surely]) if mostly else heard[-1]
            goes_on = standing is Standing.MAY_GO_ON
            if n - since >= hang or (goes_on and n - heard[-1] >= frames(patience.middle_hang_s)):
                seen = n + 1
                break
            if n + 1 - first >= frames(patience.longest_s):
                turn, seen = "cut", n + 1
                break
        too_long = turn == "cut"
        last = [k for k in range(first, seen) if awake[k]][-1]
        if sum(loud[first:seen]) < frames(patience.least_s):
            turn = "dropped"
        found.append((turn, first, last, seen))
        position = seen
        if not too_long and awake[seen - 1]:
            while position < total and awake[position] and not clear[position]:
                position += 1
    return found


probability = st.one_of(st.sampled_from([0.0, 0.35, 0.6, 0.8, 1.0]), st.floats(0, 1))
stretch = st.lists(st.tuples(probability, st.integers(1, 15)), max_size=14).map(
    lambda parts: [p for p, count in parts for _ in range(count)]
)


@MANY
@given(probabilities=stretch, standing=st.sampled_from(Standing))
def test_every_decision_is_that_of_the_plain_reference(
    probabilities: list[float], standing: Standing
) -> None:
    found = [
        (d.turn.value, d.first, d.last, d.decided)
        for d in decisions(probabilities, QUICK, standing=standing)
    ]
    assert found == reference(probabilities, QUICK, standing=standing)


@given(probabilities=stretch)
def test_stretches_are_in_order_and_never_overlap(probabilities: list[float]) -> None:
    ends = [d for d in decisions(probabilities, QUICK) if d.turn is not Turn.STARTED]
    assert all(a.last < b.first for a, b in pairwise(ends))
    assert all(0 <= d.first <= d.last < d.decided <= len(probabilities) for d in ends)
    assert all(0.0 <= d.speech_share <= 1.0 for d in ends)


# Times written by hand: speech from 0.50 to 1.50 s, tolerance one frame; the hang decides the rest.
SPOKEN = [0.05] * 50 + [0.95] * 100 + [0.05] * 100


@pytest.mark.parametrize(
    ("standing", "decided_s"),
    [
        (Standing.NONE, 2.20),
        (Standing.OPEN, 2.20),
        (Standing.DOUBTFUL, 2.00),
        (Standing.MAY_GO_ON, 1.88),
        (Standing.WHOLE, 1.75),
    ],
)
def test_the_surer_a_sentence_has_ended_the_shorter_the_quiet(
    standing: Standing, decided_s: float
) -> None:
    end = decisions(SPOKEN, Patience(), standing=standing)[-1]
    assert end.turn is Turn.ENDED
    assert end.first * FRAME_S == pytest.approx(0.50, abs=0.01)
    assert (end.last + 1) * FRAME_S == pytest.approx(1.50, abs=0.01)
    assert end.decided * FRAME_S == pytest.approx(decided_s, abs=0.01)


def test_in_noise_that_keeps_the_probability_up_the_end_is_that_of_the_clear_frames() -> None:
    lingering = [0.05] * 50 + [0.95] * 100 + [0.55] * 100 + [0.05] * 20 + [0.95] * 30
    started, end, *rest = decisions(lingering, Patience(), standing=Standing.WHOLE)
    assert (end.turn, end.decided) == (Turn.ENDED, 175)
    assert [(d.turn, d.first) for d in rest] == [(Turn.STARTED, 270), (Turn.ENDED, 270)]
    weak = [0.05] * 50 + [0.65] * 100 + [0.05] * 100  # never clear: quiet counts as it always did
    assert [d.decided for d in decisions(weak, Patience(), standing=Standing.WHOLE)] == [54, 175]
    assert started.first == 50


def test_the_words_are_asked_for_only_in_a_pause() -> None:
    endpointer = Endpointer(Patience())
    asked = []

    def standing() -> Standing:
        asked.append(endpointer.frames_seen)
        return Standing.OPEN

    for p in SPOKEN:
        endpointer.step(p, standing)
    assert asked[0] == 160
    assert len(asked) == 60  # frames 159..218; frame 219 is the 70th quiet one and ends it anyway
    assert endpointer.pause == 0, "no speech is under way"


def test_a_pause_inside_a_sentence_does_not_split_it() -> None:
    pause = [0.9] * 60 + [0.1] * 60 + [0.9] * 60 + [0.1] * 80
    ends = [d for d in decisions(pause, Patience()) if d.turn is Turn.ENDED]
    assert [(d.first, d.last) for d in ends] == [(0, 179)]
    assert ends[0].speech_share == pytest.approx((120 * 0.9 + 60 * 0.1) / 180)


@pytest.mark.parametrize(
    ("loud_frames", "turns"),
    [
        (3, []),
        (4, [Turn.STARTED, Turn.DROPPED]),
        (7, [Turn.STARTED, Turn.DROPPED]),
        (8, [Turn.STARTED, Turn.ENDED]),
    ],
)
def test_a_click_is_dropped_and_a_short_word_is_kept(loud_frames: int, turns: list[Turn]) -> None:
    stream = [0.0] * 20 + [0.9] * loud_frames + [0.0] * 100
    assert [d.turn for d in decisions(stream, Patience())] == turns


def test_speech_without_end_is_cut_at_the_longest_length() -> None:
    found = decisions([1.0] * 3200, Patience())
    assert [(d.turn, d.first, d.decided) for d in found] == [
        (Turn.STARTED, 0, 4),
        (Turn.CUT, 0, 1500),
        (Turn.STARTED, 1500, 1504),
        (Turn.CUT, 1500, 3000),
        (Turn.STARTED, 3000, 3004),
        (Turn.ENDED, 3000, 3200),
    ]


@pytest.mark.parametrize("frames", [10, 11, 99, 100, 101])
def test_the_tail_is_flushed_at_exact_frame_counts(frames: int) -> None:
    end = decisions([1.0] * frames, Patience())[-1]
    assert (end.turn, end.first, end.last, end.decided) == (Turn.ENDED, 0, frames - 1, frames)


def test_skipped_sound_counts_as_time_and_drops_the_speech_under_way() -> None:
    endpointer = Endpointer(Patience())
    for _ in range(30):
        endpointer.step(1.0)
    assert endpointer.in_speech
    endpointer.forget(skipped=70)
    assert not endpointer.in_speech
    found = [endpointer.step(p) for p in [1.0] * 20]
    starts = [d for d in found if d is not None]
    assert [(d.turn, d.first) for d in starts] == [(Turn.STARTED, 100)]


@pytest.mark.parametrize(
    ("wrong", "value"),
    [
        ({"stay": 0.7}, "0.7"),
        ({"start": 1.2}, "1.2"),
        ({"clear": 0.15}, "0.15"),
        ({"short_hang_s": 0.8}, "0.8"),
        ({"middle_hang_s": 0.14}, "0.14"),
        ({"middle_hang_s": 0.75}, "0.75"),
        ({"long_hang_s": 0.19}, "0.19"),
        ({"short_hang_s": 0.0}, "0.0"),
        ({"look_s": 0.0}, "0.0"),
        ({"onset_s": 0.0}, "0.0"),
        ({"least_s": -0.1}, "-0.1"),
        ({"pre_roll_s": -1.0}, "-1.0"),
    ],
)
def test_settings_out_of_range_are_refused_with_the_value(
    wrong: dict[str, float], value: str
) -> None:
    with pytest.raises(SettingsError, match=value):
        Patience(**wrong)
