"""What the bench has learned of a grinder and a person, as it is kept between jobs."""

from dataclasses import fields, replace
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from assistant.fitting.bench import Bench, Grinder
from assistant.fitting.bench import PersonAndTool as PersonAndTool

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
    grinder = replace(
        bench.grinder,
        rate=learned.rate,
        rate_sd=learned.rate_sd,
        cut_sd_nm=learned.cut_sd_nm,
        cut_sd_doubt=learned.cut_sd_doubt,
        per_stroke_nm=learned.per_stroke_nm,
        per_stroke_sd=learned.per_stroke_sd,
        doubles=learned.doubles,
        counted_cuts=learned.counted_cuts,
        per_pass_sd=learned.per_pass_sd,
        per_pass_doubt=learned.per_pass_doubt,
    )
    person = replace(
        bench.person,
        offset_nm=learned.offset_nm,
        offset_sd_nm=learned.offset_sd_nm,
        spread_nm=learned.spread_nm,
        spread_doubt=learned.spread_doubt,
        only_goes=learned.only_goes,
    )
    return replace(bench, grinder=grinder, person=person)
