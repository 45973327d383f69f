"""What an ear made of the development clips, one JSON line for each clip in each condition.

    python -m tests.benchmarks.ear_records [--records FILE] [--clips N]

Measuring takes hours of sound, so it can be broken off and goes on where it stopped; tables and
fits are made from the records. Needs the sound of ``dev_clips``. Which conditions a clip meets
comes from its name alone.
"""

import argparse
import base64
import json
import random
import resource
import sys
import time
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from assistant.adapters.wav_file import read_sound
from assistant.assembly.ears import DEFAULT_EAR, Ear, load_grammar, open_ear
from assistant.assurance import Meaning, facts_of, meaning_in
from assistant.grammar import Grammar
from assistant.listening import Listener
from assistant.ports import FrontEnd
from assistant.utterance import Heard, Samples, Utterance
from tests.benchmarks.bench_ear import Memory
from tests.benchmarks.dev_clips import DevClip, home, read_clips
from tests.benchmarks.noises import NOISES, add_echo, add_noise, end_of_speech_s

CLEAN_DB = 99.0
_BEFORE, _AFTER = 6400, 12000  # samples of room before and after a clip
_ROOM = 2e-4
_SNRS = (20.0, 10.0, 10.0, 5.0, 5.0, 0.0)
_TALK = (("clean", CLEAN_DB, 0), ("clean", CLEAN_DB, 0.4), ("pink", 20, 0), ("pink", 10, 0),
         ("shop", 10, 0), ("white", 10, 0.3), ("shop", 20, 0.3), ("shop", 5, 0))  # fmt: skip


@dataclass(frozen=True)
class Uttered:
    """One utterance as it was heard. hypotheses: (words, share). facts: of ``assurance``."""

    hypotheses: list[tuple[str, float]]
    facts: dict[str, float]
    score: float
    start_s: float
    end_s: float
    decided_s: float
    final_s: float

    @property
    def words(self) -> tuple[str, ...]:
        return tuple(self.hypotheses[0][0].split()) if self.hypotheses else ()


@dataclass(frozen=True)
class Record:
    """One clip in one condition. end_s: of the speech in the clean clip. cpu_s: 0: not measured."""

    ear: str
    group: str
    number: int
    voice: str
    said: str
    noise: str
    snr_db: float
    echo_s: float
    end_s: float
    audio_s: float
    cpu_s: float
    peak_mb: float
    utterances: list[Uttered]

    @property
    def key(self) -> tuple[Any, ...]:
        return self.ear, self.group, self.number, self.noise, self.snr_db, self.echo_s

    @property
    def is_call(self) -> bool:
        return self.group in ("session", "random")

    def same_meaning(self, words: tuple[str, ...]) -> bool:
        """Whether ``words`` mean what was said."""
        return _meaning()(words) == _meaning()(tuple(self.said.split()))


@cache
def grammar() -> Grammar:
    """The bench's grammar."""
    return load_grammar()


@cache
def _meaning() -> Meaning:
    return meaning_in(grammar())


def default_records() -> Path:
    """Where the records of the own ear are kept."""
    return home() / "records.jsonl"


def read_records(path: Path) -> list[Record]:
    """All whole records; a torn last line is left out."""
    found = []
    for line in path.read_text(encoding="utf-8").splitlines() if path.is_file() else ():
        try:
            entry = json.loads(line)
        except ValueError:
            continue
        entry["utterances"] = [
            Uttered(**{**u, "hypotheses": [(w, s) for w, s in u["hypotheses"]]})
            for u in entry["utterances"]
        ]
        found.append(Record(**entry))
    return found


def conditions(clip: DevClip, count: int) -> list[tuple[str, float, float]]:
    """(noise, dB, echo in s) that a clip meets: calls ``count`` of them, talk and rooms one."""
    rng = random.Random(f"{clip.group}{clip.number}")
    if clip.group == "room":
        return [("clean", CLEAN_DB, 0)]
    if clip.group in ("talk", "people"):
        return [rng.choice(_TALK)]
    grid = [(noise, snr, echo) for noise in NOISES for snr in _SNRS for echo in (0, 0.3)]
    drawn = [rng.choice(grid)]
    while len(drawn) < count:
        quiet = ("clean", CLEAN_DB, rng.choice([0, 0.4]))
        drawn.append(quiet if rng.random() < 0.4 else rng.choice(grid))
    return list(dict.fromkeys(drawn))


def sound_of(clip: DevClip, noise: str, snr_db: float, echo_s: float) -> tuple[Samples, float]:
    """The clip in its condition, room before and after; seconds to the end of its speech."""
    key = [clip.group, clip.number, noise, int(snr_db), echo_s]
    seed = zlib.crc32(repr(key).encode())
    rng = np.random.default_rng(seed)
    clean = read_sound(clip.path).samples.astype(np.float64)
    clean = np.concatenate([rng.normal(0, _ROOM, _BEFORE), clean, rng.normal(0, _ROOM, _AFTER)])
    sound = add_echo(clean, echo_s, seed) if echo_s else clean
    if noise != "clean":
        sound = add_noise(sound, noise, snr_db, seed)
    return sound.astype(np.float32), end_of_speech_s(clean)


