"""Which leaf tells most, stacks, and when enough is measured."""

from dataclasses import replace
from math import log2
from typing import Any

import numpy as np
import pytest

from assistant.fitting.belief import believe
from assistant.fitting.leaves import expected_bits
from assistant.fitting.removal import next_leaf
from assistant.fitting.targets import Window
from tests.fitting.ring_calls import (
    BENCH,
    THOU,
    WINDOW,
    almost,
    butts,
    goes,
    no_go,
    quiet_bench,
    shaped,
    snug,
)


def test_next_leaf_lies_between_what_goes_and_what_does_not() -> None:
    belief = believe((goes(6), no_go(12)), BENCH, window=WINDOW)
    leaf_nm = next_leaf(belief, WINDOW, BENCH).leaf_nm
    assert leaf_nm is not None
    assert 7 * THOU <= leaf_nm <= 11 * THOU


def test_enough_is_measured_when_the_window_surely_holds() -> None:
    belief = believe((goes(15), almost(16)), BENCH, window=WINDOW)
    assert next_leaf(belief, WINDOW, BENCH).leaf_nm is None


def test_a_ring_that_butts_is_tried_with_a_thin_leaf() -> None:
    leaf = next_leaf(believe((butts(),), BENCH, window=WINDOW), WINDOW, BENCH)
    assert leaf.leaf_nm is not None
    assert leaf.leaf_nm <= 4 * THOU


@pytest.mark.parametrize(
    ("calls", "tried"),
    [((), 15), ((no_go(22),), 15), ((goes(7),), 15), ((goes(15),), None), ((goes(16),), None)],
)
def test_of_a_least_only_the_leaf_that_decides_is_tried(calls: Any, tried: int | None) -> None:
    rail = Window(15 * THOU, None, 15 * THOU)
    leaf = next_leaf(believe(calls, BENCH, window=rail), rail, BENCH)
    assert leaf.leaf_nm == (None if tried is None else tried * THOU)


def test_a_least_that_is_no_leaf_is_stacked_or_the_next_thicker_leaf() -> None:
    rail = Window(15 * THOU, None, 15 * THOU)
    for thou, stack in (((4, 11, 20), (4, 11)), ((5, 16), (16,)), ((5, 6), (6,)), ((9,), (9,))):
        bench = replace(BENCH, leaves_nm=tuple(n * THOU for n in thou))
        leaf = next_leaf(believe((), bench, window=rail), rail, bench)
        assert leaf.stack == tuple(n * THOU for n in stack)


def test_two_leaves_are_stacked_where_the_set_has_none() -> None:
    # TM 1-1500-204-23-9 para. 3-17: two leaves whose thicknesses add.
    bench = replace(BENCH, leaves_nm=tuple(n * THOU for n in (4, 5, 6, 10, 20)))
    belief = believe((goes(14), no_go(17)), bench, window=WINDOW)
    leaf = next_leaf(belief, WINDOW, bench)
    assert len(leaf.stack) == 2
    assert leaf.leaf_nm == sum(leaf.stack)
    assert set(leaf.stack) <= set(bench.leaves_nm)


def test_bits_are_those_of_a_noiseless_question() -> None:
    # Gap even over eight thou, sharp feel, goes / no go only: the middle leaf tells one bit, the
    # quarter leaf -(1/4 log 1/4 + 3/4 log 3/4) = 0.811 (Shannon 1948).
    bench = replace(quiet_bench(only_goes=1.0, spread_nm=127.0))
    belief = shaped(lambda x: np.ones_like(x), 6 * THOU, 14 * THOU, bench=bench)
    middle, quarter = expected_bits(belief, [(10 * THOU,), (12 * THOU,)])
    assert middle == pytest.approx(1.0, abs=0.02)
    assert quarter == pytest.approx(-(0.25 * log2(0.25) + 0.75 * log2(0.75)), abs=0.02)


def test_measuring_ends_however_odd_the_calls() -> None:
    calls = (snug(14), no_go(16), goes(13), snug(15), almost(15), snug(14), goes(13), no_go(16))
    assert next_leaf(believe(calls, BENCH, window=WINDOW), WINDOW, BENCH).leaf_nm is None


def test_a_leaf_tried_twice_is_not_advised_a_third_time() -> None:
    belief = believe((snug(15), snug(15)), BENCH, window=WINDOW)
    assert next_leaf(belief, WINDOW, BENCH).leaf_nm != 15 * THOU
