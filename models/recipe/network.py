"""The network: a time-delay network with one output for the first 30 ms frame of each unit and one
for every further frame. Plain JAX, so that the same code runs on a CPU and on an accelerator.
"""

from dataclasses import dataclass
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
from numpy.typing import NDArray

from models.recipe.align import UNITS
from models.recipe.features import CEPSTRA

OUTPUTS = 2 * len(UNITS)
SUBSAMPLING = 3
Params = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Shape:
    """Width of the hidden layers; dilation of each after the subsampling, in steps of 30 ms."""

    width: int = 512
    dilations: tuple[int, ...] = (1, 1, 1, 1, 2, 2, 2)

    @property
    def reach(self) -> int:
        """Output steps of 30 ms that are lost on either side."""
        return sum(self.dilations)

    def frames_for(self, outputs: int) -> int:
        """10 ms frames that give so many outputs."""
        return SUBSAMPLING * (outputs - 1 + 2 * self.reach) + 7

    @property
    def first_frame(self) -> int:
        """10 ms frame in whose middle the first output lies."""
        return 3 + SUBSAMPLING * self.reach

    @property
    def offsets(self) -> tuple[tuple[int, ...], ...]:
        """Frame offsets (10 ms) that each hidden layer looks at."""
        later = tuple((-SUBSAMPLING * d, 0, SUBSAMPLING * d) for d in self.dilations)
        return ((-2, -1, 0, 1, 2), (-1, 0, 1), *later)


def new_params(key: jax.Array, shape: Shape) -> tuple[Params, Params]:
    """(trained weights, running statistics of the normalisation)."""
    params: Params = {"layers": [], "heads": {}}
    stats: Params = {"layers": []}
    inputs = CEPSTRA
    for number, offsets in enumerate(shape.offsets):
        scale = np.sqrt(2.0 / (inputs * len(offsets)))
        weight = scale * jax.random.normal(
            jax.random.fold_in(key, number), (inputs * len(offsets), shape.width)
        )
        params["layers"].append({"weight": weight, "bias": jnp.zeros(shape.width)})
        stats["layers"].append({"mean": jnp.zeros(shape.width), "variance": jnp.ones(shape.width)})
        inputs = shape.width
    for number, head in enumerate(("entropy", "chain")):
        weight = (
            0.1
            * jax.random.normal(jax.random.fold_in(key, 100 + number), (inputs, OUTPUTS))
            / np.sqrt(inputs)
        )
        params["heads"][head] = {"weight": weight, "bias": jnp.zeros(OUTPUTS)}
    return params, stats


def _spliced(x: jax.Array, number: int, shape: Shape) -> jax.Array:
    steps = x.shape[1]
    if number == 0:
        return jnp.concatenate([x[:, i : steps - 4 + i] for i in range(5)], -1)
    if number == 1:
        count = (steps - 3) // SUBSAMPLING + 1
        return jnp.concatenate(
            [x[:, i : i + SUBSAMPLING * (count - 1) + 1 : SUBSAMPLING] for i in range(3)], -1
        )
    d = shape.dilations[number - 2]
    return jnp.concatenate([x[:, i : steps - 2 * d + i] for i in (0, d, 2 * d)], -1)


def run(
    params: Params,
    stats: Params,
    x: jax.Array,
    shape: Shape,
    *,
    key: jax.Array | None = None,
    dropout: float = 0.0,
) -> tuple[dict[str, jax.Array], Params]:
    """Normalised features [B, T, 40] -> outputs of each head [B, steps, OUTPUTS], new statistics.

    With a ``key`` it runs as in training: batch statistics, and dropout that holds for a whole row.
    """
    fresh: Params = {"layers": []}
    for number, layer in enumerate(params["layers"]):
        x = jax.nn.relu(_spliced(x, number, shape) @ layer["weight"] + layer["bias"])
        old = stats["layers"][number]
        if key is not None:
            mean, variance = x.mean((0, 1)), x.var((0, 1))
            fresh["layers"].append(
                {
                    "mean": 0.98 * old["mean"] + 0.02 * mean,
                    "variance": 0.98 * old["variance"] + 0.02 * variance,
                }
            )
        else:
            mean, variance = old["mean"], old["variance"]
        x = (x - mean) * jax.lax.rsqrt(variance + 1e-3)
        if key is not None and dropout and number:
            keep = jax.random.bernoulli(
                jax.random.fold_in(key, number), 1.0 - dropout, (x.shape[0], 1, x.shape[2])
            )
            x = x * keep / (1.0 - dropout)
    outputs = {name: x @ head["weight"] + head["bias"] for name, head in params["heads"].items()}
    return outputs, (fresh if key is not None else stats)


def folded(
    params: Params,
    stats: Params,
    mean: NDArray[np.float32],
    deviation: NDArray[np.float32],
    head: str,
) -> list[tuple[NDArray[np.float32], NDArray[np.float32]]]:
    """(weight [out, in], bias [out]) of each layer with every normalisation folded in."""
    scale, shift = 1.0 / deviation, -mean / deviation
    result = []
    layers = [*params["layers"], params["heads"][head]]
    for number, layer in enumerate(layers):
        weight, bias = (
            np.asarray(layer["weight"], np.float64).T,
            np.asarray(layer["bias"], np.float64),
        )
        repeats = weight.shape[1] // len(scale)
        result.append(
            (
                (weight * np.tile(scale, repeats)).astype(np.float32),
                (bias + weight @ np.tile(shift, repeats)).astype(np.float32),
            )
        )
        if number < len(stats["layers"]):
            norm = stats["layers"][number]
            scale = 1.0 / np.sqrt(np.asarray(norm["variance"], np.float64) + 1e-3)
            shift = -np.asarray(norm["mean"], np.float64) * scale
    return result
