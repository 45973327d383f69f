"""The normal distribution held against scipy.special, and a handbook table."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import entr, ndtr, ndtri

from assistant.fitting.normal import (
    chance_below,
    chance_below_quick,
    entropy_terms,
    quantile,
)

FINITE = st.floats(min_value=-37.0, max_value=40.0)


@given(st.lists(FINITE, min_size=1, max_size=50))
def test_chances_are_those_of_scipy(values: list[float]) -> None:
    x = np.array(values)
    assert np.allclose(chance_below(x), ndtr(x), rtol=2e-13, atol=1e-300)


def test_the_seams_between_the_approximations_are_smooth() -> None:
    seams = np.array([0.46875, 4.0, 27.3]) * np.sqrt(2)
    x = np.concatenate([seams, -seams, np.nextafter(seams, 99), np.nextafter(-seams, -99)])
    assert np.allclose(chance_below(x), ndtr(x), rtol=2e-13, atol=1e-300)


def test_odd_values() -> None:
    chances = chance_below(np.array([np.inf, -np.inf, 0.0, -0.0, np.nan]))
    assert chances[:4].tolist() == [1.0, 0.0, 0.5, 0.5]
    assert np.isnan(chances[4])
    assert chance_below(np.zeros((2, 3))).shape == (2, 3)


# Tail areas of the standard normal distribution as every statistics handbook tables them, for
# instance NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 (values from memory).
@pytest.mark.parametrize(
    ("x", "chance"), [(1.0, 0.84134), (1.645, 0.95002), (1.96, 0.97500), (3.0, 0.99865)]
)
def test_chances_are_those_of_the_table(x: float, chance: float) -> None:
    assert float(chance_below(x)) == pytest.approx(chance, abs=6e-6)


@given(st.floats(min_value=1e-12, max_value=1 - 1e-12))
def test_quantiles_are_those_of_scipy(chance: float) -> None:
    assert quantile(chance) == pytest.approx(float(ndtri(chance)), rel=1e-12, abs=1e-12)


@given(st.lists(st.floats(min_value=0.0, max_value=1.0), min_size=1, max_size=50))
def test_entropy_is_that_of_scipy(chances: list[float]) -> None:
    p = np.array(chances)
    assert np.allclose(entropy_terms(p), entr(p), rtol=1e-13, atol=0)


@given(st.lists(st.floats(min_value=-9.0, max_value=40.0), min_size=1, max_size=50))
def test_quick_chances_are_near_those_of_scipy(values: list[float]) -> None:
    x = np.array(values)
    assert np.allclose(chance_below_quick(x), ndtr(x), rtol=1e-3, atol=0)
    assert np.allclose(chance_below_quick(x), ndtr(x), rtol=0, atol=5e-7)


def test_quick_chances_far_out_stay_chances() -> None:
    x = np.array([-np.inf, -50.0, -10.0, 10.0, 50.0, np.inf])
    chances = chance_below_quick(x)
    assert np.all((chances[:3] >= 0) & (chances[:3] < 1e-22))
    assert chances[3:].tolist() == [1.0, 1.0, 1.0]
