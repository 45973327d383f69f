"""Step 1: let the made voices speak. Resumable: a shard that is there is not made again."""

import random
import time
from pathlib import Path

from models.recipe.progress import say
from models.recipe.store import write_shard
from models.recipe.voices import VOICES

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
