"""Combining normal estimates against books."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.fitting.learning import combine


def test_product_of_gaussians_of_filterpy() -> None:
    # filterpy stats.mul docstring: (1, 2) x (3, 4), mean and variance.
    assert combine(1, 2, 3, 4) == pytest.approx((1.6666666666666667, 1.3333333333333333))


def test_age_of_the_ennerdale_granophyre() -> None:
    # Lee, Bayesian Statistics: An Introduction, sec. 2.2 (from memory): 370(20) and 421(8).
    mean, variance = combine(370, 20**2, 421, 8**2)
    assert mean == pytest.approx(413.97, abs=0.005)
    assert variance == pytest.approx(55.17, abs=0.005)


def test_ten_steps_of_the_constant_state_filter() -> None:
    # Building height, sigma 5, start 60 (225): data from a stored copy, results from memory.
    data = (48.54, 47.11, 55.01, 55.15, 49.89, 40.85, 46.72, 50.05, 51.27, 49.95)
    book = (49.69, 48.47, 50.57, 51.68, 51.33, 49.62, 49.21, 49.31, 49.53, 49.57)
    mean, variance = 60.0, 225.0
    for measured, expected in zip(data, book, strict=True):
        mean, variance = combine(mean, variance, measured, 25.0)
        assert mean == pytest.approx(expected, abs=0.006)
    assert variance == pytest.approx(2.47, abs=0.005)


@given(st.floats(-9, 9), st.floats(0.1, 9), st.floats(-9, 9), st.floats(0.1, 9))
def test_order_does_not_matter_and_both_sharpen(a: float, va: float, b: float, vb: float) -> None:
    mean, variance = combine(a, va, b, vb)
    assert combine(b, vb, a, va) == pytest.approx((mean, variance), abs=1e-9)
    assert variance < min(va, vb)
    assert min(a, b) - 1e-9 <= mean <= max(a, b) + 1e-9


def test_no_variance_is_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        combine(1, 0, 2, 1)
