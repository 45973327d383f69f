"""How well the ears hear: clips with known words, in noise made in code, through the whole chain.

    python -m tests.benchmarks.bench_ear                       sample_audio, pocketsphinx, denoiser
    python -m tests.benchmarks.bench_ear --snrs clean,10 --front-ends rnnoise,none
    python -m tests.benchmarks.bench_ear --ears pocketsphinx,models/mine --manifest my/manifest.csv

A manifest has the columns ``file`` and ``said``; clips that already hold noise (column ``noise``
other than none) are left out. A clip whose words are a sentence of the grammar is a call; the rest
is foreign talk. Every clip goes through front end, endpointer and recogniser, like a recording.

For calls: *right* = accepted with every word right, *wrong* = accepted with another sentence,
*refused* = not accepted (score under the limit of the interpretation, or nothing heard); *words* =
every word right whether accepted or not. For foreign talk: share of clips in which anything was
accepted, and false commands per hour of sound. Intervals: Wilson's score interval, 95 %.

Level: signal-to-noise ratio is the active speech level (noises.active_level) over the noise's mean.
Time: ``x real`` = processor seconds of the whole chain, a second of sound, on one core; ``reply`` =
end of speech of the clean clip to the result, waiting for quiet included (50th, 95th percentile).
Memory: peak resident size of a process that holds this ear alone.
"""

import argparse
import csv
import math
import multiprocessing
import os
import resource
import sys
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from assistant.adapters.wav_file import read_sound
from assistant.assembly.ears import Ear, load_grammar, open_ear
from assistant.utterance import FRAME_SAMPLES, Samples
from tests.benchmarks.noises import NOISES, add_echo, add_noise, end_of_speech_s

CHECKOUT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Clip:
    """One clip: where it is, what is said, and whether that is a call."""

    path: Path
    said: str
    is_call: bool


@dataclass(frozen=True)
class Task:
    """One clip in one condition; noise "clean" has no snr_db."""

    clip: Clip
    noise: str
    snr_db: float
    echo_s: float
    seed: int


@dataclass(frozen=True)
class Outcome:
    """What came of a task. words: of all accepted calls; any_words: of all calls."""

    task: Task
    words: str
    any_words: str
    accepted: int
    scores: tuple[float, ...]
    reply_s: float | None
    compute_s: float
    audio_s: float


