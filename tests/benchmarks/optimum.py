"""The optimum of a dynamic programme over belief states: the yardstick for ``next_cut``.

State: (s, m) after a measurement. s = standard deviation of the believed gap, m = most allowed
minus its mean, thou. A cut f changes the gap by f + N(0, cut_sd^2 + (rate_sd f)^2); the measurement
after it has a spread of read_sd; belief and measurement are normal, so the next state follows from
the normal-normal update. Cost: 1 a pass, ``spoil_cost`` for passing the most allowed; a cut may not
pass it with more than ``risk``. Instead of cutting one may measure again at ``measure_cost``. A
ring is done when it is inside with ``confidence``. Solved by value iteration, all states at once.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

_SDS = np.array([0.10, 0.14, 0.18, 0.22, 0.27, 0.33, 0.42, 0.55, 0.75])
_M_STEP = 0.1
_WORST = 20.0


@dataclass(frozen=True)
class Problem:
    """What is to be solved; lengths thou."""

    width: float
    step: float = 0.5
    largest: float = 10.0
    cut_sd: float = 0.25
    rate_sd: float = 0.0
    read_sd: float = 0.25
    offset_sd: float = 0.1
    risk: float = 0.001
    confidence: float = 0.95
    spoil_cost: float = 300.0
    measure_cost: float = 0.1


@dataclass(frozen=True)
class Solution:
    """What to do, by [s, m] on the grids ``sds`` and ``ms``.

    feeds: best feed, thou, if a cut is to be made; 0 where none is allowed or the ring is done.
    measure: True where measuring again is better than that. values: passes to come.
    """

    problem: Problem
    ms: Floats
    feeds: Floats
    measure: NDArray[np.bool_]
    values: Floats
    sds: Floats = field(default_factory=lambda: _SDS)

    def best(self, m: float, s: float) -> tuple[float, bool]:
        """Best feed, thou, and whether to measure again first, for the nearest state."""
        row = int(np.abs(self.sds - s).argmin())
        column = int(np.clip(round((m - self.ms[0]) / _M_STEP), 0, len(self.ms) - 1))
        return float(self.feeds[row, column]), bool(self.measure[row, column])


def solve(problem: Problem) -> Solution:
    """Value iteration to a change of less than 1e-4 passes."""
    ms = np.arange(-2.0, 18.0 + _M_STEP / 2, _M_STEP)
    feeds = np.concatenate(([0.0], np.arange(problem.step, problem.largest + 1e-9, problem.step)))
    shape = (len(_SDS), len(ms))
    over_now = 1 - ndtr(ms / _SDS[:, None])
    below_now = ndtr((ms - problem.width) / _SDS[:, None])
    done = (1 - over_now - below_now >= problem.confidence) | (over_now > 0.5)
    moves, costs, lows, shares = [], [], [], []
    for s in _SDS:
        for f in feeds:
            # The offset of feel is in s, but a measurement does not reduce it.
            own = max(s**2 - problem.offset_sd**2, 1e-4)
            prior = own + (problem.cut_sd**2 + (problem.rate_sd * f) ** 2 if f > 0 else 0.0)
            post = 1 / (1 / prior + 1 / problem.read_sd**2)
            told = np.sqrt(prior - post)
            s_next = np.sqrt(post + problem.offset_sd**2)
            low = int(np.clip(np.searchsorted(_SDS, s_next) - 1, 0, len(_SDS) - 2))
            lows.append(low)
            shares.append(np.clip((s_next - _SDS[low]) / (_SDS[low + 1] - _SDS[low]), 0, 1))
            move = np.exp(-0.5 * ((ms[None, :] - (ms[:, None] - f)) / told) ** 2)
            total = move.sum(axis=1, keepdims=True)
            moves.append(np.where(total > 1e-12, move / np.maximum(total, 1e-12), 0.0))
            over = 1 - ndtr((ms - f) / np.sqrt(prior + problem.offset_sd**2))
            cost = np.where(over > problem.risk, np.inf, 1 + problem.spoil_cost * over)
            costs.append(cost if f > 0 else np.full_like(ms, problem.measure_cost))
    cost = np.array(costs).reshape(len(_SDS), len(feeds), len(ms))
    all_moves = np.array(moves)
    low, share = np.array(lows), np.array(shares)[:, None]
    values = np.zeros(shape)
    while True:
        ahead = (1 - share) * values[low] + share * values[low + 1]
        after = np.einsum("ijk,ik->ij", all_moves, ahead, optimize=True).reshape(cost.shape)
        choices = cost + after
        best = choices.min(axis=1)
        new = np.where(done, 0.0, np.minimum(best, _WORST))
        change = float(np.abs(new - values).max())
        values = new
        if change < 1e-4:
            break
    cuts = choices[:, 1:]
    none = done | ~np.isfinite(cuts.min(axis=1))
    chosen = np.where(none, 0.0, feeds[1:][cuts.argmin(axis=1)])
    return Solution(problem, ms, chosen, ~done & (choices.argmin(axis=1) == 0), values)
