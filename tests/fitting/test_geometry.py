"""Geometry and heat against published values; published slips must not fit."""

from math import cos, pi, radians, sin, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ellipe

from assistant.errors import LengthError
from assistant.fitting import geometry
from assistant.units import NM_PER_INCH, NM_PER_MM


@given(long=st.floats(1, 100), share=st.floats(0.5, 1))
def test_ellipse_perimeter_against_ramanujans_second_formula(long: float, share: float) -> None:
    # DLMF 19.9.10 (formula from memory): a method without elliptic integrals. Its error is about
    # 3 h^5 / 2^17 of the perimeter, under 5e-10 for axes up to 2 to 1.
    short = share * long
    h = ((long - short) / (long + short)) ** 2
    ramanujan = pi * (long + short) * (1 + 3 * h / (10 + sqrt(4 - 3 * h)))
    assert geometry.ellipse_perimeter(long, short) == pytest.approx(ramanujan, rel=1e-9)
    assert geometry.ellipse_perimeter(short, long) == geometry.ellipse_perimeter(long, short)


@given(st.floats(min_value=1e-3, max_value=1e3), st.floats(min_value=0, max_value=1))
def test_ellipse_perimeter_against_the_integral_of_scipy(long: float, share: float) -> None:
    short = long * share
    exact = 4 * long * float(ellipe(1 - (short / long) ** 2))
    assert geometry.ellipse_perimeter(long, short) == pytest.approx(exact, rel=1e-13)


def test_an_ellipse_needs_axes() -> None:
    with pytest.raises(ValueError, match="no ellipse"):
        geometry.ellipse_perimeter(1.0, -0.1)


@pytest.mark.parametrize(
    ("degrees", "excess"), [(1, 0.00096), (2, 0.00383), (3, 0.00862), (5, 0.0240)]
)
def test_tilted_ring_reads_large(degrees: float, excess: float) -> None:
    # Analytic: plane cutting a cylinder of 4 in; values computed with scipy's elliptic integral.
    assert geometry.tilted_excess(4.0, degrees) == pytest.approx(excess, abs=6e-5)
    assert geometry.tilted_excess(4.0, degrees) == geometry.tilted_excess(4.0, -degrees)


def test_tilted_ring_against_arc_length_by_quadrature() -> None:
    radius, long = 2.0, 2.0 / cos(radians(4))
    length, _ = quad(lambda t: sqrt((long * sin(t)) ** 2 + (radius * cos(t)) ** 2), 0, 2 * pi)
    assert geometry.tilted_excess(4.0, 4.0) == pytest.approx(length - 4 * pi, rel=1e-6)


@given(bore=st.floats(0.8, 24), degrees=st.floats(0.1, 5))
def test_tilted_ring_against_its_series(bore: float, degrees: float) -> None:
    # Series of the perimeter (DLMF 19.5.2, from memory): pi D t^2 / 4 to second order in t, short
    # by less than t^2 of itself; t in radians.
    t = radians(degrees)
    small = pi * bore * t**2 / 4
    assert small * (1 - 1e-6) <= geometry.tilted_excess(bore, degrees) <= small * (1 + t**2)


def test_a_ring_that_lies_flat_is_no_tilted_ring() -> None:
    with pytest.raises(ValueError, match="-60 to 60"):
        geometry.tilted_excess(4.0, 61.0)


def test_ovality_at_the_same_mean_diameter_does_not_move_the_gap() -> None:
    # Analytic: 4.000 x 3.999 against pi times the mean diameter, 5e-8 apart.
    oval = geometry.ellipse_perimeter(2.0, 1.9995)
    assert oval == pytest.approx(12.564799867, abs=1e-9)
    assert 0 < oval - pi * 3.9995 < 1e-7


@pytest.mark.parametrize(
    ("length", "alpha", "rise", "growth", "tolerance"),
    [
        (1275.0, 12e-6, 55.0, 0.84, 0.005),  # OpenStax College Physics 2e, ex. 13.3: bridge, m
        (10_000.0, 12e-6, 35.0, 4.2, 0.005),  # same, sec. 13.2 rail gap, mm
        (1.4999, 1.7266e-5, 373.10 - 288.15, 0.0022, 2e-6),  # NIST TN 1900 E13: copper bar, m
    ],
)
def test_expansion_of_published_examples(
    length: float, alpha: float, rise: float, growth: float, tolerance: float
) -> None:
    assert geometry.expansion(length, alpha, rise) == pytest.approx(growth, abs=tolerance)


def test_steel_tape_costs_seventeen_thousand_dollars() -> None:
    # OpenStax College Physics 2e, sec. 13.2: 20 x 30 m at 60 000 $/m2, 20 K warmer tape.
    grown = [side + geometry.expansion(side, 12e-6, 20.0) for side in (20.0, 30.0)]
    area_lost = grown[0] * grown[1] - 600.0
    assert area_lost * 60_000 == pytest.approx(17_280, rel=1e-3)


def test_monument_answer_contradicts_its_own_table_and_does_not_fit() -> None:
    # OpenStax prints 169.98 m for 170 m cooled by 45 K; marble 7e-6 of its table gives 169.95.
    cooled = 170.0 + geometry.expansion(170.0, 7e-6, -45.0)
    assert cooled == pytest.approx(169.95, abs=0.005)
    assert abs(cooled - 169.98) > 0.02


