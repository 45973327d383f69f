"""Lengths: whole nanometres inside, thou or hundredths of a millimetre as called.

Why nanometres: 1 in = 25.4 mm exactly (NIST SP 811 (2008), App. B.8), so 1 thou = 25 400 nm,
half a thou = 12 700 nm and half a hundredth = 5 000 nm are all whole numbers. Whole numbers add
without rounding, so an inch job and a metric job decide alike and what is typed is what is shown.

A job is inch or metric, never both. Its *call unit* is what the builder calls out: one thou, or
one hundredth of a millimetre. The grid of feel is half a call unit.
"""

from decimal import Decimal, InvalidOperation
from enum import StrEnum

from assistant.errors import LengthError

NM_PER_INCH = 25_400_000
NM_PER_MM = 1_000_000
NM_PER_THOU = 25_400
NM_PER_HUNDREDTH = 10_000


class Unit(StrEnum):
    """The units of a job."""

    INCH = "inch"
    METRIC = "metric"

    @property
    def call_nm(self) -> int:
        """Nanometres in one called unit: a thou, or a hundredth of a millimetre."""
        return NM_PER_THOU if self is Unit.INCH else NM_PER_HUNDREDTH

    @property
    def half_nm(self) -> int:
        """Nanometres in half a called unit: the practical resolution of feel."""
        return self.call_nm // 2

    @property
    def file_nm(self) -> int:
        """Nanometres in one unit of a job file: an inch, or a millimetre."""
        return NM_PER_INCH if self is Unit.INCH else NM_PER_MM

    @property
    def file_symbol(self) -> str:
        """Symbol of the unit of a job file."""
        return "in" if self is Unit.INCH else "mm"

    @property
    def call_symbol(self) -> str:
        """Symbol of the called unit as shown."""
        return "thou" if self is Unit.INCH else "hundredths"


def from_called(count: Decimal | int, unit: Unit) -> int:
    """Nanometres of ``count`` called units (15.5 thou, 39.5 hundredths).

    Raises LengthError if the result is not a whole number of nanometres.
    """
    return _whole(Decimal(count) * unit.call_nm, f"{count} {unit.call_symbol}")


def to_called(length_nm: int, unit: Unit) -> Decimal:
    """Called units in ``length_nm``, exact."""
    return Decimal(length_nm) / unit.call_nm


def to_file(length_nm: int, unit: Unit) -> Decimal:
    """Inches or millimetres in ``length_nm``, exact."""
    return Decimal(length_nm) / unit.file_nm


def parse_length(text: str, unit: Unit) -> int:
    """Nanometres of a number written in the unit of a job file (inches or millimetres).

    Raises LengthError if it is no plain decimal number or finer than a nanometre.
    """
    try:
        value = Decimal(text.strip())
    except InvalidOperation:
        raise LengthError(
            f"{text!r} is not a length: write a plain number of {unit.file_symbol}, like "
            f"{'0.0155' if unit is Unit.INCH else '0.395'}."
        ) from None
    if not value.is_finite() or len(value.as_tuple().digits) > 15 or abs(value) > 1_000_000:
        raise LengthError(f"{text!r} is not a length: write a plain number of up to 15 digits.")
    return _whole(value * unit.file_nm, f"{text} {unit.file_symbol}")


def show_gap(length_nm: int, unit: Unit) -> str:
    """A gap or cut as shown: ``15.5 thou``, ``0.395 mm``; rounded half-even to a tenth unit."""
    if unit is Unit.INCH:
        return f"{_plain(to_called(length_nm, unit), places=1)} thou"
    return f"{to_file(length_nm, unit).quantize(Decimal('0.001'))} mm"


def show_span(low_nm: int, high_nm: int, unit: Unit) -> str:
    """Two gaps as shown: ``15 to 16.5 thou``, ``0.380 to 0.420 mm``."""
    low, _, _ = show_gap(low_nm, unit).partition(" ")
    return f"{low} to {show_gap(high_nm, unit)}"


def show_bore(length_nm: int, unit: Unit) -> str:
    """A bore as shown: ``3.2755 in``, ``83.20 mm``, with every digit that was typed."""
    return f"{_plain(to_file(length_nm, unit), places=6)} {unit.file_symbol}"


def round_to(length_nm: int, step_nm: int) -> int:
    """``length_nm`` rounded to the nearest multiple of ``step_nm`` (half away from zero)."""
    sign = 1 if length_nm >= 0 else -1
    return sign * ((abs(length_nm) + step_nm // 2) // step_nm) * step_nm


def floor_to(length_nm: int, step_nm: int) -> int:
    """``length_nm`` rounded down to a multiple of ``step_nm``."""
    return length_nm // step_nm * step_nm


def _whole(nm: Decimal, what: str) -> int:
    if nm != nm.to_integral_value():
        raise LengthError(f"{what} is finer than a nanometre: write fewer digits.")
    return int(nm)


def _plain(value: Decimal, *, places: int) -> str:
    rounded = value.quantize(Decimal(1).scaleb(-places)).normalize()
    return f"{rounded:f}"
