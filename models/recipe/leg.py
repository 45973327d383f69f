"""``python -m models.recipe.leg``: one more leg of training, from the model that ships.

    python -m models.recipe.leg join --work DIR --packs PACK ...              # into one pack
    python -m models.recipe.leg open --work DIR --model models/leafcall-en    # start.pkl
    python -m models.recipe.leg align --work DIR --weights start.pkl          # find all sounds
    python -m models.recipe.leg train --work DIR --weights start.pkl --name a --seconds 170
    python -m models.recipe.leg export --weights DIR/b.pkl --target models/leafcall-en

Packs are what ``models.recipe.pack`` and ``models.recipe.natural`` leave; none of them needs
alignments, since the model finds the sounds itself. models/README.md tells what was run.
"""

import argparse
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.natural import FRAME
from models.recipe.progress import say

# How often the clips of a source are drawn: its share is proportional to minutes x this.
DRAWN = {
    "human-sentences-orders": 1.2,
    "human-single-words": 1.8,
    "human-short-phrases-a": 0.4,
    "human-short-phrases-b": 0.5,
    "human-read": 1.5,
    "kokoro": 0.45,
    "espeak": 0.6,
    "flite": 0.9,
}
WORST = {"kokoro": 0.04}  # share of a source whose alignment is trusted least, and left out
OTHERS_WORST = 0.06


def source_of(speaker: str) -> str:
    """Which of DRAWN a speaker belongs to. Raises ValueError for none."""
    for name in DRAWN:
        if speaker.startswith(name):
            return name
    raise ValueError(f"{speaker!r} belongs to no source: {', '.join(DRAWN)}.")


def drawn_weights(speakers: NDArray[np.str_], lengths: NDArray[np.int64]) -> NDArray[np.float64]:
    """Weight of every clip: its frames of 10 ms times DRAWN of its source."""
    factor = np.array([DRAWN[source_of(s)] for s in speakers.tolist()])
    return np.asarray(lengths / FRAME * factor, np.float64)


def trusted(speakers: NDArray[np.str_], scores: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which clips to train on: all but the share of each source that fits its words worst."""
    sources = np.array([source_of(s) for s in speakers.tolist()])
    good = np.zeros(len(sources), bool)
    for name in np.unique(sources):
        here = sources == name
        good[here] = scores[here] > np.quantile(scores[here], WORST.get(name, OTHERS_WORST))
    return good


def _labels(pack: Path) -> dict[str, Any]:
    with np.load(pack / "labels.npz") as file:
        return {name: file[name] for name in file.files}


def join(work: Path, packs: list[Path]) -> None:
    """One pack under ``work``, with the weights of DRAWN."""
    from models.recipe.pack import join_packs

    join_packs(work / "pack", packs)
    labels = _labels(work / "pack")
    labels["weight"] = drawn_weights(labels["speaker"], labels["length"])
    np.savez(work / "pack" / "labels.npz", **labels)


def align(work: Path, weights: Path) -> None:
    """Find the sounds of all clips with these weights."""
    from models.recipe.realign import realign

    fresh = work / "labels-new.npz"
    realign(work / "pack", weights, fresh, least_score=-np.inf)
    with np.load(fresh) as file:
        labels = {name: file[name] for name in file.files}
    labels["aligned"] = trusted(labels["speaker"], labels["score"])
    np.savez(work / "pack" / "labels.npz", **labels)
    say(f"{labels['aligned'].sum()} of {len(labels['aligned'])} clips are trained on")


def export(weights: Path, target: Path) -> None:
    """The sound model of these weights, in the folder that ships."""
    from models.recipe.export import export_model, shipped_lexicon_text
    from models.recipe.texts import grammars

    words = {word for grammar in grammars() for word in grammar.vocabulary}
    export_model(weights, target, shipped_lexicon_text(words))


def main() -> None:
    """Run one step."""
    parser = argparse.ArgumentParser(
        prog="python -m models.recipe.leg",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("step", choices=("join", "open", "align", "train", "export"))
    parser.add_argument("--work", type=Path, default=Path(), help="folder for all in between")
    parser.add_argument("--packs", type=Path, nargs="+", default=[], help="to be joined")
    parser.add_argument("--model", type=Path, default=Path("models/leafcall-en"))
    parser.add_argument("--weights", type=Path, help="a .pkl of 'open' or 'train'")
    parser.add_argument("--name", default="leg", help="of the weights that 'train' writes")
    parser.add_argument("--seconds", type=float, default=330.0, help="of training")
    parser.add_argument("--rate", type=float, default=5e-4, help="highest step size")
    parser.add_argument("--seed", type=int, default=42)
    parser.add_argument("--target", type=Path, default=Path("models/leafcall-en"))
    given = parser.parse_args()
    if given.step == "join":
        join(given.work, given.packs)
    elif given.step == "open":
        from models.recipe.reopen import reopen

        reopen(given.model, given.work / "pack", given.work / "start.pkl")
    elif given.step == "align":
        align(given.work, given.weights)
    elif given.step == "train":
        from models.recipe.train import train

        train(
            given.work / "pack", given.work / f"{given.name}.pkl", steps=40_000, rows=160,
            seed=given.seed, peak_rate=given.rate, start=given.weights, most_s=given.seconds,
        )  # fmt: skip
    else:
        export(given.weights, given.target)


if __name__ == "__main__":
    main()