def test_end_gauge_of_the_gum() -> None:
    # JCGM 100:2008 H.1 (through GTC and suncal copies): 50 000 838 nm, components 25, 9.7, 2.9,
    # 16.6 nm, combined 31.7 nm.
    standard_nm, difference_nm, alpha = 50_000_623.0, 215.0, 11.5e-6

    def length(d_alpha: float = 0.0, theta: float = -0.1, d_theta: float = 0.0) -> float:
        return (
            standard_nm
            + difference_nm
            - geometry.expansion(standard_nm, d_alpha, theta)
            - geometry.expansion(standard_nm, alpha, d_theta)
        )

    assert length() == pytest.approx(50_000_838, abs=0.5)
    by_alpha = abs(length(d_alpha=1e-6 / sqrt(3)) - length())
    by_theta = abs(length(d_theta=0.05 / sqrt(3)) - length())
    assert by_alpha == pytest.approx(2.9, abs=0.05)
    assert by_theta == pytest.approx(16.6, abs=0.05)
    assert sqrt(25**2 + 9.7**2 + by_alpha**2 + by_theta**2) == pytest.approx(31.7, abs=0.1)


@pytest.mark.parametrize(
    ("ring_alpha", "bore_alpha", "hot_in"),
    [(11.4e-6, 11.4e-6, 0.00887), (11.2e-6, 11.4e-6, 0.00932), (11.4e-6, 21.5e-6, 0.0254)],
)
def test_hot_gap_worked_by_hand(ring_alpha: float, bore_alpha: float, hot_in: float) -> None:
    # Identity pi D (1 + ab dTb) - (pi D - G)(1 + ar dTr); D = 4 in, G = 0.016 in, 180 and 130 K.
    hot_nm = geometry.hot_gap_nm(
        0.016 * 25.4e6,
        4 * 25.4e6,
        ring_alpha_per_k=ring_alpha,
        ring_c=200.0,
        bore_alpha_per_k=bore_alpha,
        bore_c=150.0,
    )
    assert hot_nm / 25.4e6 == pytest.approx(hot_in, abs=6e-6 if hot_in < 0.02 else 6e-5)


@given(
    gap_nm=st.floats(0, 2e6),
    bore_nm=st.floats(2e7, 5e8),
    alpha=st.floats(1e-6, 3e-5),
    rise=st.floats(-60, 400),
)
def test_same_material_and_same_rise_scale_the_gap(
    gap_nm: float, bore_nm: float, alpha: float, rise: float
) -> None:
    hot_nm = geometry.hot_gap_nm(
        gap_nm,
        bore_nm,
        ring_alpha_per_k=alpha,
        ring_c=20 + rise,
        bore_alpha_per_k=alpha,
        bore_c=20 + rise,
    )
    assert hot_nm == pytest.approx(gap_nm * (1 + alpha * rise), abs=1e-3)


def test_ring_temperature_that_butts_closes_the_gap() -> None:
    butts_c = geometry.butting_ring_c(
        400_000, 100e6, ring_alpha_per_k=11.4e-6, bore_alpha_per_k=11.4e-6, bore_c=150
    )
    left_nm = geometry.hot_gap_nm(
        400_000,
        100e6,
        ring_alpha_per_k=11.4e-6,
        ring_c=butts_c,
        bore_alpha_per_k=11.4e-6,
        bore_c=150,
    )
    assert left_nm == pytest.approx(0, abs=1e-3)
    assert 200 < butts_c < 300


def test_gap_grows_by_pi_times_the_bore() -> None:
    # TM 5-3825-225-14&P para. 1-26: 0.003 in of gap for 0.001 in of bore (pi rounded).
    assert round(geometry.bore_change_gap_nm(NM_PER_INCH / 1000) / NM_PER_INCH, 3) == 0.003


def test_manuals_undersize_ratio_is_a_slip_and_does_not_fit() -> None:
    # TM 5-3825-229-14&P 6-11c(3)(b) prints 0.0012 in -> 0.0031 in; pi x 0.0012 is 0.00377.
    gap_in = geometry.bore_change_gap_nm(0.0012 * NM_PER_INCH) / NM_PER_INCH
    assert abs(gap_in - 0.0031) > 0.0006
    # The printed pair comes from a bore rounded twice: pi x 0.001 in is 0.08 mm.
    assert round(geometry.bore_change_gap_nm(0.001 * NM_PER_INCH) / NM_PER_MM, 2) == 0.08


def test_gap_at_another_depth_and_over_the_travel() -> None:
    # A hundredth of a millimetre of bore is pi hundredths of gap.
    smaller = geometry.gap_at_other_bore_nm(400_000, measured_bore_nm=83e6, bore_nm=82.99e6)
    assert smaller == pytest.approx(400_000 - pi * 10_000)
    travel = geometry.taper_gap_nm(400_000, measured_bore_nm=83e6, bores_nm=(83.02e6, 82.99e6))
    assert travel == smaller


def test_every_material_has_a_plausible_alpha_and_a_source() -> None:
    assert len({entry.name for entry in geometry.MATERIALS}) == len(geometry.MATERIALS)
    for entry in geometry.MATERIALS:
        assert 8e-6 < entry.alpha_per_k < 30e-6
        assert entry.source
        assert geometry.material(entry.name) is entry
    with pytest.raises(ValueError, match="gray iron"):
        geometry.material("cheese")


def test_gap_that_does_not_fit_its_bore_is_refused() -> None:
    alphas = {"ring_alpha_per_k": 1e-5, "bore_alpha_per_k": 1e-5}
    with pytest.raises(LengthError, match="does not fit"):
        geometry.hot_gap_nm(-1, 1e8, ring_c=100, bore_c=100, **alphas)
    with pytest.raises(LengthError, match="finite"):
        geometry.hot_gap_nm(1, 1e8, ring_c=float("nan"), bore_c=100, **alphas)
