"""Step 3: everything that training needs in one folder: Ogg sound, labels, noise.

The folder can travel to another machine; it holds ``sound-NN.ogg``, ``noise.ogg`` and
``labels.npz``. Clips stand one after another, each filled up to a multiple of 160 samples.
"""

import json
import shutil
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from models.recipe.align import UNIT_NUMBER, Alignment, training_lexicon
from models.recipe.augment import Store
from models.recipe.features import SHIFT
from models.recipe.human import human_clips, human_sets, human_sound
from models.recipe.progress import say
from models.recipe.store import Clip, read_sound, read_table, shards, write_sound

FILE_S = 3600  # sound in one file, about 10 MB
BOUNDARY = 255  # between two words in the phones of a clip
MOST_CLIP_S = 12.0
# How often the clips of a source are drawn: its share is proportional to minutes x this.
SOURCE_WEIGHT = {
    "human-sentences-orders": 1.0,
    "human-single-words": 1.5,
    "human-short-phrases-a": 0.35,
    "human-short-phrases-b": 0.35,
    "kokoro": 1.0,
    "espeak": 0.4,
    "flite": 0.4,
}
HELD_OUT_NOISE_EVERY = 3  # of the recorded noise clips of each kind


@dataclass(frozen=True, slots=True)
class Source:
    """One labelled clip on its way into a pack; ``alignment`` is None where not yet known."""

    clip: Clip
    samples: NDArray[np.int16]
    alignment: Alignment | None


def phones_of(
    words: Sequence[str], alignment: Alignment | None, lexicon: dict[str, list[str]]
) -> list[int] | None:
    """Units of the words, BOUNDARY between words; variants as aligned, else the first ones."""
    said = [u for u, _ in alignment if u != "SIL"] if alignment else None
    phones: list[int] = []
    at = 0
    for word in words:
        if word not in lexicon:
            return None
        ways = [way.split() for way in lexicon[word]]
        way = ways[0]
        if said is not None:
            way = next(
                (w for w in sorted(ways, key=len, reverse=True) if said[at : at + len(w)] == w), way
            )
            at += len(way)
        if phones:
            phones.append(BOUNDARY)
        phones += [UNIT_NUMBER[u] for u in way]
    return phones


def made_sources(folder: Path, alignments: Path) -> Iterator[Source]:
    """Clips of the made voices but the held-out ones."""
    for name in shards(folder):
        if "-dev-" in name:
            continue
        known_file = alignments / f"{name}.json"
        known = json.loads(known_file.read_text(encoding="utf-8")) if known_file.exists() else {}
        sound = read_sound(folder, name)
        for number, clip in enumerate(read_table(folder, name)):
            yield Source(clip, sound[clip.first : clip.last], known.get(str(number)))


def human_sources(folder: Path, alignments: Path) -> Iterator[Source]:
    """Human clips but the held-out ones."""
    for name in human_sets(folder):
        known_file = alignments / f"{name}.json"
        known = json.loads(known_file.read_text(encoding="utf-8")) if known_file.exists() else {}
        sound = human_sound(folder, name)
        for number, (clip, held_out) in enumerate(human_clips(folder, name)):
            if not held_out:
                yield Source(clip, sound[clip.first : clip.last], known.get(str(number)))


def noise_parts(folder: Path, *, held_out: bool) -> list[tuple[str, NDArray[np.int16]]]:
    """(kind, samples) of the recorded noises, either the training or the held-out part."""
    parts = []
    seen: dict[str, int] = {}
    for set_name in human_sets(folder):
        sound = human_sound(folder, set_name)
        for line in (folder / f"{set_name}.tsv").read_text(encoding="utf-8").splitlines()[1:]:
            start, end, _, kind = line.split("\t")
            seen[kind] = seen.get(kind, 0) + 1
            if (seen[kind] % HELD_OUT_NOISE_EVERY == 0) == held_out:
                parts.append((kind, sound[int(float(start) * 16_000) : int(float(end) * 16_000)]))
    return parts


def _weight(clip: Clip) -> float:
    return next((w for prefix, w in SOURCE_WEIGHT.items() if clip.speaker.startswith(prefix)), 1.0)


