"""Step 5: find the sounds again with our own network, which is surer than the first aligner.

Viterbi over the words' units in turn, with quiet allowed before, between and after words. Scores
are the network's chances of a unit every 10 ms (three passes, each a frame later).
"""

import pickle
import time
from functools import partial
from pathlib import Path
from typing import Any

import jax
import jax.numpy as jnp
import numpy as np
from numpy.typing import NDArray

from models.recipe.features import FRAME, SHIFT, mfcc
from models.recipe.network import Shape, run
from models.recipe.pack import BOUNDARY, read_pack
from models.recipe.progress import say

LEAST_FRAMES = 3  # of a unit, 10 ms each
BUCKET_FRAMES = 200
ROWS = 48
_NEVER = -1e30


def states_of(phones: NDArray[np.uint8]) -> tuple[list[int], list[bool], list[bool]]:
    """(unit, may stay, may be left out) of each state of one clip's chain of sounds."""
    unit, stay, skip = [0], [True], [True]
    for phone in phones.tolist():
        if phone == BOUNDARY:
            unit, stay, skip = [*unit, 0], [*stay, True], [*skip, True]
        else:
            unit += [phone] * LEAST_FRAMES
            stay += [False] * (LEAST_FRAMES - 1) + [True]
            skip += [False] * LEAST_FRAMES
    return [*unit, 0], [*stay, True], [*skip, True]


@jax.jit
def best_paths(
    scores: jax.Array,
    lengths: jax.Array,
    unit: jax.Array,
    stay: jax.Array,
    skip: jax.Array,
    counts: jax.Array,
) -> tuple[jax.Array, jax.Array]:
    """States of the best path [B, T] and its mean score [B].

    scores [B, T, U] log chances; lengths [B] frames; unit, stay, skip [B, K]; counts [B] states.
    """
    rows, states = unit.shape
    emit = jnp.take_along_axis(
        scores, jnp.broadcast_to(unit[:, None], (rows, scores.shape[1], states)), 2
    )
    number = jnp.arange(states)[None]
    begin = (number == 0) | ((number == 1) & skip[:, :1])
    pad = jnp.full((rows, 2), _NEVER)
    skipped = jnp.concatenate([jnp.zeros((rows, 1), bool), skip[:, :-1]], 1)

    def forward(alpha, frame):  # type: ignore[no-untyped-def]
        score, t = frame
        wide = jnp.concatenate([pad, alpha], 1)
        options = jnp.stack(
            [
                jnp.where(stay, alpha, _NEVER),
                wide[:, 1:-1],
                jnp.where(skipped, wide[:, :-2], _NEVER),
            ]
        )
        back = options.argmax(0).astype(jnp.int8)
        fresh = options.max(0) + score
        live = (t < lengths)[:, None]
        return jnp.where(live, fresh, alpha), jnp.where(live, back, 0)

    start = jnp.where(begin, emit[:, 0], _NEVER)
    alpha, backs = jax.lax.scan(
        forward, start, (emit[:, 1:].transpose(1, 0, 2), jnp.arange(1, scores.shape[1]))
    )
    row = jnp.arange(rows)
    last, before = alpha[row, counts - 1], alpha[row, counts - 2]
    end = jnp.where(last >= before, counts - 1, counts - 2)

    def backward(state, back):  # type: ignore[no-untyped-def]
        return state - back[row, state], state

    first, path = jax.lax.scan(backward, end, backs, reverse=True)
    return jnp.concatenate([first[None], path]).T, jnp.maximum(last, before) / lengths


