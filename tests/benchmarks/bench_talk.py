"""Talk that never ends, with calls among it: is every call answered in time, is any talk taken?

A person reads aloud (speech that nobody here made: the folder ``data`` of the makers, named by
--talk); the sample calls are said among it, each after a breath. Run from the checkout:

    python -m tests.benchmarks.bench_talk --talk FOLDER --minutes 60

Each condition: level of the talk under that of the calls, and whether the reader's pauses are left
in or cut out. A call counts as right and taken when its words came out and would be taken by sound.
"""

import argparse
import csv
import resource
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from assistant.adapters.sound.wav_file import survey
from assistant.bench.interpretation import refused_by_ear
from assistant.build.ears import Ear, open_ear
from assistant.build.words import load_grammar
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Heard, Samples, Utterance
from tests.benchmarks.intervals import poisson, wilson

ROOT = Path(__file__).resolve().parents[2]
TALK_NAME = "read-sentences"
BREATH_S = 0.8
AFTER_S = 1.0  # quiet after a call, as a bench that answers makes it
STRETCH_S = 15.0  # of talk between two calls
QUIET_LEVEL = 3e-4
TALK_RMS = 0.06
HEAD = (
    "talk | calls | right and taken, % | wrong | false an hour | answer to a call, half / 95 % / "
    "latest, s | any answer, latest, s | of real time"
)


@dataclass(frozen=True)
class Placed:
    """A call in the stream: words, first and last second."""

    words: str
    start_s: float
    end_s: float


class Frames:
    """A stream in memory as a source."""

    name = "talk"
    overflows = 0

    def __init__(self, samples: Samples) -> None:
        self._samples = samples

    def frames(self) -> Iterator[Samples]:
        for first in range(0, len(self._samples) - FRAME_SAMPLES + 1, FRAME_SAMPLES):
            yield self._samples[first : first + FRAME_SAMPLES]

    def drop_waiting(self) -> float:
        return 0.0

    def close(self) -> None:
        pass


