"""Lengths: exact, in and out, against published rows and pint."""

from decimal import Decimal

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.errors import LengthError
from assistant.units import (
    NM_PER_INCH,
    NM_PER_THOU,
    Unit,
    floor_to,
    from_called,
    parse_length,
    round_to,
    show_bore,
    show_gap,
    show_span,
    to_called,
    to_file,
)

INCH, METRIC = Unit


def test_an_inch_is_25_4_mm_and_a_thou_is_0_0254_mm_exactly() -> None:
    # NIST SP 811 (2008), App. B.8, "inch" and "mil (0.001 in)", printed bold = exact.
    assert to_file(parse_length("1", INCH), METRIC) == Decimal("25.4")
    assert to_file(parse_length("0.001", INCH), METRIC) == Decimal("0.0254")


def test_thou_agrees_with_pint() -> None:
    # hgrecco/pint, default_en.txt: thou = 1e-3 inch. Its "mil" is an angle and is never used.
    units = pint.UnitRegistry()
    assert units("1 thou").to("nanometer").magnitude == pytest.approx(NM_PER_THOU, rel=1e-12)
    assert units("1 inch").to("nanometer").magnitude == pytest.approx(NM_PER_INCH, rel=1e-12)


@pytest.mark.parametrize(
    ("inch", "mm"),
    [
        # TM 5-1940-277-34 p. 3-25, printed to 0.001 mm.
        ("0.016", "0.406"), ("0.031", "0.787"), ("0.012", "0.305"), ("0.029", "0.737"),
        ("0.0027", "0.069"), ("0.0042", "0.107"),
        # TM 9-2815-247-34 p. 0069 00-8.
        ("0.0400", "1.016"), ("0.0500", "1.27"), ("0.0300", "0.762"), ("0.0200", "0.508"),
    ],
)  # fmt: skip
def test_rows_that_manuals_print_in_both_units_agree(inch: str, mm: str) -> None:
    assert abs(parse_length(inch, INCH) - parse_length(mm, METRIC)) <= 500


@pytest.mark.parametrize("half", range(121))
def test_every_half_thou_and_half_hundredth_is_a_whole_number_of_nanometres(half: int) -> None:
    called = Decimal(half) / 2
    for unit in Unit:
        assert from_called(called, unit) == half * unit.half_nm
        assert to_called(half * unit.half_nm, unit) == called


@given(st.integers(1, 10**7), st.sampled_from(list(Unit)))
def test_a_bore_of_six_digits_after_the_point_is_shown_with_all_of_them(
    step: int, unit: Unit
) -> None:
    # 5 millionths of an inch are 127 nm; a millionth of a millimetre is 1 nm.
    length_nm = step * (127 if unit is INCH else 1)
    text, _, symbol = show_bore(length_nm, unit).partition(" ")
    assert symbol == unit.file_symbol
    assert parse_length(text, unit) == length_nm


@pytest.mark.parametrize(
    ("text", "unit", "length_nm"),
    [
        ("0.0155", INCH, 393_700),
        (" 3.2755 ", INCH, 83_197_700),
        ("0.395", METRIC, 395_000),
        ("83.20", METRIC, 83_200_000),
        ("1e-3", METRIC, 1_000),
    ],
)
def test_a_typed_length_is_read_exactly(text: str, unit: Unit, length_nm: int) -> None:
    assert parse_length(text, unit) == length_nm


@pytest.mark.parametrize(
    ("text", "unit", "reason"),
    [
        ("fifteen", INCH, r"'fifteen' is not a length: .* like 0\.0155\."),
        ("", METRIC, r"'' is not a length: .* like 0\.395\."),
        ("nan", METRIC, "'nan' is not a length: write a plain number"),
        ("inf", INCH, "'inf' is not a length"),
        ("0.0000001", METRIC, "0.0000001 mm is finer than a nanometre"),
    ],
)
def test_what_is_no_length_is_refused_with_the_value(text: str, unit: Unit, reason: str) -> None:
    with pytest.raises(LengthError, match=reason):
        parse_length(text, unit)


@pytest.mark.parametrize(
    ("length_nm", "unit", "shown"),
    [
        (393_700, INCH, "15.5 thou"),
        (381_000, INCH, "15 thou"),
        (254_000, INCH, "10 thou"),
        (0, INCH, "0 thou"),
        (395_000, METRIC, "0.395 mm"),
        (400_000, METRIC, "0.400 mm"),
    ],
)
def test_a_gap_is_shown_as_called(length_nm: int, unit: Unit, shown: str) -> None:
    assert show_gap(length_nm, unit) == shown


def test_a_span_shows_its_unit_once() -> None:
    assert show_span(381_000, 419_100, INCH) == "15 to 16.5 thou"
    assert show_span(380_000, 420_000, METRIC) == "0.380 to 0.420 mm"


@given(st.integers(-(10**7), 10**7), st.integers(1, 50_000))
def test_rounding_is_to_the_nearest_step_and_floor_never_up(length_nm: int, step_nm: int) -> None:
    nearest, below = round_to(length_nm, step_nm), floor_to(length_nm, step_nm)
    assert nearest % step_nm == below % step_nm == 0
    assert 2 * abs(nearest - length_nm) <= step_nm
    assert below <= length_nm < below + step_nm
    assert round_to(-length_nm, step_nm) == -nearest


@pytest.mark.parametrize("text", ["1e999999", "0.01234567890123456789", "-1e7", "NaN", "inf"])
def test_a_number_beyond_all_benches_is_no_length(text: str) -> None:
    with pytest.raises(LengthError, match="is not a length"):
        parse_length(text, Unit.INCH)
