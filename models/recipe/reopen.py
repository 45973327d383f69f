"""A shipped network opened again for another leg of training.

The file that ships has every normalisation folded in and 8 bits a weight. Here its layers are read
back, and the normalisations are set to what the training data gives, with the weights after them
changed so that the network says the same as before. The head for single frames, which does not
ship, begins as a copy of the one that does.
"""

import pickle
import re
from functools import partial
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
from numpy.typing import NDArray

from models.recipe.augment import draw_pieces, make_batch, window_samples
from models.recipe.kaldi import expanded
from models.recipe.network import Shape, _spliced
from models.recipe.pack import read_pack
from models.recipe.progress import say

EPSILON = 1e-3


def read_layers(model: Path) -> list[tuple[NDArray[np.float32], NDArray[np.float32]]]:
    """(weight [out, in], bias [out]) of each affine layer of an ``am/final.mdl`` of ours."""
    data = (model / "am" / "final.mdl").read_bytes()
    layers = []
    for found in re.finditer(rb"<LinearParams> ", data):
        at = found.end()
        if data[at : at + 3] != b"CM ":
            raise ValueError(f"{model}: weights that are not of 8 bits.")
        at += 3
        rows, columns = (int(n) for n in np.frombuffer(data, "<i4", 2, at + 8))
        weight = expanded(data[at : at + 16 + 8 * columns + rows * columns])
        bias_at = data.index(b"<BiasParams> FV ", at) + len(b"<BiasParams> FV ")
        count = int(np.frombuffer(data, "<i4", 1, bias_at + 1)[0])
        layers.append((weight, np.frombuffer(data, "<f4", count, bias_at + 5).copy()))
    return layers


def reopen(model: Path, pack: Path, target: Path, *, rows: int = 96, batches: int = 6) -> None:
    """Write ``target``, weights as ``train`` starts from, that say the same as ``model``."""
    layers, shape = read_layers(model), Shape()
    store, labels = read_pack(pack)
    if not len(store.clips):  # nothing is aligned yet: any window will do for its statistics
        from models.recipe.pack import make_store

        everything = np.ones(len(labels["first"]), bool)
        store = make_store(store.sound, store.noise, labels, everything)
    rng, key = np.random.default_rng(5), jax.random.PRNGKey(5)
    data = tuple(jnp.asarray(a) for a in (store.sound, store.unit, store.segment, store.noise))
    outputs = 60
    maker = jax.jit(partial(make_batch, shape=shape, outputs=outputs))
    samples = window_samples(shape, outputs)
    x = jnp.concatenate(
        [
            maker(jax.random.fold_in(key, n), *data, draw_pieces(store, rng, rows, samples))[
                "features"
            ]
            for n in range(batches)
        ]
    )
    mean, deviation = x.mean((0, 1)), x.std((0, 1))
    norm = [np.asarray(mean), np.asarray(deviation)]
    x, params, stats = (x - mean) / deviation, {"layers": [], "heads": {}}, {"layers": []}
    for number, (weight, bias) in enumerate(layers):
        repeats = weight.shape[1] // len(mean)
        wide, shift = jnp.tile(deviation, repeats), jnp.tile(mean, repeats)
        layer = {"weight": (weight * wide).T, "bias": bias + weight @ shift}
        if number == len(layers) - 1:
            params["heads"] = {"entropy": layer, "chain": layer}
            break
        x = jax.nn.relu(_spliced(x, number, shape) @ layer["weight"] + layer["bias"])
        mean, variance = x.mean((0, 1)), x.var((0, 1))
        deviation = jnp.sqrt(variance + EPSILON)
        x = (x - mean) / deviation
        params["layers"].append(layer)
        stats["layers"].append({"mean": mean, "variance": variance})
    host: dict[str, Any] = jax.tree.map(np.asarray, {"params": params, "stats": stats})
    host["params"] = jax.tree.map(lambda a: np.asarray(a, np.float16), host["params"])
    host |= {"norm": norm, "trigram": None, "shape": (shape.width, shape.dilations), "step": 0}
    target.write_bytes(pickle.dumps(host))
    say(f"{target.name}: {len(layers)} layers opened again")