def reader(folder: Path, *, pauses: bool) -> Samples:
    """All that was read, its sentences a breath apart, or with every pause cut out."""
    path = folder / "human" / f"{TALK_NAME}.opus"
    if not path.is_file():
        raise SystemExit(f"{path} is missing: name the folder with human/{TALK_NAME}.opus (--talk)")
    sound, rate_hz = soundfile.read(path, dtype="float32")
    assert rate_hz == SAMPLE_RATE_HZ
    parts = []
    with path.with_suffix(".tsv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file, delimiter="\t"):
            first, last = (round(float(row[name]) * rate_hz) for name in ("start_s", "end_s"))
            parts.append(sound[first:last])
            if pauses:
                parts.append(np.zeros(round(0.4 * rate_hz), np.float32))
    whole = np.concatenate(parts)
    if not pauses:
        width = rate_hz // 50
        frames = whole[: len(whole) // width * width].reshape(-1, width)
        rms = np.sqrt(np.mean(np.square(frames), axis=1))
        whole = frames[rms > 0.1 * np.sqrt(np.mean(np.square(whole)))].ravel()
    return np.asarray(whole * (TALK_RMS / np.sqrt(np.mean(np.square(whole)))), np.float32)


def calls() -> list[tuple[str, Samples]]:
    """The clean sample calls: words and sound without the quiet around them."""
    found = []
    with (ROOT / "sample_audio" / "clips.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["in_grammar"] == "yes" and row["noise"] == "none":
                path = ROOT / "sample_audio" / f"{row['clip']}.wav"
                sound = survey(path).samples()
                loud = np.flatnonzero(np.abs(sound) > 0.02 * np.max(np.abs(sound)))
                sound = sound[loud[0] : loud[-1] + 1]
                sound = sound * (TALK_RMS / np.sqrt(np.mean(np.square(sound))))
                found.append((row["said"], np.asarray(np.clip(sound, -1, 1), np.float32)))
    return found


def stream(
    talk: Samples, said: list[tuple[str, Samples]], *, minutes: float, talk_db: float, seed: int
) -> tuple[Samples, list[Placed]]:
    """Talk with a call after every stretch of it."""
    rng = np.random.default_rng(seed)
    talk = talk * np.float32(10 ** (talk_db / 20))
    parts: list[NDArray[np.float32]] = []
    placed: list[Placed] = []
    at, length = int(rng.integers(len(talk))), 0
    while length < minutes * 60 * SAMPLE_RATE_HZ:
        stretch = np.take(talk, np.arange(at, at + round(STRETCH_S * SAMPLE_RATE_HZ)), mode="wrap")
        at += len(stretch)
        words, sound = said[int(rng.integers(len(said)))]
        breath, after = (
            np.zeros(round(s * SAMPLE_RATE_HZ), np.float32) for s in (BREATH_S, AFTER_S)
        )
        start = length + len(stretch) + len(breath)
        placed.append(Placed(words, start / SAMPLE_RATE_HZ, (start + len(sound)) / SAMPLE_RATE_HZ))
        parts += [stretch, breath, sound, after]
        length = start + len(sound) + len(after)
    whole = np.concatenate(parts)
    whole = whole + QUIET_LEVEL * rng.standard_normal(len(whole)).astype(np.float32)
    return np.asarray(np.clip(whole, -1, 1), np.float32), placed


def run(ear: Ear, samples: Samples, placed: list[Placed]) -> str:
    """One condition, one line of the table."""
    listener = ear.listener(Frames(samples))
    heard: list[tuple[Utterance, Heard]] = []
    late_s: list[float] = []
    clock_s = time.process_time()
    # What a live bench would be behind by: work that was not done when its sound came in.
    behind_s, last_s = 0.0, 0.0
    for frame in Frames(samples).frames():
        began = time.process_time()
        call = listener.take(frame)
        behind_s = max(0.0, behind_s + time.process_time() - began - FRAME_SAMPLES / SAMPLE_RATE_HZ)
        last_s = listener.stream_s
        if call is not None:
            heard.append(call)
            late_s.append(last_s + behind_s - call[0].end_s)
    compute_s = time.process_time() - clock_s
    right = taken = false = 0
    waits: list[float] = []
    for (utterance, one), late in zip(heard, late_s, strict=True):
        mine = next((p for p in placed if p.start_s - 0.3 < utterance.end_s < p.end_s + 0.5), None)
        accepted = refused_by_ear(one, ear.grammar) is None
        if mine is not None:
            waits.append(late)
            taken += accepted
            right += accepted and " ".join(one.words) == mine.words
        else:
            false += accepted
    hours = len(samples) / SAMPLE_RATE_HZ / 3600
    low, high = wilson(right, len(placed))
    few, many = poisson(false)
    return (
        f"{len(placed):4d} | {100 * right / len(placed):5.1f} ({100 * low:.0f}-{100 * high:.0f}) | "
        f"{taken - right:3d} | {false / hours:5.1f} ({few / hours:.1f}-{many / hours:.1f}) | "
        f"{np.percentile(waits, 50):.2f} / {np.percentile(waits, 95):.2f} / {max(waits):.2f} | "
        f"{max(late_s):.2f} | {compute_s / (hours * 3600):.2f}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--talk", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=15.0, help="of each condition")
    parser.add_argument("--seed", type=int, default=20261127)
    options = parser.parse_args()
    said = calls()
    print(HEAD)
    with open_ear(load_grammar(None)) as ear:
        for pauses in (True, False):
            talk = reader(options.talk, pauses=pauses)
            for talk_db in (0.0, -12.0, -24.0):
                samples, placed = stream(
                    talk, said, minutes=options.minutes, talk_db=talk_db, seed=options.seed
                )
                name = f"{'pauses' if pauses else 'no pause'} {talk_db:+.0f} dB"
                print(f"{name:16s} | {run(ear, samples, placed)}", flush=True)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak_mb:.0f} MB (the streams themselves among it)")


if __name__ == "__main__":
    main()
