"""``python -m models.recipe``: from nothing to a model folder, resumable.

    python -m models.recipe make --work DIR --human DIR --noise DIR --target models/leafcall-en

``--human`` and ``--noise`` are optional folders of recordings (NAME.opus with NAME.tsv: start_s,
end_s, speaker, words). Every step skips what is there already. Training runs on whatever JAX finds:
days on a CPU, half an hour on an accelerator. DIR/pack is all that the step ``train`` reads, for
another machine to do it. ``--tiny`` does everything on seconds of sound, to see that it runs.
"""

import argparse
import os
import shutil
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import chain
from multiprocessing import get_context
from pathlib import Path

MADE_NOISE_S = 1500.0
RECORDED_NOISE_TIMES = 5  # how often the recorded noises stand beside the made ones


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch of training; the sounds are found again with ``aligner`` before it begins."""

    name: str
    steps: int
    peak_rate: float
    seed: int
    start: str = ""  # leg whose weights it begins with
    aligner: str = ""


@dataclass(frozen=True, slots=True)
class Scale:
    """How much of everything is made: what ships, or as little as runs."""

    shards: dict[str, int]
    clips: int
    legs: tuple[Leg, ...]  # what ships is the mean of the last two
    rows: int
    width: int
    outputs: int
    made_noise_s: float
    least_score: float  # of an alignment, mean log chance a frame
    held_out: bool


@dataclass(frozen=True, slots=True)
class Job:
    """Where everything lies."""

    work: Path
    target: Path
    scale: Scale
    human: Path | None = None
    noise: Path | None = None


FULL = Scale(
    {"espeak": 22, "flite": 10, "kokoro": 21},
    150,
    (
        Leg("first", 4_100, 1.5e-3, 1),
        Leg("second", 31_600, 1e-3, 2, start="first", aligner="first"),
        Leg("third", 12_600, 2e-4, 31, start="second", aligner="second"),
    ),
    rows=160,
    width=512,
    outputs=90,
    made_noise_s=MADE_NOISE_S,
    least_score=-1.2,
    held_out=True,
)
TINY = Scale(
    {"espeak": 1, "flite": 1},
    4,
    (
        Leg("first", 3, 1e-3, 1),
        Leg("second", 2, 1e-3, 2, start="first", aligner="first"),
    ),
    rows=2,
    width=16,
    outputs=30,
    made_noise_s=12.0,
    least_score=-9.0,  # three steps teach nothing
    held_out=False,
)


def speak_all(job: Job) -> None:
    """Made voices say bench phrases, shuffled words, numbers and English; some held out."""
    from models.recipe.speak import speak_shard

    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        waiting = [
            pool.submit(
                speak_shard, job.work / "sound", voice, number,
                held_out=held_out, clips=job.scale.clips,
            )
            for voice, count in job.scale.shards.items()
            for held_out, wanted in ((True, int(job.scale.held_out)), (False, count))
            for number in range(wanted)
        ]  # fmt: skip
        for shard in waiting:
            shard.result()


def align_all(job: Job) -> None:
    """pocketsphinx finds the sounds in every clip."""
    from models.recipe.align import SphinxAligner, align_clips
    from models.recipe.human import human_clips, human_sets, human_sound
    from models.recipe.store import read_sound, read_table, shards

    aligner, sound, alignments = SphinxAligner(), job.work / "sound", job.work / "alignments"
    for name in shards(sound):
        if "-dev-" not in name:
            target = alignments / f"{name}.json"
            align_clips(read_table(sound, name), read_sound(sound, name), target, aligner)
    for name in human_sets(job.human) if job.human else ():
        clips = [clip for clip, _ in human_clips(job.human, name)]
        align_clips(clips, human_sound(job.human, name), alignments / f"{name}.json", aligner)


def pack_all(job: Job) -> None:
    """Sound and labels in one folder, which may travel to another machine."""
    from models.recipe.noises import made_noises
    from models.recipe.pack import human_sources, made_sources, noise_parts, write_pack

    if (job.work / "pack" / "labels.npz").exists():
        return
    made = made_sources(job.work / "sound", job.work / "alignments")
    people = human_sources(job.human, job.work / "alignments") if job.human else ()
    noises = made_noises(job.scale.made_noise_s, seed=3)
    if job.noise:
        recorded = [samples for _, samples in noise_parts(job.noise, held_out=False)]
        noises = recorded * RECORDED_NOISE_TIMES + noises
    write_pack(job.work / "pack", chain(people, made), noises)


def train_all(job: Job) -> None:
    """The legs of training in turn; before some, all sounds are found again."""
    from models.recipe.network import Shape
    from models.recipe.realign import realign
    from models.recipe.train import train

    pack = job.work / "pack"
    for leg in job.scale.legs:
        done = job.work / f"{leg.name}.pkl"
        if done.exists():
            continue
        kept = job.work / f"labels-before-{leg.name}.npz"
        if leg.aligner and not kept.exists():
            fresh = job.work / "labels-new.npz"
            aligner = job.work / f"{leg.aligner}.pkl"
            realign(pack, aligner, fresh, least_score=job.scale.least_score)
            shutil.copy(pack / "labels.npz", job.work / "labels-old.npz")
            fresh.replace(pack / "labels.npz")
            (job.work / "labels-old.npz").rename(kept)  # last: says that it is done
        part = job.work / f"{leg.name}-part.pkl"
        train(
            pack,
            part,
            steps=leg.steps,
            rows=job.scale.rows,
            shape=Shape(job.scale.width),
            seed=leg.seed,
            peak_rate=leg.peak_rate,
            start=job.work / f"{leg.start}.pkl" if leg.start else None,
            outputs=job.scale.outputs,
        )
        part.rename(done)


def export_all(job: Job) -> None:
    """Write the model folder that ships."""
    from models.recipe.export import export_model, shipped_lexicon_text
    from models.recipe.texts import grammars
    from models.recipe.train import average

    words = {word for grammar in grammars() for word in grammar.vocabulary}
    weights = job.work / "mean.pkl"
    average([job.work / f"{leg.name}.pkl" for leg in job.scale.legs[-2:]], weights)
    export_model(weights, job.target, shipped_lexicon_text(words))


STEPS: dict[str, Callable[[Job], None]] = {
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
    parser.add_argument("--target", type=Path, required=True, help="model folder to write")
    parser.add_argument("--tiny", action="store_true", help="a trial on seconds of sound")
    given = parser.parse_args()
    given.work.mkdir(parents=True, exist_ok=True)
    job = Job(given.work, given.target, TINY if given.tiny else FULL, given.human, given.noise)
    for name, step in STEPS.items():
        if given.step in ("make", name):
            step(job)


if __name__ == "__main__":
    main()
