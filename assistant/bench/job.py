"""The job: what is to be fitted, to which gaps, with which leaves and grinder. Frozen; no files.

All lengths are whole nanometres (units.py); ``job.unit`` says how the builder calls them.
Ranges are wide enough for a model engine and a ship; each says why it ends where it ends, and no
range is a recommendation: the sheets of the ring maker and the engine maker win.
"""

from collections.abc import Iterator
from decimal import Decimal
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from assistant.errors import JobError
from assistant.fitting.bench import STROKE_NM
from assistant.fitting.bench import GrinderKind as GrinderKind
from assistant.fitting.geometry import MATERIALS
from assistant.fitting.targets import smallest_bore_nm
from assistant.units import NM_PER_MM, NM_PER_THOU, Unit, show_bore, show_gap, to_file

MOST_CYLINDERS = 16


class RingPosition(StrEnum):
    """Where a ring sits on the piston, as called at the bench."""

    TOP = "top"
    SECOND = "second"
    UPPER_RAIL = "upper rail"
    LOWER_RAIL = "lower rail"
    OIL = "oil"  # a one-piece oil ring


USUAL_ORDER = (
    RingPosition.UPPER_RAIL,
    RingPosition.LOWER_RAIL,
    RingPosition.OIL,
    RingPosition.SECOND,
    RingPosition.TOP,
)
"""Rails first, then second, then top (common practice, no source)."""


def span_text(least_nm: int, most_nm: int) -> str:
    """A range in both units, as messages show it: ``20 to 600 mm (0.7874 to 23.622 in)``."""
    mm = [f"{to_file(nm, Unit.METRIC):f}" for nm in (least_nm, most_nm)]
    inch = [
        f"{to_file(nm, Unit.INCH).quantize(Decimal('0.00001')).normalize():f}"
        for nm in (least_nm, most_nm)
    ]
    return f"{mm[0]} to {mm[1]} mm ({inch[0]} to {inch[1]} in)"


def _refuse(text: str) -> PydanticCustomError:
    # pydantic reads braces in a template as places to fill, and what people type may hold some.
    return PydanticCustomError("job", "{text}", {"text": text})


def refusal(error: ValidationError) -> str:
    """What the first refused value of ``error`` may be instead, without the value itself."""
    first = error.errors(include_url=False)[0]
    text = first["msg"]
    return text[0].lower() + text[1:]


def _length(what: str, least_nm: int, most_nm: int, why: str) -> AfterValidator:
    def check(value_nm: int) -> int:
        if not least_nm <= value_nm <= most_nm:
            raise _refuse(f"{what} is {span_text(least_nm, most_nm)}: {why}")
        return value_nm

    return AfterValidator(check)


def _number(what: str, least: str, most: str, why: str) -> AfterValidator:
    def check(value: Decimal) -> Decimal:
        if not (value.is_finite() and Decimal(least) <= value <= Decimal(most)):
            raise _refuse(f"{what} is {least} to {most}: {why}")
        return value

    return AfterValidator(check)


def _words(what: str, least: int, most: int, *, lines: bool = False) -> AfterValidator:
    def check(text: str) -> str:
        if not least <= len(text) <= most:
            raise _refuse(f"{what} has {least} to {most} characters, this one has {len(text)}")
        if any(not c.isprintable() and not (lines and c == "\n") for c in text):
            raise _refuse(f"{what} is plain text without control characters: type it again")
        if text != text.strip():
            raise _refuse(f"{what} neither starts nor ends with a space: take the space away")
        return text

    return AfterValidator(check)


