"""What an ear makes of clips with known words: one JSON line for each clip in each condition.

    python -m tests.benchmarks.ear_records                       the development clips, our own ear
    python -m tests.benchmarks.ear_records --manifest sample_audio/manifest.csv --snrs clean,10

Measuring takes long, so it uses ``--jobs`` processes, can be broken off and goes on where it
stopped: what ``--records`` holds already is not measured again. Tables, the plot and the fit of the
assurance are made from the records (``bench_ear``, ``fit_assurance``). Measure time with one job.

Every clip is put into a room (``--before`` seconds before it, 0.75 s after), then goes through
speech detector, endpointer and recogniser like a recording. The signal-to-noise ratio is the active
speech level (noises.active_level) over the noise's mean. ``--share`` of all conditions of a clip
are drawn, by their names alone, so a larger share holds the smaller one; a level is drawn out of
``--gains``, a time before the clip out of ``--before``: noise that has run for long is heard in
another way.
A manifest has the columns ``file`` and ``said``; what holds noise already is left out.
"""

import argparse
import csv
import json
import multiprocessing
import os
import random
import resource
import sys
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from rich.console import Console
from rich.progress import Progress

from assistant.adapters.sound.wav_file import survey
from assistant.build.ears import DEFAULT_EAR, Ear, open_ear
from assistant.build.words import load_grammar
from assistant.ear.call_confidence import facts_of
from assistant.ear.levels import voice_db
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Heard, Samples, Utterance
from assistant.language.grammar import Grammar
from tests.benchmarks.dev_clips import CALLS, DevClip, home, read_clips
from tests.benchmarks.noises import NOISES, add_echo, add_noise, end_of_speech_s

_AFTER = 12000  # samples of room after a clip
_ROOM = 2e-4


class Condition(NamedTuple):
    """What is done to a clip. snr_db: None = no noise (kind "clean"). before_s: room before it."""

    noise: str
    snr_db: float | None
    echo_s: float
    gain_db: float
    before_s: float


@dataclass(frozen=True)
class Uttered:
    """One utterance as it was heard. hypotheses: (words, share). facts: of ``assurance``.

    level_db: of its voice.
    """

    hypotheses: list[tuple[str, float]]
    facts: dict[str, float]
    margin: float | None
    score: float
    sure_from: float
    level_db: float
    start_s: float
    end_s: float
    decided_s: float
    final_s: float

    @property
    def words(self) -> tuple[str, ...]:
        """The best hypothesis."""
        return tuple(self.hypotheses[0][0].split()) if self.hypotheses else ()


@dataclass(frozen=True)
class Record:
    """One clip in one condition. end_s: of the speech, in the clip with its room.

    group: of the clip; what is in ``CALLS`` is a sentence of the grammar.
    cpu_s: of the whole chain. peak_mb: resident size of a process that holds this ear alone.
    """

    ear: str
    group: str
    clip: str
    voice: str
    said: str
    noise: str
    snr_db: float | None
    echo_s: float
    gain_db: float
    before_s: float
    end_s: float
    audio_s: float
    cpu_s: float
    peak_mb: float
    utterances: list[Uttered]

    @property
    def key(self) -> tuple[object, ...]:
        """What tells it from all others."""
        return (self.ear, self.clip, self.noise, self.snr_db, self.echo_s,
                self.gain_db, self.before_s)  # fmt: skip

    @property
    def is_call(self) -> bool:
        """Whether a sentence of the grammar was said."""
        return self.group in CALLS


class Task(NamedTuple):
    """One clip in one condition."""

    clip: DevClip
    condition: Condition


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


@cache
def grammar() -> Grammar:
    """The bench's grammar."""
    return load_grammar()


def default_records() -> Path:
    """Where the records are kept."""
    return home() / "records.jsonl"


def read_records(path: Path) -> list[Record]:
    """All whole records; a torn last line is left out."""
    found = []
    for line in path.read_text(encoding="utf-8").splitlines() if path.is_file() else ():
        try:
            entry = json.loads(line)
        except ValueError:
            continue
        entry.pop("front_end", None)  # of records made when there was a choice of them
        entry["utterances"] = [
            Uttered(**{**u, "hypotheses": [(w, s) for w, s in u["hypotheses"]]})
            for u in entry["utterances"]
        ]
        found.append(Record(**entry))
    return found


def read_manifest(path: Path) -> list[DevClip]:
    """Clean clips of a manifest: calls, and talk that is not in the grammar."""
    clips = []
    with path.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row.get("noise", "none") in ("none", "") and row["said"]:
                words = grammar().words_of(row["said"])
                group = "given" if grammar().parse(words) is not None else "talk"
                voice = row.get("speaker") or ""
                clips.append(DevClip(path.parent / row["file"], group, voice, " ".join(words), 0))
    return clips


def _drawn(*parts: object) -> float:
    """A number 0..1 by the names of things alone."""
    return zlib.crc32(repr(parts).encode()) / 2**32


def conditions(
    clip: DevClip, noises: Sequence[str], snrs: Sequence[float | None], echoes: Sequence[float],
    gains: Sequence[float], befores: Sequence[float],
) -> Iterator[tuple[float, Condition]]:  # fmt: skip
    """Every condition that a clip can meet, with its place 0..1 in the draw; rooms are bare."""
    if clip.group == "room":
        noises, snrs, echoes = (), (None,), (0.0,)
    kinds: list[tuple[str, float | None]] = [("clean", None)] if None in snrs else []
    kinds += [(noise, snr) for noise in noises for snr in snrs if snr is not None]
    for noise, snr_db in kinds:
        for echo_s in echoes:
            name = clip.path.stem, noise, snr_db, echo_s
            rng = random.Random(repr(name))
            yield (
                _drawn(*name),
                Condition(noise, snr_db, echo_s, rng.choice(gains), rng.choice(befores)),
            )


