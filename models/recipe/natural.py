"""Natural voices in quantity: Kokoro's network unfolded on an accelerator, styles alone and mixed.

The styles are the files ``voices/*.bin`` of the npm package kokoro-js (Apache-2.0). There are two
steps, since the machine with the accelerator has neither espeak-ng nor our word lists:
``write_plan`` draws what is said, by whom and how, and ``speak_plan`` says it there and leaves a
pack without alignments. People pause, hesitate and hurry: so do the texts.
"""

import argparse
import gzip
import json
import os
import random
import time
from collections.abc import Iterable, Sequence
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import SAMPLE_RATE_HZ
from models.recipe.progress import say

# Never used at all: the exam may use them.
EXAM_STYLES = (
    "am_eric", "af_nicole", "bm_lewis", "bf_lily", "hm_psi", "zm_yunjian", "if_sara", "em_santa",
    "ff_siwis",
)  # fmt: skip
# Held out of training, for fitting the judgement and for our own figures.
DEV_STYLES = ("af_bella", "am_puck", "bf_emma", "bm_fable", "em_alex", "hf_alpha", "zm_yunxi")
LONGEST_TOKENS = 240
MADE_HZ = 24_000
FRAME = 160  # samples of 10 ms
HESITATIONS = ("uh", "um", "er", "uh", "um", "okay", "right", "so", "well")


def read_styles(folder: Path) -> dict[str, NDArray[np.float16]]:
    """Style name -> [LONGEST_TOKENS, 256], all but those of the exam."""
    styles = {}
    for path in sorted(folder.glob("*.bin")):
        if path.stem not in EXAM_STYLES:
            table = np.fromfile(path, "<f4").reshape(-1, 256)
            styles[path.stem] = table[:LONGEST_TOKENS].astype(np.float16)
    return styles


def draw_voice(rng: random.Random, names: Sequence[str]) -> dict[str, Any]:
    """Weights of the styles for timbre and for melody, and how much the style is disturbed.

    A third are one style, a third two, the rest several; half of them take their melody from
    other styles than their timbre.
    """
    halves = []
    for _ in range(2):
        kind = rng.random()
        count = 1 if kind < 0.34 else 2 if kind < 0.7 else rng.randint(3, 4)
        shares = [rng.gammavariate(1.0, 1.0) + 0.05 for _ in range(count)]
        total = sum(shares)
        chosen = rng.sample(list(names), count)
        halves.append([[n, round(s / total, 3)] for n, s in zip(chosen, shares, strict=True)])
    if rng.random() < 0.5:
        halves[1] = halves[0]
    return {
        "timbre": halves[0],
        "melody": halves[1],
        "disturbed": round(max(0.0, rng.uniform(-0.5, 0.9)), 2),
        "seed": rng.getrandbits(30),
    }


def style_of(
    voice: dict[str, Any], tokens: int, styles: dict[str, NDArray[np.float16]]
) -> NDArray[np.float32]:
    """[256] style of a drawn voice for an utterance of so many tokens."""
    row = min(tokens, LONGEST_TOKENS) - 1
    halves = []
    for part, span in (("timbre", slice(0, 128)), ("melody", slice(128, 256))):
        halves.append(sum(w * styles[n][row, span].astype(np.float32) for n, w in voice[part]))
    style = np.concatenate(halves)
    noise = np.random.default_rng(voice["seed"]).standard_normal(256)
    spread = np.stack([s[row].astype(np.float32) for s in styles.values()]).std(0)
    return np.asarray(style + 0.5 * voice["disturbed"] * spread * noise, np.float32)


def as_people(text: str, rng: random.Random, *, hesitate: bool = True) -> tuple[list[str], str]:
    """(words, what the voice is given): now and then a pause, a hesitation, a false start."""
    words = text.split()
    shape = rng.random() if hesitate else 1.0
    if shape < 0.12:
        at = rng.randint(0, len(words) - 1)
        words.insert(at, rng.choice(HESITATIONS))
        if rng.random() < 0.2:
            words.insert(0, rng.choice(HESITATIONS))
    elif shape < 0.16 and len(words) > 2:
        at = rng.randint(0, len(words) - 2)
        words[at:at] = words[at : at + rng.randint(1, 2)]  # said again
    given = list(words)
    if rng.random() < 0.4:
        for at in range(len(given) - 1):
            if rng.random() < 0.22:
                given[at] += rng.choice((",", ",", " ...", ";", "."))
    ending = rng.choice(("", "", ".", ".", "!", "?"))
    return words, " ".join(given) + ending


def write_plan(target: Path, styles: Path, clips: int, *, seed: str, dev: bool = False) -> None:
    """Write ``target`` (gzipped JSON lines) and the styles beside it as ``styles.npz``.

    dev: voices held out of training say nothing but calls, without hesitations.
    """
    from models.recipe.align import training_lexicon
    from models.recipe.pack import phones_of
    from models.recipe.texts import Texts
    from models.recipe.voices import KOKORO_ACCENTS, kokoro_tokens

    known = read_styles(styles)
    names = [n for n in known if (n in DEV_STYLES) == dev]
    rng, texts = random.Random(f"natural {seed}"), Texts(f"natural text {seed}")  # noqa: S311
    shares = {"bench": 1.0} if dev else {"bench": 0.45, "words": 0.12, "numbers": 0.11}
    lexicon = training_lexicon()
    np.savez_compressed(target.with_name("styles.npz"), **{n: known[n] for n in names})
    with gzip.open(target, "wt", encoding="utf-8") as file:
        for kind, text in texts.many(clips, **shares):
            words, given = as_people(text, rng, hesitate=not dev)
            phones = phones_of(words, None, lexicon)
            british = rng.choice(KOKORO_ACCENTS)
            tokens = kokoro_tokens(given, british)
            if phones is None or len(tokens) > LONGEST_TOKENS:
                continue
            entry = {
                "kind": kind,
                "text": " ".join(words),
                "phones": phones,
                "tokens": tokens,
                "voice": draw_voice(rng, names),
                "speed": round(min(1.55, max(0.68, rng.lognormvariate(0.03, 0.17))), 3),
            }
            file.write(json.dumps(entry) + "\n")


