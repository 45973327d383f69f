"""Windows and bores against public manuals; the published slip must not fit."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.fitting.targets import Window, per_bore_window, sheet_window, smallest_bore_nm
from assistant.units import Unit, from_called, parse_length

HALF_THOU = Unit.INCH.half_nm
HALF_HUNDREDTH = Unit.METRIC.half_nm


def inch(text: str) -> int:
    return parse_length(text, Unit.INCH)


def thou(text: str) -> int:
    return from_called(Decimal(text), Unit.INCH)


def test_rule_of_thumb_gives_ten_thou_on_two_and_a_half_inches() -> None:
    # Small Gas Engines (Goodheart-Willcox, 2012), ch. 19 p. 360: 0.004 in per inch of cylinder.
    window = per_bore_window(Decimal("0.004"), 0, bore_nm=inch("2.5"), half_nm=HALF_THOU)
    assert window.least_nm == inch("0.010")


@pytest.mark.parametrize(
    ("factor", "gap"), [("0.002", "0.008"), ("0.003", "0.012"), ("0.017", "0.068")]
)
def test_gap_per_inch_of_diameter_by_ring_material(factor: str, gap: str) -> None:
    # Bloch & Hoefner, Reciprocating Compressors, Table 4-4 p. 272 (iron, bronze, PTFE), 4 in bore.
    window = per_bore_window(Decimal(factor), 0, bore_nm=inch("4"), half_nm=HALF_THOU)
    assert window.least_nm == inch(gap)


def test_least_is_rounded_up_and_keeps_the_whole_tolerance() -> None:
    # 0.0045 x 3.2755 = 0.01473975 in (exact product): the next half thou above is 15.
    window = per_bore_window(
        Decimal("0.0045"), thou("1.5"), bore_nm=inch("3.2755"), half_nm=HALF_THOU
    )
    assert window == Window(thou("15"), thou("16.5"), thou("15.5"))


def test_metric_window_is_on_the_half_hundredth() -> None:
    window = per_bore_window(Decimal("0.0045"), 40_000, bore_nm=83_200_000, half_nm=HALF_HUNDREDTH)
    # 0.0045 x 83.2 = 0.3744 mm exactly.
    assert (window.least_nm, window.most_nm) == (375_000, 415_000)


@pytest.mark.parametrize(
    ("least", "most"),
    [
        ("0.016", "0.026"),  # TM 9-2320-366-34-4 Table 20-7, first ring
        ("0.028", "0.038"),  # same, second ring: larger than the first, and legitimate
        ("0.0118", "0.0226"),  # TM 9-2320-289-34 p. 3-42
        ("0.020", "0.030"),  # TM 9-2815-205-24 WP 0095-11
    ],
)
def test_sheet_limits_are_used_as_they_stand(least: str, most: str) -> None:
    window = sheet_window(inch(least), inch(most), half_nm=HALF_THOU)
    assert (window.least_nm, window.most_nm) == (inch(least), inch(most))
    assert window.least_nm <= window.target_nm <= inch(most)


def test_published_gap_per_bore_ratios_lie_in_the_allowed_factors() -> None:
    # TM 9-2320-366-34-4: 0.016 in at 4.134 in is 0.0039 in/in, 0.038 at 4.1348 is 0.0092.
    for gap, bore in (("0.016", "4.134"), ("0.038", "4.1348")):
        factor = (Decimal(gap) / Decimal(bore)).quantize(Decimal("0.0001"))
        window = per_bore_window(factor, 0, bore_nm=inch(bore), half_nm=HALF_THOU)
        assert abs(window.least_nm - inch(gap)) <= 2 * HALF_THOU


def test_smallest_measured_bore_counts_over_the_nominal() -> None:
    # NAVEDTRA 14076 ch. 3: two places because of taper; the gap is smallest where the bore is.
    assert smallest_bore_nm(83_000_000, (83_040_000, 83_020_000)) == 83_020_000
    assert smallest_bore_nm(83_000_000) == 83_000_000


@given(
    bore_nm=st.integers(20_000_000, 600_000_000),
    ten_thousandths=st.integers(10, 200),
    over=st.integers(0, 40),
    metric=st.booleans(),
)
def test_per_bore_window_is_on_the_grid_and_never_below_the_rule(
    bore_nm: int, ten_thousandths: int, over: int, metric: bool
) -> None:
    half_nm = HALF_HUNDREDTH if metric else HALF_THOU
    factor = Decimal(ten_thousandths) / 10_000
    window = per_bore_window(factor, over * half_nm, bore_nm=bore_nm, half_nm=half_nm)
    assert window.least_nm % half_nm == window.target_nm % half_nm == 0
    assert 0 <= window.least_nm - factor * bore_nm < half_nm
    assert window.most_nm == window.least_nm + over * half_nm
    assert window.holds(window.target_nm)