BoreNm = Annotated[
    int,
    _length("a bore", 20 * NM_PER_MM, 600 * NM_PER_MM, "smaller is a toy, larger is not hand work"),
]
GapNm = Annotated[
    int,
    _length("an end gap", 20_000, 5 * NM_PER_MM, "no leaf is thinner, no fitted ring gapes wider"),
]
LeafNm = Annotated[
    int,
    _length("a leaf", 20_000, 2 * NM_PER_MM, "thinner leaves crumple, thicker ones are blocks"),
]
CutNm = Annotated[
    int,
    _length(
        "a single cut", 5_000, NM_PER_MM // 2, "less is not felt, more heats and spoils a ring"
    ),
]
RelationNm = Annotated[
    int,
    _length("top over second", -2 * NM_PER_MM, 2 * NM_PER_MM, "two gaps never differ by more"),
]
Temperature = Annotated[
    Decimal,
    _number("a temperature", "20", "500", "degrees Celsius, from the cold bench to a hot piston"),
]
Factor = Annotated[
    Decimal,
    Field(allow_inf_nan=True),  # so that our own words refuse it
    _number("a factor", "0.001", "0.02", "end gap for each unit of bore, usually 0.003 to 0.008"),
]


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class FactorRule(_Frozen):
    """Least gap = ``factor`` x bore; most gap = least gap + ``over_nm``."""

    kind: Literal["factor"] = "factor"
    factor: Factor
    over_nm: Annotated[
        int,
        _length("the room above the least gap", 5_000, NM_PER_MM, "less cannot be hit by feel"),
    ]


class LimitsRule(_Frozen):
    """Least and most gap as the ring maker's sheet prints them; ``most_nm`` None = least only."""

    kind: Literal["limits"] = "limits"
    least_nm: GapNm
    most_nm: GapNm | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.most_nm is not None and self.most_nm <= self.least_nm:
            raise _refuse(
                "the most gap must be larger than the least gap: swap them, or leave out the most "
                "where the sheet gives a least only"
            )
        return self


class RingSpec(_Frozen):
    """One ring of every cylinder: its position and the rule for its end gap."""

    position: RingPosition
    rule: Annotated[FactorRule | LimitsRule, Field(discriminator="kind")]


class Grinder(_Frozen):
    """What takes the metal off, and how much at most.

    step_nm: a dial's smallest step of feed, or the starting guess of what one file stroke takes
    off (learned afterwards). largest_cut_nm: largest single cut. butting_cut_nm: first cut on a
    ring whose ends touch, so that its gap is unknown.
    """

    kind: GrinderKind = GrinderKind.DIAL
    step_nm: Annotated[
        int,
        _length(
            "a dial step or the cut of one stroke", 500, 100_000, "no dial or file works outside"
        ),
    ]
    largest_cut_nm: CutNm
    butting_cut_nm: CutNm

    @model_validator(mode="after")
    def _sane(self) -> Self:
        if self.butting_cut_nm > self.largest_cut_nm:
            raise _refuse("the cut for a butting ring must not pass the largest single cut")
        if self.step_nm > self.butting_cut_nm:
            raise _refuse("the step must not be coarser than the cut for a butting ring")
        return self

    @staticmethod
    def usual(kind: GrinderKind, unit: Unit) -> "Grinder":
        """Starting values: half a thou or a hundredth a step, 10 thou or 0.25 mm a cut.

        A file stroke starts at fitting.bench.STROKE_NM, in a metric job at whole micrometres.
        """
        inch = unit is Unit.INCH
        cut_nm = 10 * NM_PER_THOU if inch else NM_PER_MM // 4
        if kind is GrinderKind.DIAL:
            step_nm = NM_PER_THOU // 2 if inch else 10_000
        else:
            step_nm = STROKE_NM if inch else round(STROKE_NM, -3)
        return Grinder(kind=kind, step_nm=step_nm, largest_cut_nm=cut_nm, butting_cut_nm=cut_nm)


class Heat(_Frozen):
    """Working temperatures (C) and materials, for the hot gap on the sheet: information only.

    ring, bore: names in the table of materials (fitting.geometry). ring_c, bore_c: 20..500.
    """

    ring: str
    bore: str
    ring_c: Temperature
    bore_c: Temperature

    @field_validator("ring", "bore")
    @classmethod
    def _in_the_table(cls, name: str) -> str:
        if name not in {entry.name for entry in MATERIALS}:
            raise _refuse(f"a material is one of {', '.join(entry.name for entry in MATERIALS)}")
        return name


class Relation(_Frozen):
    """By how much the top ring's gap is to be larger than the second's in each cylinder, nm.

    Some makers ask for the second larger than the top: then both figures are negative.
    """

    least_nm: RelationNm
    most_nm: RelationNm

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.most_nm < self.least_nm:
            raise _refuse("the most must not be less than the least: swap them")
        return self


