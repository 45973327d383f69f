"""Intervals of shares and means, held against scipy."""

from statistics import mean

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from assistant.history.tally import Tally, change, pooled

FEW = st.lists(st.integers(0, 12), min_size=4, max_size=40)


def of(values: list[int]) -> Tally:
    return Tally(len(values), sum(values), sum(value * value for value in values))


@given(st.integers(1, 500), st.data())
def test_a_share_has_the_interval_of_wilson(n: int, data: st.DataObject) -> None:
    k = data.draw(st.integers(0, n))
    theirs = stats.binomtest(k, n).proportion_ci(method="wilson")
    assert Tally(n, k).interval == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@given(FEW)
def test_a_mean_has_the_interval_of_student(values: list[int]) -> None:
    tally = of(values)
    assert tally.value == pytest.approx(mean(values))
    sem = stats.sem(values)
    found = tally.interval
    assert found is not None
    if sem == 0:
        assert found == pytest.approx((mean(values), mean(values)))
        return
    theirs = stats.t.interval(0.95, len(values) - 1, loc=mean(values), scale=sem)
    half = (theirs[1] - theirs[0]) / 2
    assert found == pytest.approx(tuple(theirs), abs=0.01 * half + 1e-6)


def test_of_three_rings_no_interval_of_a_mean_is_told() -> None:
    assert of([1, 2, 3]).interval is None


@given(FEW, FEW)
def test_pooling_is_counting_all_at_once(one: list[int], other: list[int]) -> None:
    assert pooled([of(one), of(other)]) == of(one + other)


@pytest.mark.parametrize(
    ("tallies", "words"),
    [
        ([Tally(100, 40), Tally(100, 5)], "clearly lower in the later half"),
        ([Tally(100, 5), Tally(100, 40)], "clearly higher in the later half"),
        ([Tally(3, 0), Tally(3, 3)], "no clear change"),
        ([of([1, 2]), of([9, 9])], "too few to tell a change"),
        ([Tally(9, 1)], ""),
    ],
)
def test_a_change_is_told_only_where_the_counts_can_bear_it(
    tallies: list[Tally], words: str
) -> None:
    assert change(tallies) == words
