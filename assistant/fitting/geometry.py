"""Geometry and heat of a ring in its bore: circumference, taper, honing, tilt, hot gap.

Lengths are nm where the name says so; the pure shapes take any one unit of length. Temperatures
are degrees Celsius, differences kelvin, expansion coefficients 1/K.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, isfinite, pi, radians, sqrt

from assistant.errors import LengthError

REFERENCE_C = 20.0
"""Temperature at which lengths are stated, degrees Celsius (ISO 1)."""


@dataclass(frozen=True, slots=True)
class Material:
    """A material, its mean linear expansion per kelvin near room temperature, and the source.

    Averages over hundreds of kelvin lie 10 % and more above these (NIST Engineering Metrology
    Toolbox, temperature tutorial), so a hot gap is an estimate, not a limit.
    """

    name: str
    alpha_per_k: float
    source: str


_TABLE_B6 = "Callister, Fundamentals of Materials Science and Engineering, 3rd ed., Table B.6"
_STEELS = "online table of steels, 0-100 C (primary source not shown there)"

MATERIALS: tuple[Material, ...] = (
    Material("gray iron", 11.4e-6, f"{_TABLE_B6} (through an online copy)"),
    Material("ductile iron 60-40-18", 11.2e-6, _TABLE_B6),
    Material("ductile iron 80-55-06", 10.6e-6, _TABLE_B6),
    Material("aluminium 356", 21.5e-6, _TABLE_B6),
    Material("aluminium 6061", 23.6e-6, _TABLE_B6),
    Material("aluminium 2024", 22.9e-6, _TABLE_B6),
    Material("aluminium 7075", 23.4e-6, _TABLE_B6),
    Material("steel 1020", 11.7e-6, _STEELS),
    Material("steel 4140", 12.3e-6, _STEELS),
    Material("stainless steel 440C", 10.08e-6, _STEELS),
    Material("iron or steel", 12e-6, "OpenStax College Physics 2e, Table 13.2 (20 C)"),
    Material("aluminium", 25e-6, "OpenStax College Physics 2e, Table 13.2 (20 C)"),
)


def material(name: str) -> Material:
    """The material called ``name``. Raises ValueError, with all names, if it is unknown."""
    for entry in MATERIALS:
        if entry.name == name:
            return entry
    names = ", ".join(entry.name for entry in MATERIALS)
    raise ValueError(f"{name!r} is not in the table of materials: write one of {names}.")


def expansion(length: float, alpha_per_k: float, rise_k: float) -> float:
    """Growth of ``length`` (same unit) when warmed by ``rise_k``: alpha L dT."""
    return alpha_per_k * length * rise_k


def hot_gap_nm(
    gap_nm: float,
    bore_nm: float,
    *,
    ring_alpha_per_k: float,
    ring_c: float,
    bore_alpha_per_k: float,
    bore_c: float,
    cold_c: float = REFERENCE_C,
) -> float:
    """Gap at working temperature, nm; 0 or less means that the ends butt.

    pi D (1 + ab dTb) - (pi D - G)(1 + ar dTr): the bore grows as if it were filled, the ring along
    its own length. Information for the sheet only: never a licence to go under the maker's figure.
    Raises LengthError if the gap does not fit the bore or a number is not finite.
    """
    numbers = (gap_nm, bore_nm, ring_alpha_per_k, ring_c, bore_alpha_per_k, bore_c, cold_c)
    if not all(isfinite(number) for number in numbers):
        raise LengthError(f"A hot gap needs finite numbers, not {numbers}.")
    around_nm = pi * bore_nm
    if bore_nm <= 0 or not 0 <= gap_nm < around_nm:
        raise LengthError(
            f"A gap of {gap_nm:g} nm does not fit a bore of {bore_nm:g} nm: "
            "it must be 0 or more and less than the bore's circumference."
        )
    ring_nm = around_nm - gap_nm
    grown_nm = expansion(around_nm, bore_alpha_per_k, bore_c - cold_c)
    return gap_nm + grown_nm - expansion(ring_nm, ring_alpha_per_k, ring_c - cold_c)


def butting_ring_c(
    gap_nm: float,
    bore_nm: float,
    *,
    ring_alpha_per_k: float,
    bore_alpha_per_k: float,
    bore_c: float,
    cold_c: float = REFERENCE_C,
) -> float:
    """Ring temperature at which the ends just touch while the bore is at ``bore_c``: the margin."""
    around_nm = pi * bore_nm
    room_nm = around_nm + expansion(around_nm, bore_alpha_per_k, bore_c - cold_c)
    return cold_c + (room_nm / (around_nm - gap_nm) - 1) / ring_alpha_per_k


def gap_at_other_bore_nm(gap_nm: float, *, measured_bore_nm: float, bore_nm: float) -> float:
    """Gap that a ring measured at ``measured_bore_nm`` has where the bore is ``bore_nm``: pi x d.

    For taper (measured at another depth than the smallest place), for a ring gauge, and for honing
    later by ``bore_nm - measured_bore_nm``.
    """
    return gap_nm + bore_change_gap_nm(bore_nm - measured_bore_nm)


def bore_change_gap_nm(d_bore_nm: float) -> float:
    """Change of the gap, nm, when the bore grows by ``d_bore_nm``: pi x d (circumference)."""
    return pi * d_bore_nm


def taper_gap_nm(gap_nm: float, *, measured_bore_nm: float, bores_nm: Sequence[float]) -> float:
    """Smallest gap over the ring's travel: at the smallest of ``bores_nm``."""
    if not bores_nm:
        raise LengthError("No bore is given: give at least one measured bore.")
    return gap_at_other_bore_nm(gap_nm, measured_bore_nm=measured_bore_nm, bore_nm=min(bores_nm))


def ellipse_perimeter(semi_major: float, semi_minor: float) -> float:
    """Perimeter of an ellipse, 4 a E(k), by the arithmetic-geometric mean (DLMF 19.8.6)."""
    major, minor = max(semi_major, semi_minor), min(semi_major, semi_minor)
    if minor < 0 or major <= 0:
        raise ValueError(f"Semi-axes {semi_major} and {semi_minor} make no ellipse.")
    if minor == 0:
        return 4 * major
    # a^2 - sum of 2^(n-1) c_n^2, over the mean that both axes run to.
    a, b = major, minor
    rest, weight = (a * a + b * b) / 2, 1.0
    while a - b > 1e-15 * a:
        half = (a - b) / 2
        a, b = (a + b) / 2, sqrt(a * b)
        rest -= weight * half * half
        weight *= 2
    return 2 * pi * rest / a


def tilted_excess(bore: float, tilt_deg: float) -> float:
    """How much LARGER the gap reads when the ring is tilted, unit of ``bore``; exact.

    The plane of the ring cuts the bore in an ellipse of semi-axes R and R / cos t; the ring keeps
    its length, so the whole excess of perimeter is read as gap. Small angles: pi D t^2 / 4.
    """
    if not -60.0 <= tilt_deg <= 60.0:
        raise ValueError(f"A tilt of {tilt_deg} degrees is out of range: -60 to 60.")
    radius = bore / 2
    return ellipse_perimeter(radius / cos(radians(tilt_deg)), radius) - 2 * pi * radius