def _resampled(sound: NDArray[np.float32]) -> NDArray[np.int16]:
    """16 kHz int16 with its peak at half of full scale, a little quiet before and after."""
    from scipy.signal import resample_poly

    made = resample_poly(sound, SAMPLE_RATE_HZ, MADE_HZ).astype(np.float32)
    made *= 0.5 / max(1e-4, float(np.abs(made).max()))
    whole = len(made) // FRAME * FRAME
    return np.asarray(np.round(made[:whole] * 32767), np.int16)


def _speak_some(job: tuple[int, int, Path, Path, Path, float, str]) -> float:
    """Say every n-th line of a plan until the time is over; seconds of sound made."""
    import torch

    from models.recipe.unfolded import Unfolded

    number, workers, plan, network, folder, stop_at, device = job
    torch.set_num_threads(1)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    net = Unfolded(network, device)
    with np.load(plan.with_name("styles.npz")) as file:
        styles = {name: file[name] for name in file.files}
    sounds, entries = [], []
    with gzip.open(plan, "rt", encoding="utf-8") as lines:
        for at, line in enumerate(lines):
            if at % workers != number:
                continue
            if time.time() > stop_at:
                break
            entry = json.loads(line)
            style = style_of(entry["voice"], len(entry["tokens"]), styles)
            sound = net.say(entry["tokens"], style, entry["speed"])
            if not np.isfinite(sound).all() or len(sound) < MADE_HZ // 4:
                continue
            sounds.append(_resampled(sound))
            entries.append(entry)
    _write_part(folder / f"part-{number:02d}", sounds, entries)
    return sum(map(len, sounds)) / SAMPLE_RATE_HZ


def _write_part(
    target: Path, sounds: Sequence[NDArray[np.int16]], entries: Sequence[dict[str, Any]]
) -> None:
    """A pack of clips that are not aligned yet."""
    target.mkdir(parents=True, exist_ok=True)
    lengths = np.array([len(s) for s in sounds])
    np.save(target / "sound-00.npy", np.concatenate(sounds))
    np.savez_compressed(
        target / "labels.npz",
        first=np.concatenate([[0], np.cumsum(lengths)[:-1]]),
        length=lengths,
        weight=lengths / FRAME,
        unit=np.zeros(lengths.sum() // FRAME, np.uint8),
        aligned=np.zeros(len(lengths), bool),
        phones=np.concatenate([np.array(e["phones"], np.uint8) for e in entries]),
        phone_count=np.array([len(e["phones"]) for e in entries]),
        speaker=np.array(
            ["kokoro-" + "+".join(n for n, _ in e["voice"]["timbre"]) for e in entries]
        ),
    )
    table = "".join(f"{e['kind']}\t{e['text']}\n" for e in entries)
    (target / "texts.tsv").write_text(table, encoding="utf-8")


def speak_plan(
    plan: Path,
    network: Path,
    folder: Path,
    *,
    seconds: float,
    workers: int | None = None,
    device: str = "cuda",
) -> list[Path]:
    """Say as much of a plan as ``seconds`` of wall time allow; the packs that were made."""
    began, count = time.time(), workers or os.cpu_count() or 1
    jobs = [(n, count, plan, network, folder, began + seconds, device) for n in range(count)]
    with get_context("spawn").Pool(count) as pool:
        made: Iterable[float] = pool.map(_speak_some, jobs, chunksize=1)
    total = sum(made)
    say(f"{total / 3600:.2f} hours of sound in {time.time() - began:.0f} s")
    return sorted(folder.glob("part-*"))


def main() -> None:
    """Write a plan, or say it."""
    parser = argparse.ArgumentParser(
        prog="python -m models.recipe.natural", description="Natural voices in quantity."
    )
    steps = parser.add_subparsers(dest="step", required=True)
    plan = steps.add_parser("plan", help="draw what is said, by whom and how")
    plan.add_argument("--styles", type=Path, required=True, help="folder voices of kokoro-js")
    plan.add_argument("--clips", type=int, default=26_000)
    plan.add_argument("--seed", default="leg4")
    plan.add_argument("--dev", action="store_true", help="calls by voices held out of training")
    speak = steps.add_parser("speak", help="say it on an accelerator")
    speak.add_argument("--network", type=Path, required=True, help="Kokoro's .onnx file")
    speak.add_argument("--folder", type=Path, required=True, help="where the packs go")
    speak.add_argument("--seconds", type=float, default=260.0)
    speak.add_argument("--workers", type=int)
    speak.add_argument("--device", default="cuda")
    for step in (plan, speak):
        step.add_argument("--plan", type=Path, required=True, help="plan.jsonl.gz")
    given = parser.parse_args()
    if given.step == "plan":
        write_plan(given.plan, given.styles, given.clips, seed=given.seed, dev=given.dev)
    else:
        speak_plan(
            given.plan, given.network, given.folder,
            seconds=given.seconds, workers=given.workers, device=given.device,
        )  # fmt: skip


if __name__ == "__main__":
    main()