@partial(jax.jit, static_argnames=("shape", "head"))
def _unit_scores(
    params: Any, stats: Any, norm: Any, sound: jax.Array, *, shape: Shape, head: str
) -> jax.Array:
    """[B, T, U] log chance of each unit every 10 ms."""
    x = (mfcc(sound) - norm[0]) / norm[1]
    reach = shape.first_frame
    x = jnp.pad(x, ((0, 0), (reach, reach + 6), (0, 0)), mode="edge")
    shifted = []
    for shift in range(3):
        outputs, _ = run(params, stats, x[:, shift:], shape)
        log_chance = jax.nn.log_softmax(outputs[head])
        shifted.append(jnp.logaddexp(log_chance[..., 0::2], log_chance[..., 1::2]))
    count = min(s.shape[1] for s in shifted)
    return jnp.stack([s[:, :count] for s in shifted], 2).reshape(x.shape[0], 3 * count, -1)


def realign(pack: Path, weights: Path, target: Path, *, least_score: float = -1.2) -> None:
    """Write ``target``, a labels.npz like the pack's, with the new units of every clip of the pack.

    Clips whose mean log chance a frame is under ``least_score`` count as not aligned.
    """
    began = time.monotonic()
    loaded = pickle.loads(weights.read_bytes())  # noqa: S301 - our own file
    loaded["params"] = jax.tree.map(lambda a: jnp.asarray(a, jnp.float32), loaded["params"])
    shape = Shape(loaded["shape"][0], tuple(loaded["shape"][1]))
    store, labels = read_pack(pack)
    frames = (labels["length"] // SHIFT).astype(int)
    phone_ends = np.cumsum(labels["phone_count"])
    unit, score = np.zeros_like(labels["unit"]), np.full(len(frames), _NEVER)
    order = np.argsort(frames, kind="stable")
    for at in range(0, len(order), ROWS):
        chosen = order[at : at + ROWS]
        longest = -(-int(frames[chosen].max()) // BUCKET_FRAMES) * BUCKET_FRAMES
        sound = np.zeros((ROWS, (longest - 1) * SHIFT + FRAME), np.float32)
        chains = []
        for row, clip in enumerate(chosen):
            first, length = int(labels["first"][clip]), int(labels["length"][clip])
            sound[row, FRAME // 2 - SHIFT // 2 :][:length] = store.sound[first : first + length]
            chains.append(
                states_of(
                    labels["phones"][
                        phone_ends[clip] - labels["phone_count"][clip] : phone_ends[clip]
                    ]
                )
            )
        while len(chains) < ROWS:
            chains.append(chains[0])
        width = -(-max(len(c[0]) for c in chains) // 64) * 64
        table = np.zeros((3, ROWS, width), np.int32)
        for row, chain in enumerate(chains):
            for part in range(3):
                table[part, row, : len(chain[0])] = chain[part]
        counts = np.array([len(c[0]) for c in chains])
        lengths = np.ones(ROWS, int)
        lengths[: len(chosen)] = frames[chosen]
        sound += np.random.default_rng(at).standard_normal(sound.shape, np.float32) * 3.0
        scores = _unit_scores(
            loaded["params"], loaded["stats"], loaded["norm"], sound, shape=shape, head="entropy"
        )[:, :longest]
        path, mean = best_paths(
            scores,
            jnp.asarray(lengths),
            jnp.asarray(table[0]),
            jnp.asarray(table[1] > 0),
            jnp.asarray(table[2] > 0),
            jnp.asarray(counts),
        )
        path, mean = np.asarray(path), np.asarray(mean)
        for row, clip in enumerate(chosen):
            begin = int(labels["first"][clip]) // SHIFT
            unit[begin : begin + frames[clip]] = table[0, row, path[row, : frames[clip]]]
            score[clip] = mean[row]
    good = score > least_score
    np.savez_compressed(target, **{**labels, "unit": unit, "aligned": good, "score": score})
    say(
        f"realigned {good.sum()} of {len(good)} clips in {time.monotonic() - began:.0f} s; "
        f"mean score by tenths {np.quantile(score, np.linspace(0, 1, 11)).round(2)}"
    )
    old_clips = np.repeat(labels["aligned"], frames)
    same = np.mean(labels["unit"][old_clips] == unit[old_clips])
    say(f"same unit as before in {same:.3f} of the frames")
