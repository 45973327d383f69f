"""``python -m models.recipe``: from nothing to a model folder, resumable.

    python -m models.recipe make --work DIR --human DIR --noise DIR --target models/leafcall-en

``--human`` and ``--noise`` are optional folders of recordings (NAME.opus with NAME.tsv: start_s,
end_s, speaker, words). Training runs on whatever JAX finds: slow on a CPU, on an H100 it took
fifteen minutes. DIR/pack is all that the step ``train`` reads, for another machine to do it.
"""

import argparse
import shutil
from collections.abc import Callable
from itertools import chain
from pathlib import Path

import numpy as np

SHARDS = {"espeak": 22, "flite": 12, "kokoro": 11}
FIRST_STEPS, SECOND_STEPS = 4_000, 31_000


def speak_all(work: Path, **_: object) -> None:
    """Made voices say bench phrases, shuffled bench words and plain English; some held out."""
    from models.recipe.speak import speak

    for voice, count in SHARDS.items():
        speak(work / "sound", voice, 1, held_out=True)
        speak(work / "sound", voice, count)


def align_all(work: Path, human: Path | None, **_: object) -> None:
    """pocketsphinx finds the sounds in every clip."""
    from models.recipe.align import SphinxAligner, align_clips
    from models.recipe.human import human_clips, human_sets, human_sound
    from models.recipe.store import read_sound, read_table, shards

    aligner = SphinxAligner()
    for name in shards(work / "sound"):
        if "-dev-" not in name:
            target = work / "alignments" / f"{name}.json"
            align_clips(
                read_table(work / "sound", name), read_sound(work / "sound", name), target, aligner
            )
    for name in human_sets(human) if human else ():
        clips = [clip for clip, _ in human_clips(human, name)]
        align_clips(clips, human_sound(human, name), work / "alignments" / f"{name}.json", aligner)


def pack_all(work: Path, human: Path | None, noise: Path | None, **_: object) -> None:
    """Sound and labels in one folder, which may travel to another machine."""
    from models.recipe.pack import human_sources, made_sources, noise_parts, write_pack

    if (work / "pack" / "labels.npz").exists():
        return
    made = made_sources(work / "sound", work / "alignments")
    people = human_sources(human, work / "alignments") if human else ()
    noises = [samples for _, samples in noise_parts(noise, held_out=False)] if noise else []
    if not noises:  # without recordings: a minute of hiss
        noises = [(np.random.default_rng(0).standard_normal(960_000) * 1000).astype(np.int16)]
    write_pack(work / "pack", chain(people, made), noises)


def train_all(work: Path, **_: object) -> None:
    """Train, find the sounds again, train on."""
    from models.recipe.realign import realign
    from models.recipe.train import train

    pack, first, second = work / "pack", work / "first.pkl", work / "second.pkl"
    if not first.exists():
        train(pack, work / "first-part.pkl", steps=FIRST_STEPS)
        (work / "first-part.pkl").rename(first)
    if not (work / "labels-first.npz").exists():
        realign(pack, first, work / "labels-new.npz")
        (pack / "labels.npz").rename(work / "labels-first.npz")
        shutil.copy(work / "labels-new.npz", pack / "labels.npz")
    if not second.exists():
        train(
            pack, work / "second-part.pkl", steps=SECOND_STEPS, start=first, peak_rate=1e-3, seed=2
        )
        (work / "second-part.pkl").rename(second)


def export_all(work: Path, target: Path, **_: object) -> None:
    """Write the model folder that ships."""
    from models.recipe.export import export_model, shipped_lexicon_text
    from models.recipe.texts import grammars

    words = {word for grammar in grammars() for word in grammar.vocabulary}
    export_model(work / "second.pkl", target, shipped_lexicon_text(words))


STEPS: dict[str, Callable[..., None]] = {
    "speak": speak_all,
    "align": align_all,
    "pack": pack_all,
    "train": train_all,
    "export": export_all,
}


def main() -> None:
    """Run one step, or all of them."""
    parser = argparse.ArgumentParser(
        prog="python -m models.recipe",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "step", choices=("make", *STEPS), help="one step, or make = all of them in turn"
    )
    parser.add_argument(
        "--work", type=Path, required=True, help="folder for everything in between (some GB)"
    )
    parser.add_argument("--human", type=Path, help="folder of labelled human recordings")
    parser.add_argument("--noise", type=Path, help="folder of recorded noise")
    parser.add_argument(
        "--target", type=Path, default=Path("models/leafcall-en"), help="model folder to write"
    )
    given = parser.parse_args()
    given.work.mkdir(parents=True, exist_ok=True)
    for name, step in STEPS.items():
        if given.step in ("make", name):
            step(work=given.work, human=given.human, noise=given.noise, target=given.target)


if __name__ == "__main__":
    main()
