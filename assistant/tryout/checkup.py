"""Before work: what the check of a machine found, judged. Pure; the measuring is done elsewhere.

Each judgement gives a ``Finding``: ok, look (works, could be better) or broken (calls or records
would be lost), what was measured, and what to change.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from enum import StrEnum
from math import log10
from typing import Any

from assistant.ear.levels import NOISY_DB, SoundFigures

# Limits. Levels in dB of full scale (RMS). No norm exists for this bench; where they come from
# stands beside each.
DEAD_PEAK = 1e-4  # 80 dB down: less than half a step of a poor 14-bit converter
CLIPPED_LOOK = 1e-3  # as for sound files: fewer is one loud knock
CLIPPED_BROKEN = 0.02  # a voice whose every syllable is cut
QUIET_DB, FAINT_DB = -45.0, -60.0  # of speech: levels at which 16 bits leave 45 and 30 dB of room
LOUD_DB = -9.0  # of speech: peaks of a voice lie 12 dB and more over its level
NOISE_LOOK_DB, NOISE_BROKEN_DB = 15.0, 5.0  # speech over noise; at 5 dB every ninth call is lost
OFFSET = 0.05
HUM_DB, HUM_OVER_REST_DB = -55.0, -2.0  # hum counts if it is loud and most of the low sound
SURE = 0.8  # the shipped clip is heard with 0.9 and more on a sound installation
SLOW_SHARE, TOO_SLOW_SHARE = 0.6, 1.0  # computing per second of sound
DISK_LOOK_MB, DISK_BROKEN_MB = 1_000, 50  # a day of kept calls takes about 100 MB
FSYNC_LOOK_S, FSYNC_BROKEN_S = 0.1, 1.0  # each call waits for it before it is confirmed


class Verdict(StrEnum):
    """How well a part works."""

    OK = "ok"
    LOOK = "look"
    BROKEN = "broken"


@dataclass(frozen=True, slots=True)
class Finding:
    """One part: what was measured, and what to change (empty if nothing)."""

    part: str
    verdict: Verdict
    measured: str
    change: str = ""

    def record(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def all_work(findings: Sequence[Finding]) -> bool:
    """Whether nothing is broken."""
    return all(finding.verdict is not Verdict.BROKEN for finding in findings)


def broken(part: str, error: Exception) -> Finding:
    """A part that raised one of our errors; its text says what to do, too."""
    return Finding(part, Verdict.BROKEN, str(error))


def microphone(name: str, figures: SoundFigures, *, lost_frames: int = 0) -> Finding:
    """The microphone, from a few seconds in which somebody spoke."""
    told = [f"{name}: {figures.length_s:.1f} s, noise {figures.floor_db:.0f} dB"]
    over_db = figures.over_noise_db
    if over_db is not None:
        told.append(f"speech {figures.speech_db:.0f} dB, {over_db:.0f} dB over the noise")
    peak_db = 20 * log10(max(figures.peak, 1e-5))
    told.append(f"loudest {peak_db:.0f} dB")
    wrong = list(_sound_troubles(figures, lost_frames))
    worst = Verdict.OK
    for verdict, _ in wrong:
        if verdict is Verdict.BROKEN or worst is Verdict.OK:
            worst = verdict
    wrong.sort(key=lambda found: found[0] is not Verdict.BROKEN)
    return Finding("microphone", worst, ", ".join(told), " ".join(text for _, text in wrong))


def _sound_troubles(figures: SoundFigures, lost_frames: int) -> list[tuple[Verdict, str]]:
    """(verdict, what to change) of everything that is wrong with a sound."""
    if figures.length_s < 1.0:
        return [(Verdict.BROKEN, "Hardly any sound came in: look at plug and switch.")]
    if figures.peak < DEAD_PEAK:
        return [(Verdict.BROKEN, "Dead silence: look at the mute switch and the system's input "
                 "volume.")]  # fmt: skip
    found = []

    def say(broken: bool, text: str) -> None:
        found.append((Verdict.BROKEN if broken else Verdict.LOOK, text))

    if figures.clipped > CLIPPED_LOOK:
        say(
            figures.clipped > CLIPPED_BROKEN,
            f"Clipped ({figures.clipped:.1%} of it at full scale): turn the input volume down.",
        )
    over_db, speech_db = figures.over_noise_db, figures.speech_db
    if over_db is None or speech_db is None:
        say(False, "No speech was heard: speak a call while it measures.")
        if figures.floor_db > NOISY_DB:
            say(False, "The noise alone is loud: turn machines off, or use a headset.")
    else:
        if over_db < NOISE_LOOK_DB:
            say(over_db < NOISE_BROKEN_DB, "Too little over the noise: come closer, use a headset "
                "or turn machines off.")  # fmt: skip
        if speech_db < QUIET_DB:
            say(speech_db < FAINT_DB, "Faint: come closer, or turn the input volume up.")
        elif speech_db > LOUD_DB and figures.clipped <= CLIPPED_LOOK:
            say(False, "Very loud: turn the input volume down a little.")
    if figures.hum_db > HUM_DB and figures.hum_db - figures.low_db > HUM_OVER_REST_DB:
        say(False, f"Hum of {figures.hum_hz:.0f} Hz mains ({figures.hum_db:.0f} dB): use another "
            "socket or cable, or run the laptop from its battery.")  # fmt: skip
    if abs(figures.offset) > OFFSET:
        say(False, f"A constant offset of {figures.offset:+.2f}: another sound input is better.")
    if lost_frames:
        say(False, f"Sound was lost {lost_frames} times: close other programs.")
    return found


def hearing(
    ear: str,
    asked: str,
    heard: str,
    score: float,
    *,
    compute_s: float,
    wall_s: float,
    audio_s: float,
) -> Finding:
    """Recogniser and model, from a clip of audio_s whose words are known.

    compute_s: of the processor; wall_s: until it was done, other programs included.
    """
    share = wall_s / audio_s if audio_s else 0.0
    measured = f"{ear}: {heard or 'nothing'!r} ({score:.2f}), {share:.2f} of real time"
    if heard != asked:
        return Finding(
            "hearing", Verdict.BROKEN, measured,
            f"The shipped clip says {asked!r}: install Leafcall again, or choose another --ear.",
        )  # fmt: skip
    if compute_s > TOO_SLOW_SHARE * audio_s:
        return Finding(
            "hearing", Verdict.BROKEN, measured, "Slower than speech: use a faster machine."
        )  # fmt: skip
    if share > SLOW_SHARE:
        return Finding("hearing", Verdict.LOOK, measured, "Slow: close other programs.")
    if score < SURE:
        return Finding("hearing", Verdict.LOOK, measured,
                       "Heard, but not surely: install Leafcall again if it stays so.")  # fmt: skip
    return Finding("hearing", Verdict.OK, measured)


def voice(device: str, *, spoken_s: float) -> Finding:
    """Loudspeaker and voice. spoken_s: seconds of sound that were played."""
    if spoken_s < 0.5:
        return Finding(
            "voice", Verdict.BROKEN, f"{device}: {spoken_s:.1f} s of sound",
            "The voice makes no sound: install espeakng-loader and pyttsx3 again.",
        )  # fmt: skip
    return Finding("voice", Verdict.OK, f"{device}: {spoken_s:.1f} s were played. Did you hear it?")


def disk(folder: str, *, free_bytes: int, fsync_s: float) -> Finding:
    """Where the log goes. fsync_s: seconds that a small line took to be on disk."""
    free_mb = free_bytes / 1e6
    measured = f"{folder}: {free_mb:,.0f} MB free, a line is safe in {fsync_s * 1000:.1f} ms"
    change = ""
    verdict = Verdict.OK
    if free_mb < DISK_LOOK_MB:
        change = "Make room on the disk."
        verdict = Verdict.BROKEN if free_mb < DISK_BROKEN_MB else Verdict.LOOK
    if fsync_s > FSYNC_LOOK_S:
        change = f"{change} The disk is slow: use one inside the machine.".strip()
        slow = Verdict.BROKEN if fsync_s > FSYNC_BROKEN_S else Verdict.LOOK
        verdict = Verdict.BROKEN if Verdict.BROKEN in (verdict, slow) else Verdict.LOOK
    return Finding("disk", verdict, measured, change)


def clock(now: datetime, *, newest: datetime, drift_s: float) -> Finding:
    """The clock. newest: of the files that were here before; drift_s: wall less steady clock."""
    measured = f"{now.astimezone():%Y-%m-%d %H:%M:%S %Z}"
    behind_s = (newest - now).total_seconds()
    if behind_s > 60:
        return Finding(
            "clock", Verdict.LOOK, f"{measured}, but a file here is from {newest:%Y-%m-%d %H:%M}",
            "Set the clock: logs and sheets bear its date.",
        )  # fmt: skip
    if abs(drift_s) > 1.0:
        return Finding("clock", Verdict.LOOK, f"{measured}, it jumped by {drift_s:+.1f} s",
                       "Wait until the clock has been set by the network.")  # fmt: skip
    return Finding("clock", Verdict.OK, measured)


def versions(found: Sequence[tuple[str, str | None]]) -> Finding:
    """Parts and their versions; None for one that is missing."""
    missing = [name for name, version in found if version is None]
    measured = ", ".join(f"{name} {version or 'missing'}" for name, version in found)
    if missing:
        return Finding("versions", Verdict.BROKEN, measured,
                       f"Install again: pip install {' '.join(missing)}")  # fmt: skip
    return Finding("versions", Verdict.OK, measured)


def left_out(part: str, option: str) -> Finding:
    """A part that was not tried because ``option`` said so."""
    return Finding(part, Verdict.OK, f"not tried ({option})")
