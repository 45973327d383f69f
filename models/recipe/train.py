"""Step 4: train the network. The same command on a CPU (slow) or an accelerator.

Two stages: cross-entropy against the alignment, then the chain objective with cross-entropy beside
it. A checkpoint is written every thousand steps, and a run that was cut off goes on from it.
"""

import pickle
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np

from models.recipe.augment import draw_pieces, make_batch, window_samples
from models.recipe.network import Shape, new_params, run
from models.recipe.objective import cross_entropy, denominator, numerator, unit_trigram
from models.recipe.pack import read_pack
from models.recipe.progress import say

OUTPUTS_A_ROW = 90
CHAIN_FROM = 0.35  # share of the steps after which the chain objective joins in
OUTPUT_PENALTY = 5e-4


def _loss(
    params: Any,
    stats: Any,
    batch: Any,
    key: Any,
    norm: Any,
    trigram: Any,
    *,
    shape: Shape,
    chain: bool,
) -> Any:
    x = (batch["features"] - norm[0]) / norm[1]
    outputs, stats = run(params, stats, x, shape, key=key, dropout=0.1)
    entropy, right = cross_entropy(outputs["entropy"], batch["targets"], 0.05)
    loss, gain = entropy, jnp.zeros(())
    if chain:
        scores = outputs["chain"]
        above = numerator(scores, batch["units"], batch["begins"], batch["ends"], trigram)
        below = denominator(scores, trigram)
        usable = batch["sure"] & (above > -1e20)
        per_step = jnp.where(usable, above - below, 0.0) / scores.shape[1]
        gain = per_step.sum() / jnp.maximum(usable.sum(), 1)
        loss = -gain + OUTPUT_PENALTY * (scores**2).mean() + 0.3 * entropy
    return loss, (stats, entropy, right, gain)


def _adam(params: Any, first: Any, second: Any, grads: Any, rate: Any, number: Any) -> Any:
    norm = jnp.sqrt(sum((g**2).sum() for g in jax.tree.leaves(grads)))
    scale = jnp.minimum(1.0, 2.0 / (norm + 1e-9))
    scale = jnp.where(jnp.isfinite(norm), scale, 0.0)
    grads = jax.tree.map(lambda g: jnp.where(jnp.isfinite(g), g, 0.0) * scale, grads)
    first = jax.tree.map(lambda m, g: 0.9 * m + 0.1 * g, first, grads)
    second = jax.tree.map(lambda v, g: 0.99 * v + 0.01 * g * g, second, grads)
    bias1, bias2 = 1.0 - 0.9**number, 1.0 - 0.99**number
    params = jax.tree.map(
        lambda p, m, v: p - rate * (m / bias1 / (jnp.sqrt(v / bias2) + 1e-6) + 1e-4 * p),
        params,
        first,
        second,
    )
    return params, first, second


