"""Optional human recordings: a folder of NAME.opus and NAME.tsv (start_s, end_s, speaker, words).

Adds a few pronunciations that the dictionary lacks and marks which clips are held out.
"""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from assistant.ear.utterance import SAMPLE_RATE_HZ
from models.recipe.store import Clip

PRONUNCIATIONS = {
    "alexa": "AH L EH K S AH",
    "snowboy": "S N OW B OY",
    "athena": "AH TH IY N AH",
    "hadouken": "HH AH D UW K EH N",
    "dracarys": "D R AH K AA R IH S",
    "chatterbox": "CH AE T ER B AA K S",
    "fenrir": "F EH N R IH R",
    "jarvis": "JH AA R V IH S",
    "viewglass": "V Y UW G L AE S",
    "americano": "AH M EH R IH K AA N OW",
    "mocha": "M OW K AH",
    "latte": "L AA T EY",
    "cappuccino": "K AE P AH CH IY N OW",
    "sweetener": "S W IY T AH N ER",
    "espresso": "EH S P R EH S OW",
    "goodnight": "G UH D N AY T",
    "archie": "AA R CH IY",
    "sheila": "SH IY L AH",
    "marvin": "M AA R V IH N",
    "amelia": "AH M IY L Y AH",
}
HELD_OUT_SHARE = 0.12


def _held_out(speaker: str, position: float) -> bool:
    """By speaker where speakers are known, else the last stretch of the file."""
    if speaker != "unlabelled":
        return int(hashlib.sha256(speaker.encode()).hexdigest(), 16) % 1000 < 1000 * HELD_OUT_SHARE
    return position > 1.0 - HELD_OUT_SHARE


def human_clips(folder: Path, set_name: str) -> list[tuple[Clip, bool]]:
    """Clips of one set, each with whether it is held out."""
    lines = (folder / f"{set_name}.tsv").read_text(encoding="utf-8").splitlines()[1:]
    rows = [line.split("\t") for line in lines]
    end_s = float(rows[-1][1])
    clips = []
    for start, end, speaker, words in rows:
        clip = Clip(
            set_name,
            int(float(start) * SAMPLE_RATE_HZ),
            int(float(end) * SAMPLE_RATE_HZ),
            f"human-{set_name}-{speaker}",
            "human",
            tuple(words.lower().split()),
        )
        clips.append((clip, _held_out(speaker, float(start) / end_s)))
    return clips


def human_sets(folder: Path) -> Iterator[str]:
    """Names of the sets in a folder of human recordings."""
    for path in sorted(folder.glob("*.opus")):
        yield path.stem


def human_sound(folder: Path, set_name: str) -> NDArray[np.int16]:
    """The whole sound of a set, int16 at 16 kHz."""
    samples, rate = soundfile.read(folder / f"{set_name}.opus", dtype="int16")
    if rate != SAMPLE_RATE_HZ:
        raise ValueError(f"{set_name}: {rate} Hz, want {SAMPLE_RATE_HZ} Hz.")
    return np.asarray(samples, np.int16)