def sound_of(clip: DevClip, condition: Condition) -> tuple[Samples, float]:
    """The clip in its condition, room before and after; seconds to the end of its speech."""
    noise, snr_db, echo_s, gain_db, before_s = condition
    seed = zlib.crc32(repr((clip.path.stem, *condition[:3])).encode())
    rng = np.random.default_rng(seed)
    clean = survey(clip.path).samples().astype(np.float64) * 10 ** (gain_db / 20)
    before, after = (rng.normal(0, _ROOM, n) for n in (round(before_s * SAMPLE_RATE_HZ), _AFTER))
    clean = np.concatenate([before, clean, after])
    sound = add_echo(clean, echo_s, seed) if echo_s else clean
    if snr_db is not None:
        sound = add_noise(sound, noise, snr_db, seed)
    return sound.astype(np.float32), end_of_speech_s(clean)


def hear(ear: Ear, name: str, task: Task) -> Record:
    """One task through the whole chain."""
    clip, condition = task
    sound, end_s = sound_of(clip, condition)
    began = time.process_time()
    calls = list(ear.listener(Memory(sound)).calls())
    cpu_s = time.process_time() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return Record(
        name, clip.group, clip.path.stem, clip.voice, clip.said, *condition, end_s,
        len(sound) / SAMPLE_RATE_HZ, round(cpu_s, 3),
        round(peak / (1024 if sys.platform != "darwin" else 1024**2), 1),
        [_uttered(utterance, heard) for utterance, heard in calls],
    )  # fmt: skip


def _uttered(utterance: Utterance, heard: Heard) -> Uttered:
    facts = facts_of(utterance, heard, grammar().meaning)
    evidence = heard.evidence
    return Uttered(
        [(" ".join(h.words), round(h.score, 5)) for h in heard.hypotheses],
        {name: round(value, 5) for name, value in facts.items()},
        None if evidence is None else round(evidence.margin, 5),
        round(heard.score, 5), heard.sure_from, round(voice_db(utterance.samples), 2),
        round(utterance.start_s, 2), round(utterance.end_s, 2), round(utterance.decided_s, 2),
        round(heard.final_s, 4),
    )  # fmt: skip


_at_work: tuple[Ear, str] | None = None  # one a process
_open = ExitStack()  # keeps it open as long as the process lives


def _start(name: str) -> None:
    global _at_work
    _at_work = _open.enter_context(open_ear(grammar(), ear=name)), name


def _work(task: Task) -> Record:
    if _at_work is None:
        raise RuntimeError("The ear was not started.")
    return hear(*_at_work, task)


def measure(tasks: Sequence[Task], path: Path, *, ear: str, jobs: int) -> Iterator[Record]:
    """Records of all tasks, written to ``path`` as they come, by ``jobs`` processes."""
    context = multiprocessing.get_context("spawn")
    path.parent.mkdir(parents=True, exist_ok=True)
    with context.Pool(jobs, _start, (ear,)) as pool, path.open("a") as file:
        for record in pool.imap_unordered(_work, tasks):
            file.write(json.dumps(asdict(record)) + "\n")
            file.flush()
            yield record


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, in the order of the draw: what is broken off is a fair sample of the whole."""
    given = _options(arguments)
    clips = read_manifest(given.manifest) if given.manifest else read_clips()
    drawn = [
        (place, Task(clip, condition))
        for clip in clips
        if not given.groups or clip.group in given.groups
        for place, condition in conditions(
            clip, given.noises, given.snrs, given.echoes, given.gains, given.before
        )
        if place < given.share
    ]
    tasks = [task for _, task in sorted(drawn, key=lambda pair: pair[0])]
    done = {record.key for record in read_records(given.records)}
    with Progress(console=Console(stderr=True)) as progress:
        for ear in given.ears:
            left = [
                task for task in tasks if (ear, task.clip.path.stem, *task.condition) not in done
            ]
            bar = progress.add_task(ear, total=len(left))
            jobs = max(1, min(given.jobs, len(left)))
            for _ in measure(left, given.records, ear=ear, jobs=jobs):
                progress.advance(bar)


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    def listed(text: str) -> list[str]:
        return [part.strip() for part in text.split(",") if part.strip()]

    def numbers(text: str) -> list[float]:
        return [float(part) for part in listed(text)]

    def ratios(text: str) -> list[float | None]:
        return [None if part == "clean" else float(part) for part in listed(text)]

    def noise_list(text: str) -> list[str]:
        wrong = [noise for noise in listed(text) if noise not in NOISES]
        if wrong:
            raise argparse.ArgumentTypeError(f"{wrong[0]!r}: choose from {', '.join(NOISES)}")
        return listed(text)

    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--records", type=Path, default=default_records())
    parser.add_argument("--manifest", type=Path, help="instead of the development clips")
    parser.add_argument("--groups", type=listed, help="of the development clips; default: all")
    parser.add_argument("--ears", type=listed, default=[DEFAULT_EAR], help="names or folders")
    parser.add_argument("--noises", type=noise_list, default=list(NOISES))
    parser.add_argument("--snrs", type=ratios, default=[None, 20.0, 10.0, 5.0, 0.0])
    parser.add_argument("--echoes", type=numbers, default=[0.0, 0.3], help="60 dB fall, s")
    parser.add_argument("--gains", type=numbers, default=[0.0], help="levels, dB")
    parser.add_argument("--before", type=numbers, default=[0.5, 12.0], help="room before a clip, s")
    parser.add_argument("--share", type=float, default=1.0, help="of all conditions, 0..1")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    return parser.parse_args(arguments)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