class KeptSpeech:
    """Speech probabilities of the front end that hands the sound on as it is, kept in a file.

    They do not depend on the sound model, and are half of all computing: measuring another model
    on the same clips takes them from here.
    """

    delay_s = 0.0

    def __init__(self, front_end: FrontEnd, path: Path) -> None:
        self._front_end, self._path = front_end, path
        self._kept: dict[tuple[Any, ...], Any] = {}
        for line in path.read_text(encoding="utf-8").splitlines() if path.is_file() else ():
            try:
                key, code = json.loads(line)
            except ValueError:
                continue
            self._kept[tuple(key)] = np.frombuffer(base64.b64decode(code), "<u2")
        self.open(())

    def open(self, key: tuple[Any, ...]) -> bool:
        """Begin a clip; whether its probabilities are known."""
        self._key, self._made = key, []
        self._known = self._kept.get(key)
        self._front_end.reset()
        return self._known is not None

    def reset(self) -> None:
        """The listener begins anew; the clip stays."""

    def process(self, frame: Samples) -> tuple[Samples, float]:
        if self._known is not None:
            code = int(self._known[len(self._made)])
        else:
            code = round(self._front_end.process(frame)[1] * 65535)
        self._made.append(code)
        return frame, code / 65535

    def keep(self) -> None:
        """Write down the probabilities of the clip, if they are new."""
        if self._known is None:
            code = base64.b64encode(np.array(self._made, "<u2").tobytes()).decode()
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps([self._key, code]) + "\n")


def measure(
    clips: Sequence[DevClip],
    path: Path,
    *,
    ear: str = DEFAULT_EAR,
    denoise: bool | None = None,
    count: int = 2,
    fresh: bool = False,
) -> Iterator[Record]:
    """Records of all clips; those that ``path`` holds already are not measured again.

    fresh: run the whole front end, so that the time counts.
    """  # fmt: skip
    name = ear if denoise is None else f"{ear}, {'rnnoise' if denoise else 'no'} denoiser"
    done = {record.key for record in read_records(path)}
    with open_ear(grammar(), ear=ear, denoise=denoise) as opened, path.open("a") as file:
        as_it_is = not fresh and not (ear != DEFAULT_EAR if denoise is None else denoise)
        kept = KeptSpeech(opened.front_end, home() / "speech.jsonl") if as_it_is else None
        for clip in clips:
            for noise, snr_db, echo_s in conditions(clip, count):
                if (name, clip.group, clip.number, noise, snr_db, echo_s) not in done:
                    record = _record(opened, kept, name, clip, noise, snr_db, echo_s)
                    file.write(json.dumps(asdict(record)) + "\n")
                    file.flush()
                    yield record


def _record(
    ear: Ear, kept: KeptSpeech | None, name: str, clip: DevClip, noise: str, snr_db: float,
    echo_s: float,
) -> Record:  # fmt: skip
    sound, end_s = sound_of(clip, noise, snr_db, echo_s)
    known = kept is not None and kept.open((clip.group, clip.number, noise, int(snr_db), echo_s))
    began = time.process_time()
    calls = list(_listener(ear, kept, sound).calls())
    cpu_s = 0.0 if known else time.process_time() - began
    if kept is not None:
        kept.keep()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return Record(
        name, clip.group, clip.number, clip.voice, clip.said, noise, snr_db, echo_s, end_s,
        len(sound) / 16_000, round(cpu_s, 3),
        peak / (1024 if sys.platform != "darwin" else 1024**2),
        [_uttered(utterance, heard) for utterance, heard in calls],
    )  # fmt: skip


def _listener(ear: Ear, kept: KeptSpeech | None, sound: Samples) -> Listener:
    if kept is None:
        return ear.listener(Memory(sound))
    return Ear(ear.grammar, kept, ear.recognizer, "", ear.weights).listener(Memory(sound))


def _uttered(utterance: Utterance, heard: Heard) -> Uttered:
    facts = {
        name: round(value, 5) for name, value in facts_of(utterance, heard, _meaning()).items()
    }
    return Uttered(
        [(" ".join(h.words), round(h.score, 5)) for h in heard.hypotheses], facts,
        round(heard.score, 5), round(utterance.start_s, 2), round(utterance.end_s, 2),
        round(utterance.decided_s, 2), round(heard.final_s, 4),
    )  # fmt: skip


def main() -> None:
    """Measure, calls and talk in turn, in an order of their own."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--records", type=Path, default=default_records())
    parser.add_argument("--clips", type=int, default=1_000_000, help="How many at most.")
    given = parser.parse_args()
    clips = read_clips()
    random.Random(5).shuffle(clips)
    calls = [clip for clip in clips if clip.group in ("session", "random")]
    others = [clip for clip in clips if clip.group not in ("session", "random")]
    mixed = [clip for pair in zip(calls, others, strict=False) for clip in pair][: given.clips]
    for done, _ in enumerate(measure(mixed, given.records), start=1):
        print(f"\r{done} measured, of {len(mixed)} clips", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


if __name__ == "__main__":
    main()
