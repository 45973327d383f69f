"""Chances in words: never surer than they are."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.bench.chances import told_risk, told_share


@pytest.mark.parametrize(
    ("chance", "told"),
    [(0.5, "5 in ten"), (0.69, "6 in ten"), (0.7, "7 in ten"), (0.949, "9 in ten")],
)
def test_a_share_is_told_in_tenths(chance: float, told: str) -> None:
    assert told_share(chance) == told


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (0.0, "less than 1 in a thousand"),
        (0.0009, "1 in a thousand"),
        (0.001, "1 in a thousand"),
        (0.0042, "5 in a thousand"),
        (0.01, "1 in a hundred"),
        (0.124, "13 in a hundred"),
        (1.0, "100 in a hundred"),
    ],
)
def test_a_risk_is_told_as_it_is_believed(chance: float, told: str) -> None:
    assert told_risk(chance) == told


def _number(told: str) -> float:
    count = float(re.findall(r"\d+", told)[0])
    return count / {"ten": 10, "hundred": 100, "thousand": 1000}[told.split()[-1]]


@given(st.floats(0.5, 1.0))
def test_a_share_is_never_told_higher_than_it_is(chance: float) -> None:
    assert chance - 0.1 < _number(told_share(chance)) <= chance + 1e-9


@given(st.floats(0.0, 1.0))
def test_a_risk_is_never_told_lower_than_it_is(chance: float) -> None:
    assert _number(told_risk(chance)) >= chance - 1e-9