def usual_leaves_nm(unit: Unit) -> tuple[int, ...]:
    """A usual set: 1.5 and 2 to 25 thou by one, or 0.03-0.10 mm by 0.01 and 0.15-1.00 by 0.05.

    Its ends are those of the feeler range of BS 957:2008 (0.0015-0.025 in, 0.03-1.00 mm).
    """
    if unit is Unit.INCH:
        return (NM_PER_THOU * 3 // 2, *(n * NM_PER_THOU for n in range(2, 26)))
    return (*(n * 10_000 for n in range(3, 11)), *(n * 50_000 for n in range(3, 21)))


def usual_over_nm(unit: Unit) -> int:
    """Room above the least gap of a factor rule: 2 thou, 0.05 mm (common practice, no source)."""
    return 2 * NM_PER_THOU if unit is Unit.INCH else 50_000


class Job(_Frozen):
    """One engine to fit. Build it from a file (adapters/job_file) or from answers (new_job).

    cylinders: how many, 1..16. bore_nm: nominal. bores_nm: measured bores by cylinder number,
    from 1. rings: those of one cylinder. order: in which they are fitted, empty = USUAL_ORDER.
    leaves_nm: on hand, thin to thick. risk: largest chance, 0.0001..0.2, that grinding takes one
    ring past its most allowed gap. heat: for the hot gap. top_over_second: wanted difference of
    the two gaps, None = none is wanted.
    Raises pydantic.ValidationError where a value is refused; its text says what is allowed.
    """

    name: Annotated[str, _words("a job name", 1, 80)]
    person: Annotated[str, _words("the builder's name", 0, 80)] = ""
    unit: Unit
    cylinders: int
    bore_nm: BoreNm
    bores_nm: dict[int, tuple[BoreNm, ...]] = Field(default_factory=dict)
    rings: tuple[RingSpec, ...]
    order: tuple[RingPosition, ...] = Field(default=(), validate_default=True)
    leaves_nm: tuple[LeafNm, ...]
    grinder: Grinder
    risk: Annotated[
        Decimal,
        Field(allow_inf_nan=True),
        _number("the risk", "0.0001", "0.2", "the chance of spoiling one ring, usually 0.001"),
    ] = Decimal("0.001")
    heat: Heat | None = None
    top_over_second: Relation | None = None
    notes: Annotated[str, _words("a note", 0, 2000, lines=True)] = ""

    @field_validator("top_over_second")
    @classmethod
    def _both_rings(cls, relation: Relation | None, info: ValidationInfo) -> Relation | None:
        there = {ring.position for ring in info.data.get("rings", ())}
        if relation is not None and not {RingPosition.TOP, RingPosition.SECOND} <= there:
            raise _refuse("top_over_second needs a top and a second ring in the job")
        return relation

    @field_validator("cylinders")
    @classmethod
    def _count(cls, cylinders: int) -> int:
        if not 1 <= cylinders <= MOST_CYLINDERS:
            raise _refuse(f"cylinders is 1 to {MOST_CYLINDERS}")
        return cylinders

    @field_validator("bores_nm")
    @classmethod
    def _near_nominal(
        cls, bores_nm: dict[int, tuple[int, ...]], info: ValidationInfo
    ) -> dict[int, tuple[int, ...]]:
        if not {"unit", "cylinders", "bore_nm"} <= info.data.keys():
            return bores_nm  # refused already, for a reason that comes first
        unit, nominal_nm = info.data["unit"], info.data["bore_nm"]
        for cylinder, measured_nm in bores_nm.items():
            if not 1 <= cylinder <= info.data["cylinders"]:
                raise _refuse(
                    f"measured bores are given for cylinder {cylinder}, "
                    f"but this job has cylinders 1 to {info.data['cylinders']}"
                )
            if not 1 <= len(measured_nm) <= 12:
                raise _refuse(f"cylinder {cylinder}: give 1 to 12 measured bores")
            for bore_nm in measured_nm:
                # Far more than wear, hone or taper: a slip of a digit or of the unit.
                if abs(bore_nm - nominal_nm) * 50 > nominal_nm:
                    raise _refuse(
                        f"cylinder {cylinder} measures {show_bore(bore_nm, unit)}, more than "
                        f"2 % off the bore of {show_bore(nominal_nm, unit)}: check both"
                    )
        return dict(sorted(bores_nm.items()))

    @field_validator("rings")
    @classmethod
    def _one_of_each(cls, rings: tuple[RingSpec, ...]) -> tuple[RingSpec, ...]:
        positions = [ring.position for ring in rings]
        if not positions:
            raise _refuse("a job needs at least one ring: " + ", ".join(RingPosition))
        for position in positions:
            if positions.count(position) > 1:
                raise _refuse(f"the {position} ring is given twice: keep one")
        return rings

    @field_validator("order")
    @classmethod
    def _usual_order(
        cls, order: tuple[RingPosition, ...], info: ValidationInfo
    ) -> tuple[RingPosition, ...]:
        there = [ring.position for ring in info.data.get("rings", ())]
        if there and order and sorted(order) != sorted(there):
            raise _refuse(f"the order must name each ring of the job once: {', '.join(there)}")
        return order or tuple(position for position in USUAL_ORDER if position in there)

    @field_validator("leaves_nm")
    @classmethod
    def _thin_to_thick(cls, leaves_nm: tuple[int, ...], info: ValidationInfo) -> tuple[int, ...]:
        if not 1 <= len(leaves_nm) <= 100:
            raise _refuse("give 1 to 100 leaves")
        unit = info.data.get("unit", Unit.METRIC)
        for thinner_nm, thicker_nm in pairwise(leaves_nm):
            if thicker_nm == thinner_nm:
                raise _refuse(f"the leaf of {show_gap(thinner_nm, unit)} is given twice: keep one")
            if thicker_nm < thinner_nm:
                raise _refuse(
                    f"leaves go from thin to thick: {show_gap(thicker_nm, unit)} comes after "
                    f"{show_gap(thinner_nm, unit)}"
                )
        return leaves_nm

    def __hash__(self) -> int:
        # The measured bores are a dict, so the hash that pydantic makes would fail; equality is
        # still that of all fields.
        return hash((self.name, self.unit, self.bore_nm, self.rings, self.leaves_nm, self.grinder))

    def bore_for(self, cylinder: int) -> int:
        """Bore in nm that counts for ``cylinder``: the smallest measured one, else the nominal.

        Raises JobError if there is no such cylinder.
        """
        if not 1 <= cylinder <= self.cylinders:
            raise JobError(
                f"There is no cylinder {cylinder}: this job has cylinders 1 to {self.cylinders}."
            )
        return smallest_bore_nm(self.bore_nm, self.bores_nm.get(cylinder, ()))

    def ring(self, position: RingPosition) -> RingSpec:
        """The ring at ``position``. Raises JobError if this job has none there."""
        for ring in self.rings:
            if ring.position is position:
                return ring
        raise JobError(f"There is no {position} ring in this job: it has {', '.join(self.order)}.")

    def places(self) -> Iterator[tuple[int, RingPosition]]:
        """Every ring to fit as (cylinder, position), in the order of work."""
        for cylinder in range(1, self.cylinders + 1):
            for position in self.order:
                yield cylinder, position

    def has(self, cylinder: int, position: RingPosition) -> bool:
        """Whether the job has this ring."""
        return 1 <= cylinder <= self.cylinders and position in self.order

    def doubts(self) -> tuple[str, ...]:
        """What is allowed but unusual, one sentence each: to be shown, not to be obeyed.

        Gaps of public manuals lie within about 0.002 to 0.010 of the bore (TM 9-2320-366-34-4
        Table 20-7: 0.0029 to 0.0092); a least gap outside of that may be a slip.
        """
        said = []
        for ring in self.rings:
            if isinstance(ring.rule, FactorRule):
                share, shown = ring.rule.factor, f"a factor of {ring.rule.factor}"
            else:
                share = Decimal(ring.rule.least_nm) / self.bore_nm
                shown = f"a least gap of {show_gap(ring.rule.least_nm, self.unit)}"
            if not Decimal("0.002") <= share <= Decimal("0.010"):
                said.append(
                    f"The {ring.position} ring has {shown}: unusual for a bore of "
                    f"{show_bore(self.bore_nm, self.unit)}. Check it against the maker's sheet."
                )
        return tuple(said)
