"""The optimum of a dynamic programme over belief states: the yardstick for ``next_cut``.

State: (s, m) after measuring. s = standard deviation of the believed gap, m = most allowed minus
its mean, thou. A cut f changes the gap by f + N(0, cut_sd^2 + (rate_sd f)^2); what is measured
after it has a spread of read_sd; belief and measurement are normal, so the next state follows from
the normal-normal update. One may stop at any time. Cost: 1 a pass; for a ring that ends below the
least ``under_cost``, and as much again for each thou that it is short; ``over_cost`` the same
above the most, from a hair on; ``spoil_cost`` for the chance that a cut passes the most allowed; a
cut may not pass it a hair or more with more than ``risk``. So under and over have prices of their
own that grow with the excess, as in the product's aim. Solved by value iteration, all states at
once.

``under_cost`` says which trade is made: with 10 the optimum ends inside about as often as the
product does, so that their passes can be compared. Without the price of stopping an optimum looks
cheaper only because it leaves more rings undone.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

SDS = np.array([0.14, 0.17, 0.20, 0.23, 0.27, 0.33, 0.42, 0.55, 0.75])
_M_STEP = 0.05
HAIR = 0.25
"""Thou above the most that no leaf can tell: the limit counts what is more."""
_MOST_ROUNDS = 200


@dataclass(frozen=True)
class Problem:
    """What is to be solved; lengths thou. risk 1 = no limit but the price of spoiling."""

    width: float
    step: float = 0.5
    largest: float = 10.0
    cut_sd: float = 0.25
    rate_sd: float = 0.03
    read_sd: float = 0.23
    offset_sd: float = 0.1
    risk: float = 0.001
    under_cost: float = 10.0
    over_cost: float = 5.0
    spoil_cost: float = 300.0


@dataclass(frozen=True)
class Solution:
    """What to do, by [s, m] on the grids ``SDS`` and ``ms``.

    feeds: best feed, thou; 0 = stop. values: cost still to come.
    """

    problem: Problem
    ms: Floats
    feeds: Floats
    values: Floats

    def best(self, m: float, s: float) -> float:
        """Best feed, thou, for the nearest state; 0 = stop."""
        row = int(np.abs(SDS - s).argmin())
        column = int(np.clip(round((m - self.ms[0]) / _M_STEP), 0, len(self.ms) - 1))
        return float(self.feeds[row, column])


def solve(problem: Problem) -> Solution:
    """Value iteration to a change of less than 1e-4. Raises RuntimeError if it does not settle."""
    ms = np.arange(-2.0, 16.6, _M_STEP)
    feeds = np.concatenate(([0.0], np.arange(problem.step, problem.largest + 1e-9, problem.step)))
    shape = (len(SDS), len(feeds), len(ms))
    moves = np.zeros((*shape, len(ms)))
    costs = np.full(shape, np.inf)
    low = np.zeros(shape[:2], dtype=np.intp)
    share = np.zeros(shape[:2])
    over_now = 1 - ndtr(ms / SDS[:, None])
    for row, s in enumerate(SDS):
        # The offset of feel is in s, but no measurement reduces it.
        own = max(s**2 - problem.offset_sd**2, 1e-4)
        for column, feed in enumerate(feeds[1:], start=1):
            prior = own + problem.cut_sd**2 + (problem.rate_sd * feed) ** 2
            post = 1 / (1 / prior + 1 / problem.read_sd**2)
            s_next = np.sqrt(post + problem.offset_sd**2)
            place = int(np.clip(np.searchsorted(SDS, s_next) - 1, 0, len(SDS) - 2))
            low[row, column] = place
            share[row, column] = np.clip(
                (s_next - SDS[place]) / (SDS[place + 1] - SDS[place]), 0, 1
            )
            off = (ms[None, :] - (ms[:, None] - feed)) / np.sqrt(prior - post)
            move = np.exp(-0.5 * off**2)
            moves[row, column] = move / np.maximum(move.sum(axis=1, keepdims=True), 1e-300)
            over = 1 - ndtr((ms - feed) / np.sqrt(prior + problem.offset_sd**2))
            price = 1 + problem.spoil_cost * np.maximum(over - over_now[row], 0.0)
            excess = 1 - ndtr((ms + HAIR - feed) / np.sqrt(prior + problem.offset_sd**2))
            forbidden = (excess > problem.risk) | (over > 10 * problem.risk)
            costs[row, column] = np.where(forbidden, np.inf, price)
    stop = problem.under_cost * _price(ms - problem.width) + problem.over_cost * _price(-ms - HAIR)
    values = stop
    for _ in range(_MOST_ROUNDS):
        ahead = (1 - share)[..., None] * values[low] + share[..., None] * values[low + 1]
        choices = costs + np.einsum("ijmk,ijk->ijm", moves, ahead, optimize=True)
        new = np.minimum(stop, choices.min(axis=1))
        change = float(np.abs(new - values).max())
        values = new
        if change < 1e-4:
            chosen = np.where(stop <= choices.min(axis=1), 0.0, feeds[choices.argmin(axis=1)])
            return Solution(problem, ms, chosen, values)
    raise RuntimeError(f"Value iteration still moves by {change:g} after {_MOST_ROUNDS} rounds.")


def _price(by: Floats) -> Floats:
    """Chance of being outside by ``by`` thou of the mean, plus the thou expected beyond that limit.

    The second is the loss function of the normal distribution, s (phi(z) + z Phi(z)), as in the
    newsvendor problem (textbooks of operations research, from memory).
    """
    z = by / SDS[:, None]
    density = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    return np.asarray(ndtr(z) + SDS[:, None] * (density + z * ndtr(z)), dtype=np.float64)
