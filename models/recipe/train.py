"""Step 4: train the network. The same command on a CPU (slow) or an accelerator.

Two stages: cross-entropy against the alignment, then the chain objective with cross-entropy beside
it. A checkpoint is written every few minutes, and a run that was cut off goes on from it.
"""

import pickle
import time
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
) -> None:
    """Train on a pack and write ``target`` (pickle of plain arrays); prints progress.

    start: weights to begin with. most_s: stop early after so many seconds, weights written.
    """
    shape = shape or Shape()
    store, labels = read_pack(pack)
    began = time.monotonic()
    rng = np.random.default_rng(seed)
    key = jax.random.PRNGKey(seed)
    sounds, unit, segment, noises = (
        jnp.asarray(a) for a in (store.sound, store.unit, store.segment, store.noise)
    )
    samples = window_samples(shape, OUTPUTS_A_ROW)
    maker = jax.jit(partial(make_batch, shape=shape, outputs=OUTPUTS_A_ROW))
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
                sounds,
                unit,
                segment,
                noises,
                draw_pieces(store, rng, rows, samples),
            )["features"]
        ).reshape(-1, 40)
        for n in range(4)
    ]
    everything = np.concatenate(seen)
    norm = (jnp.asarray(everything.mean(0)), jnp.asarray(everything.std(0)))
    params, stats = new_params(key, shape)
    if start is not None:
        loaded = pickle.loads(start.read_bytes())  # noqa: S301 - our own file
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
        pieces: Any,
        key: Any,
        rate: Any,
        number: Any,
        *,
        chain: bool,
    ) -> Any:
        batch = make_batch(
            key, sounds, unit, segment, noises, pieces, shape=shape, outputs=OUTPUTS_A_ROW
        )
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
    number = 0
    for number in range(steps):
        spent = (time.monotonic() - began) / most_s
        done = max(number / steps, spent)
        if done >= 1.0:
            break
        rate = peak_rate * min(1.0, (number + 1) / 200) * (0.02**done)
        pieces = draw_pieces(store, rng, rows, samples)
        params, first, second, stats, t = step(
            params,
            first,
            second,
            stats,
            pieces,
            jax.random.fold_in(key, number),
            rate,
            number + 1.0,
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
            _write(target, params, stats, norm, trigram, shape)
    _write(target, params, stats, norm, trigram, shape)
    say(
        f"trained {number + 1} steps in {time.monotonic() - began:.0f} s "
        f"on {jax.devices()[0].device_kind}"
    )


def _write(target: Path, params: Any, stats: Any, norm: Any, trigram: Any, shape: Shape) -> None:
    host = jax.tree.map(np.asarray, {"stats": stats, "norm": list(norm), "trigram": trigram})
    host["params"] = jax.tree.map(lambda a: np.asarray(a, np.float16), params)  # half the way home
    host["shape"] = (shape.width, shape.dilations)
    fresh = target.with_suffix(".part")
    fresh.write_bytes(pickle.dumps(host))
    fresh.rename(target)