def write_pack(
    target: Path,
    sources: Iterable[Source],
    noises: Sequence[NDArray[np.int16]],
    *,
    small: bool = False,
) -> None:
    """Write a pack folder; clips without a pronunciation are left out.

    small: sound as Vorbis, for the way to another machine; else as it is (sound-00.npy).
    """
    target.mkdir(parents=True, exist_ok=True)
    lexicon = training_lexicon()
    firsts, lengths, weights, unit_rows, phone_rows, aligned, speakers = [], [], [], [], [], [], []
    waiting: list[NDArray[np.int16]] = []
    at = files = 0

    def flush() -> None:
        nonlocal files
        if not waiting:
            return
        sound = np.concatenate(waiting)
        if small:
            write_sound(
                target / f"sound-{files:02d}.ogg", sound.astype(np.float32) / 32768.0, small=True
            )
        else:
            np.save(target / f"sound-{files:02d}.npy", sound)
        files += 1
        waiting.clear()

    for source in sources:
        phones = phones_of(source.clip.words, source.alignment, lexicon)
        if (
            phones is None
            or len(source.samples) > MOST_CLIP_S * 16_000
            or len(source.samples) < 4800
        ):
            continue
        frames = len(source.samples) // SHIFT
        units = np.zeros(frames, np.uint8)
        place = 0
        for unit, count in source.alignment or ():
            units[place : place + count] = UNIT_NUMBER[unit]
            place += count
        firsts.append(at)
        lengths.append(frames * SHIFT)
        weights.append(_weight(source.clip) * frames)
        unit_rows.append(units)
        phone_rows.append(np.array(phones, np.uint8))
        aligned.append(source.alignment is not None)
        speakers.append(source.clip.speaker)
        waiting.append(source.samples[: frames * SHIFT])
        at += frames * SHIFT
        if sum(map(len, waiting)) > FILE_S * 16_000:
            flush()
    flush()
    if noises:
        write_sound(
            target / "noise.ogg", np.concatenate(noises).astype(np.float32) / 32768.0, small=True
        )
    np.savez_compressed(
        target / "labels.npz",
        first=np.array(firsts),
        length=np.array(lengths),
        weight=np.array(weights),
        unit=np.concatenate(unit_rows),
        aligned=np.array(aligned),
        phones=np.concatenate(phone_rows),
        phone_count=np.array([len(p) for p in phone_rows]),
        speaker=np.array(speakers),
    )
    say(f"pack: {len(firsts)} clips, {at / 960_000:.0f} min, {sum(aligned)} aligned")


def _pack_sound(folder: Path, samples: int) -> NDArray[np.int16]:
    parts = [
        np.load(path) if path.suffix == ".npy" else soundfile.read(path, dtype="int16")[0]
        for path in sorted([*folder.glob("sound-*.ogg"), *folder.glob("sound-*.npy")])
    ]
    return np.concatenate(parts)[:samples]


def join_packs(target: Path, parts: Sequence[Path]) -> None:
    """One pack out of several, which may have been made on different machines."""
    target.mkdir(parents=True, exist_ok=True)
    columns: dict[str, list[NDArray[np.generic]]] = {}
    sounds: list[NDArray[np.int16]] = []
    at = 0
    for part in parts:
        with np.load(part / "labels.npz") as file:
            labels = {name: file[name] for name in file.files}
        sounds.append(_pack_sound(part, int(labels["length"].sum())))
        labels["first"] = labels["first"] + at
        at += len(sounds[-1])
        for name, values in labels.items():
            columns.setdefault(name, []).append(values)
        if (part / "noise.ogg").exists():
            shutil.copy(part / "noise.ogg", target / "noise.ogg")
    np.save(target / "sound-00.npy", np.concatenate(sounds))
    joined = {n: np.concatenate(v) for n, v in columns.items() if len(v) == len(parts)}
    np.savez_compressed(target / "labels.npz", **joined)
    say(f"joined {len(parts)} packs: {len(joined['first'])} clips, {at / 960_000:.0f} min")


def segments_of(unit: NDArray[np.uint8], first: NDArray[np.int64]) -> NDArray[np.int32]:
    """Running number of the segment at each 10 ms, a new one at each change of unit and each clip.

    Two equal units in a row count as one segment where no boundary is known.
    """
    fresh = np.ones(len(unit), bool)
    fresh[1:] = unit[1:] != unit[:-1]
    fresh[first // SHIFT] = True
    return np.cumsum(fresh).astype(np.int32)


def read_pack(folder: Path) -> tuple[Store, dict[str, NDArray[np.generic]]]:
    """(store of the aligned clips, raw labels of all clips)."""
    with np.load(folder / "labels.npz") as file:
        labels = {name: file[name] for name in file.files}
    sound = _pack_sound(folder, int(labels["length"].sum()))
    noise = np.asarray(soundfile.read(folder / "noise.ogg", dtype="int16")[0], np.int16)
    return make_store(sound, noise, labels, labels["aligned"]), labels


def make_store(
    sound: NDArray[np.int16],
    noise: NDArray[np.int16],
    labels: dict[str, NDArray[np.generic]],
    use: NDArray[np.bool_],
) -> Store:
    """The store of those clips that ``use`` marks."""
    clips = np.stack([labels["first"][use], labels["length"][use]], 1).astype(np.int64)
    weight = labels["weight"][use].astype(np.float64)
    segment = segments_of(labels["unit"], labels["first"])  # type: ignore[arg-type]
    return Store(sound, labels["unit"], segment, clips, weight / weight.sum(), noise)  # type: ignore[arg-type]
