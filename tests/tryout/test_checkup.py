"""What the check makes of its measurements, against sounds and figures whose state is known."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.ear.levels import SoundFigures, figures_of
from assistant.ear.utterance import SAMPLE_RATE_HZ, Samples
from assistant.errors import MicrophoneError
from assistant.tryout import checkup
from assistant.tryout.checkup import Finding, Verdict, all_work

RNG = np.random.default_rng(7)
NOW = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
GOOD = SoundFigures(
    length_s=3.0, peak=0.4, clipped=0.0, offset=0.0, floor_db=-62.0, speech_db=-28.0,
    hum_db=-80.0, hum_hz=50.0, low_db=-60.0,
)  # fmt: skip


def sound(*, noise_db: float, speech_db: float | None, seconds: float = 3.0) -> Samples:
    """Noise at a level, with a second of 'speech' (noise in syllables) in the middle."""
    count = round(seconds * SAMPLE_RATE_HZ)
    made = RNG.normal(0, 10 ** (noise_db / 20), count)
    if speech_db is not None:
        at = np.arange(SAMPLE_RATE_HZ)
        syllables = (np.sin(2 * np.pi * 4 * at / SAMPLE_RATE_HZ) > 0).astype(float)
        start = (count - SAMPLE_RATE_HZ) // 2
        loud = RNG.normal(0, 10 ** (speech_db / 20), SAMPLE_RATE_HZ) * syllables
        made[start : start + SAMPLE_RATE_HZ] += loud
    return np.clip(made, -1, 1).astype(np.float32)


def verdict_on(samples: Samples) -> tuple[Verdict, str]:
    finding = checkup.microphone("mic", figures_of(samples))
    return finding.verdict, finding.change


@pytest.mark.parametrize(
    ("noise_db", "speech_db", "verdict", "change"),
    [
        (-60.0, -25.0, Verdict.OK, ""),
        (-35.0, -25.0, Verdict.LOOK, "Too little over the noise"),
        (-70.0, -50.0, Verdict.LOOK, "Faint: come closer"),
        (-60.0, -2.0, Verdict.BROKEN, "Clipped"),
        (-60.0, None, Verdict.LOOK, "No speech was heard"),
        (-20.0, None, Verdict.LOOK, "The noise alone is loud"),
    ],
)
def test_a_microphone_is_judged_by_its_sound(
    noise_db: float, speech_db: float | None, verdict: Verdict, change: str
) -> None:
    found, told = verdict_on(sound(noise_db=noise_db, speech_db=speech_db))
    assert found is verdict
    assert change in told
    assert bool(told) is (verdict is not Verdict.OK)


def test_a_muted_microphone_is_broken() -> None:
    assert verdict_on(np.zeros(48_000, np.float32)) == (
        Verdict.BROKEN,
        "Dead silence: look at the mute switch and the system's input volume.",
    )
    assert verdict_on(np.zeros(1_000, np.float32))[0] is Verdict.BROKEN


def test_hum_is_named_with_its_mains() -> None:
    at = np.arange(48_000) / SAMPLE_RATE_HZ
    hum = (0.02 * np.sin(2 * np.pi * 60 * at)).astype(np.float32)
    verdict, change = verdict_on(hum + sound(noise_db=-60, speech_db=-20))
    assert verdict is Verdict.LOOK
    assert "Hum of 60 Hz mains" in change


@pytest.mark.parametrize(
    ("changes", "verdict", "told"),
    [
        ({"clipped": 0.01, "peak": 1.0}, Verdict.LOOK, "turn the input volume down"),
        ({"clipped": 0.05, "peak": 1.0}, Verdict.BROKEN, "Clipped (5.0% of it at full scale)"),
        ({"speech_db": -5.0}, Verdict.LOOK, "Very loud"),
        ({"speech_db": -65.0, "floor_db": -85.0}, Verdict.BROKEN, "Faint"),
        ({"floor_db": -31.0}, Verdict.BROKEN, "Too little over the noise"),
        ({"offset": -0.2}, Verdict.LOOK, "offset of -0.20"),
        ({}, Verdict.OK, ""),
    ],
)
def test_each_limit(changes: dict[str, float], verdict: Verdict, told: str) -> None:
    finding = checkup.microphone("mic", replace(GOOD, **changes))
    assert finding.verdict is verdict
    assert told in finding.change


def test_lost_sound_is_told() -> None:
    finding = checkup.microphone("mic", GOOD, lost_frames=3)
    assert (finding.verdict, "lost 3 times" in finding.change) == (Verdict.LOOK, True)


def test_the_worst_trouble_gives_the_verdict_and_stands_first() -> None:
    finding = checkup.microphone("mic", replace(GOOD, offset=0.2, clipped=0.5))
    assert finding.verdict is Verdict.BROKEN
    assert finding.change.startswith("Clipped")


@given(
    st.builds(
        SoundFigures, length_s=st.floats(0, 10), peak=st.floats(0, 1), clipped=st.floats(0, 1),
        offset=st.floats(-1, 1), floor_db=st.floats(-100, 0),
        speech_db=st.none() | st.floats(-100, 0), hum_db=st.floats(-100, 0),
        hum_hz=st.sampled_from([50.0, 60.0]), low_db=st.floats(-100, 0),
    ),
    st.integers(0, 100),
)  # fmt: skip
def test_whatever_was_measured_has_a_verdict_and_what_is_not_ok_a_change(
    figures: SoundFigures, lost: int
) -> None:
    finding = checkup.microphone("mic", figures, lost_frames=lost)
    assert (finding.verdict is Verdict.OK) is (finding.change == "")
    assert "nan" not in finding.measured


@pytest.mark.parametrize(
    ("heard", "score", "compute_s", "wall_s", "verdict"),
    [
        ("fifteen goes", 0.95, 0.5, 0.6, Verdict.OK),
        ("fifty goes", 0.95, 0.5, 0.6, Verdict.BROKEN),
        ("", 0.0, 0.5, 0.6, Verdict.BROKEN),
        ("fifteen goes", 0.6, 0.5, 0.6, Verdict.LOOK),
        ("fifteen goes", 0.95, 0.5, 9.0, Verdict.LOOK),  # other programs are at work
        ("fifteen goes", 0.95, 2.5, 2.6, Verdict.BROKEN),
    ],
)
def test_hearing(
    heard: str, score: float, compute_s: float, wall_s: float, verdict: Verdict
) -> None:
    finding = checkup.hearing(
        "own", "fifteen goes", heard, score, compute_s=compute_s, wall_s=wall_s, audio_s=2.0
    )
    assert finding.verdict is verdict


@pytest.mark.parametrize(
    ("free_mb", "fsync_s", "verdict", "told"),
    [
        (50_000, 0.004, Verdict.OK, ""),
        (500, 0.004, Verdict.LOOK, "Make room"),
        (20, 0.004, Verdict.BROKEN, "Make room"),
        (50_000, 0.3, Verdict.LOOK, "The disk is slow"),
        (50_000, 3.0, Verdict.BROKEN, "The disk is slow"),
        (500, 3.0, Verdict.BROKEN, "Make room on the disk. The disk is slow"),
        (20, 0.3, Verdict.BROKEN, "Make room on the disk. The disk is slow"),
    ],
)
def test_the_disk(free_mb: int, fsync_s: float, verdict: Verdict, told: str) -> None:
    finding = checkup.disk("here", free_bytes=free_mb * 1_000_000, fsync_s=fsync_s)
    assert finding.verdict is verdict
    assert finding.change.startswith(told)


def test_the_clock() -> None:
    day = timedelta(days=1)
    assert checkup.clock(NOW, newest=NOW - day, drift_s=0.0).verdict is Verdict.OK
    behind = checkup.clock(NOW, newest=NOW + day, drift_s=0.0)
    assert (behind.verdict, behind.change[:13]) == (Verdict.LOOK, "Set the clock")
    assert "jumped by -5.0 s" in checkup.clock(NOW, newest=NOW, drift_s=-5.0).measured


def test_versions_voice_and_what_is_left_out() -> None:
    assert checkup.versions([("a", "1"), ("b", "2")]).measured == "a 1, b 2"
    missing = checkup.versions([("a", None)])
    assert (missing.verdict, missing.change) == (
        Verdict.BROKEN, "Install again: pip install a",
    )  # fmt: skip
    assert checkup.voice("card", spoken_s=2.5).verdict is Verdict.OK
    assert checkup.voice("card", spoken_s=0.0).verdict is Verdict.BROKEN
    assert checkup.left_out("voice", "--mute").measured == "not tried (--mute)"
    broken = checkup.broken("microphone", MicrophoneError("No microphone: plug one in."))
    assert broken == Finding("microphone", Verdict.BROKEN, "No microphone: plug one in.")


def test_only_a_broken_part_fails_the_whole() -> None:
    ok, look, bad = (Finding("x", verdict, "") for verdict in Verdict)
    assert all_work([ok, look])
    assert all_work([])
    assert not all_work([ok, bad])
    assert look.record() == {"part": "x", "verdict": "look", "measured": "", "change": ""}
