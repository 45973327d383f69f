"""The measuring stick itself: levels, ratios, draws, records, verdicts, intervals."""

import json
from dataclasses import asdict, replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from assistant.ear.call_confidence import FACTS, Odds, Weights
from tests.benchmarks.bench_ear import (
    NOTHING,
    NUMBER,
    OTHER,
    RIGHT,
    grouped,
    judge,
    usual_levels,
)
from tests.benchmarks.dev_clips import DevClip
from tests.benchmarks.ear_records import Record, Uttered, conditions, read_records
from tests.benchmarks.intervals import poisson, wilson
from tests.benchmarks.noises import (
    NOISES,
    RATE_HZ,
    active_level,
    add_echo,
    add_noise,
    end_of_speech_s,
    make_noise,
)


def spoken(peak: float = 0.1) -> np.ndarray:
    """A tone of one second between two seconds of near silence."""
    tone = peak * np.sin(2 * np.pi * 500 * np.arange(RATE_HZ) / RATE_HZ)
    quiet = np.random.default_rng(1).normal(0, 1e-5, RATE_HZ)
    return np.concatenate([quiet, tone, quiet])


def test_the_active_level_leaves_out_the_pauses() -> None:
    """A sine has an rms of its peak over the square root of two, whatever quiet lies around it."""
    assert active_level(spoken()) == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("snr_db", [20.0, 5.0, 0.0])
def test_the_noise_lies_where_it_was_asked_for(noise: str, snr_db: float) -> None:
    speech = spoken()
    mixed = add_noise(speech, noise, snr_db, seed=3)
    left = mixed - speech
    ratio_db = 20 * np.log10(active_level(speech) / np.sqrt(np.mean(left**2)))
    assert ratio_db == pytest.approx(snr_db, abs=0.01)


@pytest.mark.parametrize("noise", NOISES)
def test_noise_comes_from_its_seed_alone(noise: str) -> None:
    assert np.array_equal(make_noise(noise, 8000, 5), make_noise(noise, 8000, 5))
    assert not np.array_equal(make_noise(noise, 8000, 5), make_noise(noise, 8000, 6))


def test_pink_noise_holds_equal_power_in_every_octave() -> None:
    """That is what pink means: power density as one over the frequency."""
    power = np.abs(np.fft.rfft(make_noise("pink", 1 << 18, 2))) ** 2
    hz = np.fft.rfftfreq(1 << 18, 1 / RATE_HZ)
    octaves = [power[(hz >= low) & (hz < 2 * low)].sum() for low in (100, 400, 1600, 3200)]
    assert np.max(octaves) / np.min(octaves) < 1.1


def test_the_end_of_speech_is_found_and_an_echo_comes_after_it() -> None:
    speech = spoken()
    assert end_of_speech_s(speech) == pytest.approx(2.0, abs=0.01)
    wet = add_echo(speech, 0.4, seed=1)
    tail = slice(2 * RATE_HZ, 2 * RATE_HZ + 2000)
    assert np.std(wet[tail]) > 20 * np.std(speech[tail])
    assert np.std(wet[: RATE_HZ // 2]) < 1e-4


@pytest.mark.parametrize(
    ("hits", "count", "low", "high"),
    [(0, 10, 0.0, 0.2775), (5, 10, 0.2366, 0.7634), (81, 263, 0.2553, 0.3662)],
)
def test_intervals_are_those_of_the_literature(
    hits: int, count: int, low: float, high: float
) -> None:
    """81 of 263: R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (Wilson
    without continuity correction), from memory; the others follow from the formula by hand."""
    assert wilson(hits, count) == pytest.approx((low, high), abs=1e-4)


@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.39)]
)
def test_intervals_of_counts_are_those_of_the_tables(count: int, low: float, high: float) -> None:
    """Exact 95 % limits of a Poisson mean, as printed in many tables (Pearson and Hartley,
    Biometrika Tables for Statisticians I, table 40), from memory."""
    assert poisson(count) == pytest.approx((low, high), rel=1e-3)


def test_a_larger_share_of_the_conditions_holds_the_smaller_and_the_clean_one_comes_once() -> None:
    clip = DevClip(Path("random-0007.flac"), "random", "somebody", "yes", 7)
    every = list(conditions(clip, NOISES, (None, 20.0, 5.0), (0.0, 0.3), (0.0, -12.0), (0.5, 9.0)))
    assert len(every) == len({condition for _, condition in every}) == 2 + 3 * 2 * 2
    assert all(0 <= place < 1 for place, _ in every)
    assert {(c.gain_db, c.before_s) for _, c in every} == set(product((0.0, -12.0), (0.5, 9.0)))
    plain = (5.0,), (0.3,), (0.0,), (0.5,)
    assert {place for place, _ in conditions(clip, ("pink",), *plain)} < {
        place for place, _ in every
    }
    room = replace(clip, group="room")
    assert [condition[:3] for _, condition in conditions(room, NOISES, *plain)] == [
        ("clean", None, 0.0)
    ]


