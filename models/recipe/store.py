"""Where the sound lives: shards of many clips, each a FLAC or Ogg file and a table beside it.

A table has one line a clip: first sample, last sample (exclusive), speaker, kind, words.
A shard is written whole or not at all, so that an interrupted run goes on where it stopped.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from assistant.ear.utterance import SAMPLE_RATE_HZ

SMALL_LEVEL = 0.88
GAP_SAMPLES = 3200  # quiet between two clips of a shard: 0.2 s


@dataclass(frozen=True, slots=True)
class Clip:
    """One labelled stretch of a shard: samples first..last-1 at 16 kHz."""

    shard: str
    first: int
    last: int
    speaker: str
    kind: str
    words: tuple[str, ...]


def write_shard(
    folder: Path,
    name: str,
    clips: Iterable[tuple[NDArray[np.float32], str, str, str]],
) -> Path:
    """Write clips (samples, speaker, kind, text) as ``name.flac`` and ``name.tsv``."""
    folder.mkdir(parents=True, exist_ok=True)
    parts, lines, at = [], [], 0
    for samples, speaker, kind, text in clips:
        peak = float(np.abs(samples).max(initial=1e-6))
        sound = samples * (0.5 / peak)
        parts += [sound, np.zeros(GAP_SAMPLES, np.float32)]
        lines.append(f"{at}\t{at + len(sound)}\t{speaker}\t{kind}\t{text}\n")
        at += len(sound) + GAP_SAMPLES
    sound_file = folder / f"{name}.flac"
    fresh = folder / f".{name}.part.flac"
    write_sound(fresh, np.concatenate(parts), small=False)
    (folder / f"{name}.tsv").write_text("".join(lines), encoding="utf-8")
    fresh.rename(sound_file)  # last: the sound file says that the shard is whole
    return sound_file


def write_sound(path: Path, samples: NDArray[np.float32], *, small: bool) -> None:
    """Write float32 samples as FLAC, or as Vorbis of about 22 kbit/s for the way to other machines.

    Vorbis, not Opus: it is written 17 times faster, and training does not mind the difference.
    """
    form = (
        {"format": "OGG", "subtype": "VORBIS", "compression_level": SMALL_LEVEL}
        if small
        else {"subtype": "PCM_16"}
    )
    with soundfile.SoundFile(path, "w", SAMPLE_RATE_HZ, 1, **form) as file:
        for at in range(
            0, len(samples), SAMPLE_RATE_HZ
        ):  # by the second: libsndfile's stack is small
            file.write(samples[at : at + SAMPLE_RATE_HZ])


def read_table(folder: Path, name: str) -> list[Clip]:
    """The clips of one shard."""
    clips = []
    for line in (folder / f"{name}.tsv").read_text(encoding="utf-8").splitlines():
        first, last, speaker, kind, text = line.split("\t")
        clips.append(Clip(name, int(first), int(last), speaker, kind, tuple(text.split())))
    return clips


def shards(folder: Path) -> Iterator[str]:
    """Names of the whole shards of a folder, sorted."""
    for path in sorted([*folder.glob("*.flac"), *folder.glob("*.opus"), *folder.glob("*.ogg")]):
        if not path.name.startswith("."):
            yield path.stem


def read_sound(folder: Path, name: str) -> NDArray[np.int16]:
    """The whole sound of a shard, int16 at 16 kHz."""
    path = next(p for e in (".flac", ".opus", ".ogg") if (p := folder / f"{name}{e}").exists())
    samples, rate = soundfile.read(path, dtype="int16")
    if rate != SAMPLE_RATE_HZ:
        raise ValueError(f"{path}: {rate} Hz, want {SAMPLE_RATE_HZ} Hz.")
    return np.asarray(samples, np.int16)