def train(
    pack: Path,
    target: Path,
    *,
    steps: int,
    rows: int = 128,
    shape: Shape | None = None,
    seed: int = 1,
    peak_rate: float = 1.5e-3,
    start: Path | None = None,
    most_s: float = 1e9,
    outputs: int = OUTPUTS_A_ROW,
) -> None:
    """Train on a pack and write ``target`` (pickle of plain arrays); prints progress.

    A ``target`` that is there is a run that was cut off: it goes on at its step (the optimiser's
    memory is lost, which a hundred steps mend). start: weights to begin with. most_s: stop early
    after so many seconds, weights written. outputs: steps of 30 ms in a window.
    """
    shape = shape or Shape()
    store, labels = read_pack(pack)
    began = time.monotonic()
    rng = np.random.default_rng(seed)
    key = jax.random.PRNGKey(seed)
    if not len(store.clips):
        raise ValueError(f"{pack}: no clip of the pack is aligned; look at the step before.")
    data = tuple(jnp.asarray(a) for a in (store.sound, store.unit, store.segment, store.noise))
    samples = window_samples(shape, outputs)
    maker = jax.jit(partial(make_batch, shape=shape, outputs=outputs))
    # Trigram of units from the labels, quiet of any length being one unit.
    sequences = []
    for first, length, good in zip(
        labels["first"], labels["length"], labels["aligned"], strict=True
    ):
        if good:
            row = labels["unit"][first // 160 : (first + length) // 160].astype(np.int64)
            row = np.concatenate([[0], row, [0]])
            sequences.append(row[np.concatenate([[True], row[1:] != row[:-1]])])
    trigram = jnp.asarray(unit_trigram(sequences))
    # Mean and deviation of the features, from a few batches.
    seen = [
        np.asarray(
            maker(
                jax.random.fold_in(key, 10_000_000 + n),
                *data,
                draw_pieces(store, rng, rows, samples),
            )["features"]
        ).reshape(-1, 40)
        for n in range(4)
    ]
    everything = np.concatenate(seen)
    norm = (jnp.asarray(everything.mean(0)), jnp.asarray(everything.std(0)))
    params, stats = new_params(key, shape)
    first_step = 0
    begin = target if target.exists() else start
    if begin is not None:
        loaded = pickle.loads(begin.read_bytes())  # noqa: S301 - our own file
        if begin == target:
            first_step = int(loaded["step"])
            say(f"{target.name}: goes on at step {first_step}")
        params = jax.tree.map(lambda a: jnp.asarray(a, jnp.float32), loaded["params"])
        stats, norm = (
            jax.tree.map(jnp.asarray, loaded["stats"]),
            tuple(map(jnp.asarray, loaded["norm"])),
        )
    first, second = jax.tree.map(jnp.zeros_like, params), jax.tree.map(jnp.zeros_like, params)

    @partial(jax.jit, static_argnames=("chain",), donate_argnums=(0, 1, 2, 3))
    def step(
        params: Any,
        first: Any,
        second: Any,
        stats: Any,
        data: Any,  # as an argument: as constants in the program they make it slow to compile
        pieces: Any,
        key: Any,
        rate: Any,
        number: Any,
        *,
        chain: bool,
    ) -> Any:
        batch = make_batch(key, *data, pieces, shape=shape, outputs=outputs)
        (_, (stats, *told)), grads = jax.value_and_grad(_loss, has_aux=True)(
            params,
            stats,
            batch,
            jax.random.fold_in(key, 7),
            norm,
            trigram,
            shape=shape,
            chain=chain,
        )
        params, first, second = _adam(params, first, second, grads, rate, number)
        return params, first, second, stats, jnp.stack(told)

    told: list[Any] = []
    chain_from = 0.0 if start is not None else CHAIN_FROM
    number = first_step - 1
    for number in range(first_step, steps):
        spent = (time.monotonic() - began) / most_s
        done = max(number / steps, spent)
        if done >= 1.0:
            break
        rate = peak_rate * min(1.0, (number - first_step + 1) / 200) * (0.02**done)
        pieces = draw_pieces(store, rng, rows, samples)
        params, first, second, stats, t = step(
            params,
            first,
            second,
            stats,
            data,
            pieces,
            jax.random.fold_in(key, number),
            rate,
            number - first_step + 1.0,
            chain=done >= chain_from,
        )
        told.append(t)
        if number % 100 == 99 or number in (0, 4):
            e, r, g = np.mean(np.asarray(told[-100:]), 0)
            say(
                f"step {number + 1} of {steps}: entropy {e:.3f}, right {r:.3f}, "
                f"chain {g:.4f}, rate {rate:.1e}, "
                f"{time.monotonic() - began:.0f} s"
            )
        if number % 1000 == 999:
            _write(target, number + 1, params, stats, norm, trigram, shape)
    _write(target, number + 1, params, stats, norm, trigram, shape)
    say(
        f"trained {number + 1} steps in {time.monotonic() - began:.0f} s "
        f"on {jax.devices()[0].device_kind}"
    )


def average(parts: Sequence[Path], target: Path) -> None:
    """Write the mean of several weights of one shape, which must come from the same beginning.

    Such a mean is often better than each part (Wortsman et al., Model soups, ICML 2022). Unit costs
    and normalisation are those of the last part. Raises ValueError where the shapes differ.
    """
    loaded = [pickle.loads(part.read_bytes()) for part in parts]  # noqa: S301 - our own files
    if any(weights["shape"] != loaded[0]["shape"] for weights in loaded):
        raise ValueError(f"{[p.name for p in parts]}: networks of different shapes.")

    def mean(*arrays: Any) -> Any:
        return np.mean([np.asarray(a, np.float32) for a in arrays], 0)

    mixed = dict(loaded[-1])
    mixed["stats"] = jax.tree.map(mean, *(weights["stats"] for weights in loaded))
    params = jax.tree.map(mean, *(weights["params"] for weights in loaded))
    mixed["params"] = jax.tree.map(lambda a: a.astype(np.float16), params)
    target.write_bytes(pickle.dumps(mixed))


def _write(
    target: Path, step: int, params: Any, stats: Any, norm: Any, trigram: Any, shape: Shape
) -> None:
    host = jax.tree.map(np.asarray, {"stats": stats, "norm": list(norm), "trigram": trigram})
    host["params"] = jax.tree.map(lambda a: np.asarray(a, np.float16), params)  # half the way home
    host["shape"] = (shape.width, shape.dilations)
    host["step"] = step
    fresh = target.with_suffix(".part")
    fresh.write_bytes(pickle.dumps(host))
    fresh.rename(target)
