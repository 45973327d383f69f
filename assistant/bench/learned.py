"""What the bench has learned of a grinder and a person, as it is kept between jobs."""

from dataclasses import fields, replace
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from assistant.fitting.bench import Bench, Grinder

_NEW = Grinder()
"""What is assumed where nothing was learned, or where an older program could not keep it."""

Share = Annotated[float, Field(gt=0, le=2)]


class Learned(BaseModel):
    """Starting values of the next job. Shares are spreads of logarithms; lengths are nm.

    The names and meanings are those of ``fitting.bench.Grinder`` and ``Person``; ``rings`` counts
    the finished rings that taught them.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    rate: Annotated[float, Field(gt=0.05, lt=20)]
    rate_sd: Share
    cut_sd_nm: Annotated[float, Field(gt=0, lt=200_000)]
    cut_sd_doubt: Share
    per_stroke_nm: Annotated[float, Field(gt=0, lt=500_000)]
    per_stroke_sd: Share
    offset_nm: Annotated[float, Field(gt=-200_000, lt=200_000)]
    offset_sd_nm: Annotated[float, Field(ge=0, lt=200_000)]
    spread_nm: Annotated[float, Field(gt=0, lt=200_000)]
    spread_doubt: Share
    only_goes: Annotated[float, Field(ge=0, le=1)]
    doubles: Annotated[float, Field(ge=0)] = _NEW.doubles
    counted_cuts: Annotated[float, Field(gt=0)] = _NEW.counted_cuts
    per_pass_sd: Share = _NEW.per_pass_sd
    per_pass_doubt: Share = _NEW.per_pass_doubt
    rings: Annotated[int, Field(ge=0)] = 0

    def with_offset_of(self, other: "Learned") -> "Learned":
        """These values, but the offset and its spread of ``other``: no ring teaches them."""
        offset = {"offset_nm": other.offset_nm, "offset_sd_nm": other.offset_sd_nm}
        return self.model_copy(update=offset)


def learned_from(bench: Bench, *, rings: int) -> Learned:
    """What ``bench`` knows after ``rings`` finished rings."""
    known = {
        field.name: getattr(part, field.name)
        for part in (bench.grinder, bench.person)
        for field in fields(part)
        if field.name in Learned.model_fields
    }
    return Learned(**known, rings=rings)


def started_from(bench: Bench, learned: Learned | None) -> Bench:
    """``bench`` with the learned values in place of its assumed ones."""
    if learned is None:
        return bench
    known = {name: getattr(learned, name) for name in Learned.model_fields}
    grinder, person = (
        replace(part, **{one.name: known[one.name] for one in fields(part) if one.name in known})
        for part in (bench.grinder, bench.person)
    )
    return replace(bench, grinder=grinder, person=person)
