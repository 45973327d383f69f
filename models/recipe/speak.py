"""Step 1: let the made voices speak. Resumable: a shard that is there is not made again."""

import gzip
import json
import os
import random
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from models.recipe.progress import say
from models.recipe.store import write_shard
from models.recipe.voices import KOKORO_ACCENTS, VOICES, kokoro_say, kokoro_style, kokoro_tokens

SHARD_CLIPS = 150


def speak_shard(
    folder: Path, voice: str, number: int, *, held_out: bool = False, clips: int = SHARD_CLIPS
) -> None:
    """Make one shard of one kind of voice in ``folder``, if it is not there; says so."""
    from models.recipe.texts import Texts

    name = f"{voice}{'-dev' if held_out else ''}-{number:03d}"
    if (folder / f"{name}.flac").exists():
        return
    began, rng, texts = time.monotonic(), random.Random(f"voice {name}"), Texts(f"text {name}")  # noqa: S311
    shares = {"bench": 1.0, "words": 0.0, "numbers": 0.0} if held_out else {}
    made = []
    for kind, text in texts.many(clips, **shares):
        said = VOICES[voice](text, rng, held_out=held_out)
        if len(said.samples) > 1600:
            made.append((said.samples, said.voice, kind, text))
    write_shard(folder, name, made)
    seconds = sum(len(m[0]) for m in made) / 16_000
    say(f"{name}: {len(made)} clips, {seconds / 60:.1f} min, took {time.monotonic() - began:.0f} s")


# --- the same on a machine of many cores that has neither espeak-ng nor our word lists ------------

PLAN_SHARD_CLIPS = 10


def plan_kokoro(path: Path, clips: int, *, seed: str = "plan") -> None:
    """Write texts, tokens and style seeds for ``clips`` Kokoro utterances as gzipped JSON lines."""
    from models.recipe.texts import Texts

    rng, texts = random.Random(f"plan {seed}"), Texts(f"plan text {seed}")  # noqa: S311
    with gzip.open(path, "wt", encoding="utf-8") as file:
        for kind, text in texts.many(clips):
            entry = {
                "kind": kind,
                "text": text,
                "style": rng.getrandbits(32),
                "speed": round(rng.uniform(0.8, 1.25), 3),
                "tokens": kokoro_tokens(text, rng.choice(KOKORO_ACCENTS)),
            }
            file.write(json.dumps(entry) + "\n")


def _speak_part(part: tuple[int, list[dict[str, Any]]], folder: Path, stop_at: float) -> float:
    """Make one shard of a plan; seconds of sound made, 0 if there was no time left."""
    number, entries = part
    if time.time() > stop_at:
        return 0.0
    made = []
    for entry in entries:
        name, weights, disturbance = kokoro_style(random.Random(entry["style"]), held_out=False)  # noqa: S311
        samples = kokoro_say(entry["tokens"], weights, disturbance, entry["speed"])
        made.append((samples, name, entry["kind"], entry["text"]))
    write_shard(folder, f"kokoro-plan-{number:04d}", made, small=True)
    return sum(len(m[0]) for m in made) / 16_000


def speak_plan(plan: Path, folder: Path, *, seconds: float, workers: int | None = None) -> None:
    """Speak as much of a plan as ``seconds`` of wall time allow, on all cores."""
    began = time.time()
    with gzip.open(plan, "rt", encoding="utf-8") as file:
        entries = [json.loads(line) for line in file]
    parts = [
        (i, entries[i * PLAN_SHARD_CLIPS : (i + 1) * PLAN_SHARD_CLIPS])
        for i in range(len(entries) // PLAN_SHARD_CLIPS)
    ]
    with ProcessPoolExecutor(workers or os.cpu_count()) as pool:
        work = partial(_speak_part, folder=folder, stop_at=began + seconds)
        lengths = list(pool.map(work, parts))
    say(
        f"{sum(1 for s in lengths if s)} shards, {sum(lengths) / 60:.1f} min of sound, "
        f"took {time.time() - began:.0f} s"
    )
