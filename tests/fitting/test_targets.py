"""Windows and bores against public manuals; the published slip must not fit."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.errors import LengthError
from assistant.fitting.targets import (
    Limits,
    PerBore,
    Window,
    bore_change_gap_nm,
    smallest_bore_nm,
    window_for,
)
from assistant.units import NM_PER_INCH, NM_PER_MM, Unit, from_called, parse_length

HALF_THOU = Unit.INCH.half_nm
HALF_HUNDREDTH = Unit.METRIC.half_nm


def inch(text: str) -> int:
    return parse_length(text, Unit.INCH)


def thou(text: str) -> int:
    return from_called(Decimal(text), Unit.INCH)


def test_rule_of_thumb_gives_ten_thou_on_two_and_a_half_inches() -> None:
    # Small Gas Engines (Goodheart-Willcox, 2012), ch. 19 p. 360: 0.004 in per inch of cylinder.
    window = window_for(PerBore(Decimal("0.004"), 0), bore_nm=inch("2.5"), half_nm=HALF_THOU)
    assert window.least_nm == inch("0.010")


@pytest.mark.parametrize(
    ("factor", "gap"), [("0.002", "0.008"), ("0.003", "0.012"), ("0.017", "0.068")]
)
def test_gap_per_inch_of_diameter_by_ring_material(factor: str, gap: str) -> None:
    # Bloch & Hoefner, Reciprocating Compressors, Table 4-4 p. 272 (iron, bronze, PTFE), 4 in bore.
    window = window_for(PerBore(Decimal(factor), 0), bore_nm=inch("4"), half_nm=HALF_THOU)
    assert window.least_nm == inch(gap)


def test_least_is_rounded_up_and_keeps_the_whole_tolerance() -> None:
    # 0.0045 x 3.2755 = 0.01473975 in (exact product): the next half thou above is 15.
    rule = PerBore(Decimal("0.0045"), thou("1.5"))
    window = window_for(rule, bore_nm=inch("3.2755"), half_nm=HALF_THOU)
    assert window == Window(thou("15"), thou("16.5"), thou("15.5"))


def test_metric_window_is_on_the_half_hundredth() -> None:
    rule = PerBore(Decimal("0.0045"), 40_000)
    window = window_for(rule, bore_nm=83_200_000, half_nm=HALF_HUNDREDTH)
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
    window = window_for(Limits(inch(least), inch(most)), bore_nm=inch("4.134"), half_nm=HALF_THOU)
    assert (window.least_nm, window.most_nm) == (inch(least), inch(most))
    assert window.least_nm <= window.target_nm <= inch(most)


def test_published_gap_per_bore_ratios_lie_in_the_allowed_factors() -> None:
    # TM 9-2320-366-34-4: 0.016 in at 4.134 in is 0.0039 in/in, 0.038 at 4.1348 is 0.0092.
    for gap, bore in (("0.016", "4.134"), ("0.038", "4.1348")):
        factor = (Decimal(gap) / Decimal(bore)).quantize(Decimal("0.0001"))
        window = window_for(PerBore(factor, 0), bore_nm=inch(bore), half_nm=HALF_THOU)
        assert abs(window.least_nm - inch(gap)) <= 2 * HALF_THOU


def test_gap_grows_by_pi_times_the_bore() -> None:
    # TM 5-3825-225-14&P para. 1-26: 0.003 in of gap for 0.001 in of bore (pi rounded).
    gap_nm = bore_change_gap_nm(inch("0.001"))
    assert gap_nm == 79_796
    assert round(Decimal(gap_nm) / NM_PER_INCH, 3) == Decimal("0.003")


def test_manuals_undersize_ratio_is_a_slip_and_does_not_fit() -> None:
    # TM 5-3825-229-14&P 6-11c(3)(b) prints 0.0012 in -> 0.0031 in; pi x 0.0012 is 0.00377.
    gap_nm = bore_change_gap_nm(inch("0.0012"))
    assert abs(gap_nm - inch("0.0031")) > inch("0.0006")
    # The printed pair comes from a bore rounded twice: pi x 0.001 in is 0.08 mm.
    assert round(bore_change_gap_nm(inch("0.001")) / NM_PER_MM, 2) == 0.08


def test_smallest_measured_bore_counts_over_the_nominal() -> None:
    # NAVEDTRA 14076 ch. 3: two places because of taper; the gap is smallest where the bore is.
    assert smallest_bore_nm(83_000_000, (83_040_000, 83_020_000)) == 83_020_000
    assert smallest_bore_nm(83_000_000) == 83_000_000


@pytest.mark.parametrize("bore_nm", [0, -1, 9_999_999, 900_000_000])
def test_impossible_bore_is_refused_with_what_is_allowed(bore_nm: int) -> None:
    with pytest.raises(LengthError, match="10 to 700 mm"):
        window_for(Limits(0, 1), bore_nm=bore_nm, half_nm=HALF_THOU)


def test_window_upside_down_is_refused() -> None:
    with pytest.raises(LengthError, match="swap them"):
        window_for(Limits(thou("16"), thou("15")), bore_nm=inch("3"), half_nm=HALF_THOU)


@pytest.mark.parametrize(
    "rule",
    [PerBore(Decimal("0.5"), 0), PerBore(Decimal("0.00001"), 0), PerBore(Decimal("0.004"), -1),
     Limits(-1, 5)],
)  # fmt: skip
def test_bad_rules_are_refused(rule: PerBore | Limits) -> None:
    with pytest.raises(LengthError):
        window_for(rule, bore_nm=inch("3"), half_nm=HALF_THOU)


@given(
    bore_nm=st.integers(10_000_000, 700_000_000),
    ten_thousandths=st.integers(5, 500),
    over=st.integers(0, 40),
    metric=st.booleans(),
)
def test_per_bore_window_is_on_the_grid_and_never_below_the_rule(
    bore_nm: int, ten_thousandths: int, over: int, metric: bool
) -> None:
    half_nm = HALF_HUNDREDTH if metric else HALF_THOU
    factor = Decimal(ten_thousandths) / 10_000
    window = window_for(PerBore(factor, over * half_nm), bore_nm=bore_nm, half_nm=half_nm)
    assert window.least_nm % half_nm == window.target_nm % half_nm == 0
    assert 0 <= window.least_nm - factor * bore_nm < half_nm
    assert window.width_nm == over * half_nm
    assert window.holds(window.target_nm)
