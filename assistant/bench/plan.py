"""From a job to the numbers of the fitting package: the window of a ring, the bench."""

from dataclasses import replace
from functools import lru_cache
from math import lcm

from assistant.bench.job import FactorRule, GrinderKind, Job, RingPosition, RingSpec
from assistant.bench.learned import Learned, started_from
from assistant.fitting import bench as fit
from assistant.fitting.learning import FinishedRing, learn
from assistant.fitting.targets import Window, per_bore_window, sheet_window

RingKey = tuple[int, RingPosition]
"""(cylinder from 1, position)."""

BAND_SHARE = 0.95
"""How sure the band of a gap is that is said, shown and printed."""


def window_of(job: Job, key: RingKey) -> Window:
    """The window of one ring in its own bore. Raises JobError if the job has no such ring."""
    cylinder, position = key
    return _window(job.ring(position), job.bore_for(cylinder), job.unit.half_nm)


@lru_cache(maxsize=256)
def _window(spec: RingSpec, bore_nm: int, half_nm: int) -> Window:
    rule = spec.rule
    if isinstance(rule, FactorRule):
        return per_bore_window(rule.factor, rule.over_nm, bore_nm=bore_nm, half_nm=half_nm)
    return sheet_window(rule.least_nm, rule.most_nm, half_nm=half_nm)


@lru_cache(maxsize=512)
def taught_bench(job: Job, start: Learned | None, finished: tuple[FinishedRing, ...]) -> fit.Bench:
    """The bench of a job as earlier jobs (``start``) and its own finished rings have taught it.

    One ring after the other, each cached, so that a ring more costs one step of learning.
    """
    if not finished:
        return started_from(bench_of(job), start)
    return learn(taught_bench(job, start, finished[:-1]), finished[-1:])


@lru_cache(maxsize=16)
def bench_of(job: Job) -> fit.Bench:
    """The bench of a job before anything is learned: its grinder, leaves, grid and risk.

    Feeds are called by halves, so a finer dial is used by halves too: what is advised can be said.
    """
    tool = job.grinder
    grinder = fit.Grinder(
        kind=tool.kind, largest_cut_nm=tool.largest_cut_nm, butting_cut_nm=tool.butting_cut_nm
    )
    if tool.kind is GrinderKind.DIAL:
        grinder = replace(grinder, step_nm=_sayable(tool.step_nm, job.unit.half_nm))
    else:
        grinder = replace(grinder, per_stroke_nm=float(tool.step_nm))
    return fit.Bench(
        grinder=grinder,
        leaves_nm=job.leaves_nm,
        half_nm=job.unit.half_nm,
        over_risk=float(job.risk),
    )


def _sayable(step_nm: int, half_nm: int) -> int:
    """The smallest feed of whole dial steps that is also whole halves; the step if none is near."""
    common_nm = lcm(step_nm, half_nm)
    return common_nm if common_nm <= 2 * half_nm else step_nm