class Memory:
    """A source that is a stretch of sound in memory."""

    name = "memory"
    overflows = 0

    def __init__(self, sound: Samples) -> None:
        self._sound = sound

    def frames(self) -> Iterator[Samples]:
        whole = -(-len(self._sound) // FRAME_SAMPLES) * FRAME_SAMPLES
        sound = np.concatenate([self._sound, np.zeros(whole - len(self._sound), np.float32)])
        yield from sound.reshape(-1, FRAME_SAMPLES)

    def drop_waiting(self) -> float:
        return 0.0

    def close(self) -> None:
        pass


def read_manifest(path: Path, grammar_folder: Path | None) -> list[Clip]:
    """Clean clips of a manifest."""
    grammar = load_grammar(grammar_folder)
    clips = []
    with path.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row.get("noise", "none") in ("none", "") and row["said"]:
                words = grammar.words_of(row["said"])
                is_call = grammar.parse(words) is not None
                clips.append(Clip(path.parent / row["file"], " ".join(words), is_call))
    return clips


def listen(ear: Ear, task: Task) -> Outcome:
    """One task through the whole chain."""
    clean = read_sound(task.clip.path).samples.astype(np.float64)
    sound = add_echo(clean, task.echo_s, task.seed) if task.echo_s else clean
    if task.noise != "clean":
        sound = add_noise(sound, task.noise, task.snr_db, task.seed)
    began = time.process_time()
    calls = list(ear.listener(Memory(sound.astype(np.float32))).calls())
    compute_s = time.process_time() - began
    taken = [heard for _, heard in calls if heard.words and heard.score >= heard.sure_from]
    reply_s = None
    if calls:
        utterance, heard = calls[-1]
        reply_s = utterance.decided_s + heard.final_s - end_of_speech_s(clean)
    return Outcome(
        task,
        " ".join(word for heard in taken for word in heard.words),
        " ".join(word for _, heard in calls for word in heard.words),
        len(taken),
        tuple(heard.score for _, heard in calls),
        reply_s,
        compute_s,
        len(sound) / 16_000,
    )


_ear: Ear | None = None  # one a process
_open = ExitStack()  # keeps it open as long as the process lives


def _start(ear: str, denoise: bool, grammar_folder: Path | None) -> None:
    global _ear
    _ear = _open.enter_context(open_ear(load_grammar(grammar_folder), ear=ear, denoise=denoise))
    if denoise and _ear.notice:
        print(_ear.notice, file=sys.stderr)


def _work(task: Task) -> tuple[Outcome, float]:
    if _ear is None:
        raise RuntimeError("The ear was not started.")
    outcome = listen(_ear, task)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return outcome, peak / (1024 if sys.platform != "darwin" else 1024**2)


def wilson(hits: int, count: int) -> tuple[float, float]:
    """95 % score interval of a share (E. B. Wilson, JASA 22 (1927) 209)."""
    if not count:
        return 0.0, 1.0
    z = 1.959964
    share, spread = hits / count, z * z / count
    centre = share + spread / 2
    half = z * math.sqrt(share * (1 - share) / count + spread / (4 * count))
    return max(0.0, (centre - half) / (1 + spread)), min(1.0, (centre + half) / (1 + spread))


def _share(hits: int, count: int) -> str:
    if not count:
        return "-"
    low, high = wilson(hits, count)
    return f"{hits / count:5.1%} ({low:.0%}-{high:.0%})"


def _row(name: Sequence[str], outcomes: Sequence[Outcome], peak_mb: float) -> list[str]:
    calls = [o for o in outcomes if o.task.clip.is_call]
    talk = [o for o in outcomes if not o.task.clip.is_call]
    right = sum(o.words == o.task.clip.said for o in calls)
    refused = sum(not o.accepted for o in calls)
    replies = sorted(o.reply_s for o in calls if o.reply_s is not None and o.accepted)
    audio_s = sum(o.audio_s for o in outcomes)
    talk_s = sum(o.audio_s for o in talk)
    hourly = f"{sum(o.accepted for o in talk) / talk_s * 3600:.0f}" if talk else "-"
    reply = (
        f"{np.percentile(replies, 50):.2f} / {np.percentile(replies, 95):.2f}" if replies else "-"
    )
    return [
        *name,
        str(len(calls)),
        _share(sum(o.any_words == o.task.clip.said for o in calls), len(calls)),
        _share(right, len(calls)),
        _share(len(calls) - right - refused, len(calls)),
        _share(refused, len(calls)),
        str(len(talk)),
        _share(sum(o.accepted > 0 for o in talk), len(talk)),
        hourly,
        f"{sum(o.compute_s for o in outcomes) / audio_s:.3f}",
        reply,
        f"{peak_mb:.0f}",
    ]


COLUMNS = (
    "ear", "front end", "noise", "dB", "calls", "words", "right", "wrong", "refused",
    "talk", "taken", "an hour", "x real", "reply s p50 / p95", "MB",
)  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the benchmark; the table goes to standard output, progress to standard error."""
    options = _options(arguments)
    clips = read_manifest(options.manifest, options.grammar)[:: options.every]
    conditions = [("clean", math.inf)] if "clean" in options.snrs else []
    snrs = [float(snr) for snr in options.snrs if snr != "clean"]
    conditions += [(noise, snr) for noise in options.noises for snr in snrs]
    rows: list[list[str]] = []
    records: list[list[object]] = []
    with Progress(console=Console(stderr=True)) as progress:
        for ear in options.ears:
            for front_end in options.front_ends:
                name = f"{ear}, {front_end}"
                bar = progress.add_task(name, total=len(conditions) * len(clips))
                context = multiprocessing.get_context("spawn")
                settings = (ear, front_end != "none", options.grammar)
                with context.Pool(1, _start, settings) as pool:
                    for noise, snr_db in conditions:
                        tasks = [
                            Task(clip, noise, snr_db, options.echo_s, _seed(options.seed, clip))
                            for clip in clips
                        ]
                        found, peak_mb = [], 0.0
                        for outcome, peak in pool.imap(_work, tasks):
                            found.append(outcome)
                            peak_mb = max(peak_mb, peak)
                            progress.advance(bar)
                        level = "" if noise == "clean" else f"{snr_db:g}"
                        label = (Path(ear).name, front_end, noise, level)
                        rows.append(_row(label, found, peak_mb))
                        records += [[*label, *_record(o)] for o in found]
                        _save(options.csv, [COLUMNS, *rows])
                        _save(options.clips, records)
    table = Table(*COLUMNS, title=f"{len(clips)} clips of {options.manifest.name}")
    for row in rows:
        table.add_row(*row)
    Console(width=220).print(table)


def _save(path: Path | None, rows: Sequence[Sequence[object]]) -> None:
    """Write what there is so far, so that a long run that is broken off has not been in vain."""
    if path is not None:
        with path.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)


def _record(outcome: Outcome) -> list[object]:
    scores = " ".join(f"{score:.3f}" for score in outcome.scores)
    clip = outcome.task.clip
    return [clip.path.name, clip.said, outcome.words, outcome.any_words, scores]


def _seed(seed: int, clip: Clip) -> int:
    return zlib.crc32(f"{seed} {clip.path.name}".encode())


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    def listed(text: str) -> list[str]:
        return [part.strip() for part in text.split(",") if part.strip()]

    def noise_list(text: str) -> list[str]:
        wrong = [noise for noise in listed(text) if noise not in NOISES]
        if wrong:
            raise argparse.ArgumentTypeError(f"{wrong[0]!r}: choose from {', '.join(NOISES)}")
        return listed(text)

    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--manifest", type=Path, default=CHECKOUT / "sample_audio/manifest.csv")
    parser.add_argument("--grammar", type=Path, help="folder of the grammar; default: the bench's")
    parser.add_argument("--ears", type=listed, default=["pocketsphinx"], help="names or folders")
    parser.add_argument("--front-ends", type=listed, default=["rnnoise"], help="rnnoise, none")
    parser.add_argument("--noises", type=noise_list, default=list(NOISES))
    parser.add_argument("--snrs", type=listed, default=["clean", "20", "10", "5", "0"])
    parser.add_argument("--echo-s", type=float, default=0.0, help="room echo, 60 dB fall in s")
    parser.add_argument("--every", type=int, default=1, help="take every n-th clip only")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--csv", type=Path, help="write the table here too")
    parser.add_argument("--clips", type=Path, help="write every clip's result here")
    return parser.parse_args(arguments)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