CALM = dict.fromkeys(FACTS, 0.0)
SURE, UNSURE = {**CALM, "lead": 1.0, "margin": 0.05}, {**CALM, "lead": 1.0, "margin": -0.3}
WEIGHTS = Weights(Odds(0.0, {**CALM, "margin": 60.0}), Odds(5.0, CALM))


def record(
    said: str, *heard: str, facts: dict[str, float] = SURE, group: str = "random",
    level_db: float = -20.0,
) -> Record:  # fmt: skip
    uttered = [
        Uttered([(words, 1.0)], facts, 0.05, 0.5, 0.75, level_db, 0.5, 1.5, 1.8, 0.01)
        for words in heard
    ]
    return Record("own", group, f"{group}-0001", "somebody", said, "pink", 5.0, 0.0, 0.0,
                  0.5, 1.5, 2.5, 0.4, 100.0, uttered)  # fmt: skip


@pytest.mark.parametrize(
    ("given", "words", "before", "taken"),
    [
        (record("fifteen goes", "fifteen goes"), True, RIGHT, RIGHT),
        (record("fifteen goes", "fifteen goes easily"), False, RIGHT, RIGHT),
        (record("fifteen goes", "sixteen goes"), False, NUMBER, NUMBER),
        (record("fifteen goes", "what now"), False, OTHER, OTHER),
        (record("fifteen goes", "sixteen goes", facts=UNSURE), False, NUMBER, NOTHING),
        (record("fifteen goes"), False, NOTHING, NOTHING),
        (record("fifteen goes", "fifteen goes", "yes"), False, OTHER, OTHER),
        (record("top ring eight goes", "top ring", "eight goes"), True, RIGHT, RIGHT),
        (record("eight goes nine snug", "eight goes", ""), False, NOTHING, NOTHING),
        (record("eight goes nine snug", "nine snug"), False, NUMBER, NUMBER),
        (record("ground two and a half", "ground two", ""), False, NUMBER, NUMBER),
        (record("it goes better now", "fifteen goes", group="talk"), False, OTHER, OTHER),
    ],
)
def test_verdicts(given: Record, words: bool, before: str, taken: str) -> None:
    judged = judge(given, WEIGHTS)
    assert (judged.words, judged.before, judged.taken) == (words, before, taken)
    assert (judged.bench is None) == given.is_call, "no state is known for a random call"


def test_the_bench_knows_how_loud_calls_are() -> None:
    loud = replace(record("yes", "yes", level_db=-14.0), gain_db=6.0, voice="other")
    calls = [record("yes", "yes", level_db=level_db) for level_db in (-21.0, -20.0, -10.0)]
    near, far = (record("what then", "what now", group="talk", level_db=x) for x in (-20.0, -50.0))
    usual_db = usual_levels([*calls, loud, near, far])
    assert usual_db == {"somebody": -20.0, "other": -20.0, "": -20.0}
    assert [judge(entry, WEIGHTS, -20.0).bench for entry in (near, far)] == [OTHER, NOTHING]
    assert [judge(entry, WEIGHTS).bench for entry in (near, far)] == [OTHER, OTHER]
    assert judge(far, WEIGHTS, -20.0).taken == OTHER, "by its sound alone"


def test_every_command_of_talk_that_goes_on_counts() -> None:
    talk = record("what now yes", "what now", "what then", "yes", group="running")
    assert judge(talk, WEIGHTS).counts == (2, 2, 2)


def test_records_come_back_as_they_were_and_a_torn_line_is_left_out(tmp_path: Path) -> None:
    kept = [record("yes", "yes"), record("no", "yes", "no")]
    lines = [json.dumps(asdict(entry)) for entry in kept]
    (tmp_path / "records.jsonl").write_text("\n".join([*lines, lines[0][:50]]))
    assert read_records(tmp_path / "records.jsonl") == kept
    assert read_records(tmp_path / "none.jsonl") == []


def test_rows_begin_without_noise_and_go_down_with_the_level() -> None:
    levels = [("pink", 5.0), ("clean", None), ("pink", 20.0), ("white", 0.0)]
    records = [replace(record("yes"), noise=noise, snr_db=snr) for noise, snr in levels]
    rows = grouped([judge(entry, None) for entry in records], ("noise", "snr_db"))
    assert list(rows) == [("clean", "-"), ("pink", "20"), ("pink", "5"), ("white", "0")]


def test_no_trial_says_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


def test_an_unknown_noise_is_named() -> None:
    with pytest.raises(ValueError, match="'brown'"):
        make_noise("brown", 10, 1)
