"""What training drives up: how much likelier the right sounds are than all other sounds.

Lattice-free maximum mutual information (Povey et al., Interspeech 2016) over single units: the
numerator sums over the paths near the known alignment, the denominator over all unit sequences,
weighed by a trigram of units. Each unit has a first frame and any number of further ones.
"""

import jax
import jax.numpy as jnp
import numpy as np
from numpy.typing import NDArray

from models.recipe.align import UNITS

N_UNITS = len(UNITS)
TOLERANCE = 2  # output steps of 30 ms by which a unit may leave its place
_NEVER = -1e30
_LOG_HALF = float(np.log(0.5))


def unit_trigram(sequences: list[NDArray[np.int64]]) -> NDArray[np.float32]:
    """[p, q, r] chance that unit r follows q when p came before q.

    Counts are blended with bigram and unigram counts, so that nothing is impossible.
    """
    counts = np.zeros((N_UNITS,) * 3)
    for units in sequences:
        np.add.at(counts, (units[:-2], units[1:-1], units[2:]), 1.0)
    two = counts.sum(0)
    one = two.sum(0)
    unigram = (one + 1.0) / (one + 1.0).sum()
    bigram = (two + 20.0 * unigram) / (two.sum(-1, keepdims=True) + 20.0)
    trigram = (counts + 10.0 * bigram) / (counts.sum(-1, keepdims=True) + 10.0)
    return trigram.astype(np.float32)


def denominator(outputs: jax.Array, trigram: jax.Array) -> jax.Array:
    """[B] log of the sum over all unit sequences; outputs [B, T, 2 * units]."""
    batch = outputs.shape[0]
    peak = jax.lax.stop_gradient(outputs.max(-1, keepdims=True))
    weights = jnp.exp(outputs - peak)
    first, further = weights[..., 0::2], weights[..., 1::2]

    def step(state, frame):  # type: ignore[no-untyped-def]
        alpha, total = state
        first_t, further_t = frame
        # alpha [B, 2, p, q]: whether in the first frame, unit before, unit now
        both = 0.5 * alpha.sum(1)
        entered = (
            jnp.einsum("bpq,pqr->bqr", both, trigram, precision="highest") * first_t[:, None, :]
        )
        stayed = both * further_t[:, None, :]
        alpha = jnp.stack([entered, stayed], 1)
        norm = alpha.sum((1, 2, 3), keepdims=True)
        return (alpha / norm, total + jnp.log(norm[:, 0, 0, 0])), None

    start = jnp.ones((batch, 2, N_UNITS, N_UNITS)) / (2 * N_UNITS * N_UNITS)
    frames = (first.transpose(1, 0, 2), further.transpose(1, 0, 2))
    (_, total), _ = jax.lax.scan(step, (start, jnp.zeros(batch)), frames)
    return total + peak.sum((1, 2))


def numerator(
    outputs: jax.Array, units: jax.Array, begins: jax.Array, ends: jax.Array, trigram: jax.Array
) -> jax.Array:
    """[B] log of the sum over the paths near the alignment.

    units, begins, ends: [B, K] unit and first/last output step of each segment; begins beyond the
    window mark padding. A path takes each segment in turn, none left out.
    """
    batch = units.shape[0]
    steps = outputs.shape[1]
    rows = jnp.arange(batch)[:, None]
    before = jnp.concatenate([units[:, :1], units[:, :-1]], 1)
    before2 = jnp.concatenate([before[:, :1], before[:, :-1]], 1)
    # The same unit probabilities as in the denominator, so that the two can be compared.
    enter = jnp.log(trigram[before2, before, units]) + _LOG_HALF
    enter = enter.at[:, 0].set(0.0)

    def step(alpha, frame):  # type: ignore[no-untyped-def]
        scores, t = frame
        allowed = (t >= begins - TOLERANCE) & (t <= ends + TOLERANCE)
        both = jnp.logaddexp(alpha[:, 0], alpha[:, 1])
        shifted = jnp.concatenate([jnp.full((batch, 1), _NEVER), both[:, :-1]], 1)
        entered = shifted + enter + scores[rows, 2 * units]
        stayed = both + _LOG_HALF + scores[rows, 2 * units + 1]
        return jnp.where(allowed[:, None], jnp.stack([entered, stayed], 1), _NEVER), None

    scores0 = outputs[:, 0]
    open0 = (begins - TOLERANCE <= 0) & (begins < steps)
    start = jnp.stack([scores0[rows, 2 * units], scores0[rows, 2 * units + 1]], 1)
    start = jnp.where(open0[:, None], start, _NEVER)
    alpha, _ = jax.lax.scan(step, start, (outputs[:, 1:].transpose(1, 0, 2), jnp.arange(1, steps)))
    last = (ends + TOLERANCE >= steps - 1) & (begins < steps)
    final = jnp.where(last[:, None], alpha, _NEVER)
    return jax.scipy.special.logsumexp(final, (1, 2))


def cross_entropy(
    outputs: jax.Array, targets: jax.Array, smoothing: float
) -> tuple[jax.Array, jax.Array]:
    """(mean loss, share right) of outputs [B, T, O] against targets [B, T]."""
    log_chance = jax.nn.log_softmax(outputs)
    right = jnp.take_along_axis(log_chance, targets[..., None], -1)[..., 0]
    loss = -(1.0 - smoothing) * right - smoothing * log_chance.mean(-1)
    return loss.mean(), (outputs.argmax(-1) == targets).mean()
