"""Rings that came out too wide, over the bores that are still open."""

from itertools import permutations
from math import pi

import numpy as np
import pytest

from assistant.fitting.belief import believe
from assistant.fitting.placement import LooseRing, OpenBore, p_usable, place_all
from assistant.fitting.targets import Window
from tests.fitting.ring_calls import BENCH, THOU, WINDOW, almost, goes, normal_belief

BORE = 83_000_000
WIDE = believe((goes(17), almost(18)), BENCH, window=WINDOW)


def test_wide_ring_fits_a_smaller_bore() -> None:
    # The gap shrinks by pi for each unit of bore: 0.02 mm of bore are 2.5 thou of gap.
    ring = LooseRing("wide", BORE, WIDE)
    same = OpenBore("same", BORE, WINDOW)
    smaller = OpenBore("smaller", BORE - 20_000, WINDOW)
    larger = OpenBore("larger", BORE + 20_000, WINDOW)
    assert [p.bore for p in place_all([ring], [same, smaller, larger])] == ["smaller"]
    assert place_all([ring], [same, larger]) == []


def test_chance_follows_pi_times_the_bore() -> None:
    belief = normal_belief(16.5, 0.5)
    # One standard deviation of gap further in: Phi(1) = 0.8413 (normal tables).
    bore = OpenBore("b", BORE - round(0.5 * THOU / pi), WINDOW)
    assert p_usable(belief, BORE, bore) == pytest.approx(0.8413, abs=0.005)


def test_least_only_takes_any_ring() -> None:
    assert p_usable(WIDE, BORE, OpenBore("rail", BORE, Window(15 * THOU, None, 15 * THOU))) == 1.0


def test_assignment_is_the_best_of_all_pairings() -> None:
    rng = np.random.default_rng(5)
    for _ in range(5):
        rings = [
            LooseRing(f"r{n}", BORE, normal_belief(float(rng.uniform(15, 18)), 0.3))
            for n in range(4)
        ]
        bores = [OpenBore(f"b{n}", BORE - int(rng.integers(0, 15_000)), WINDOW) for n in range(4)]
        placed = place_all(rings, bores)
        best = max(
            sum(p_usable(r.belief, BORE, b) >= 0.95 for r, b in zip(rings, order, strict=True))  # type: ignore[arg-type]
            for order in permutations(bores)
        )
        assert len(placed) == best
        assert len({p.ring for p in placed}) == len({p.bore for p in placed}) == best
        assert all(p.p_usable >= 0.95 for p in placed)


def test_unmeasured_ring_and_empty_sets() -> None:
    bores = [OpenBore("b", BORE, WINDOW)]
    (placed,) = place_all([LooseRing("new", BORE, None)], bores)
    assert (placed.bore, placed.p_usable) == ("b", 1.0)
    assert place_all([], bores) == []
    assert place_all([LooseRing("new", BORE, None)], []) == []
