"""Helpers: benches in thou, calls in short, and a belief of any shape."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from assistant.fitting.belief import Belief
from assistant.fitting.bench import Bench, Grinder, Person
from assistant.fitting.facts import Cut, Feel, Reading
from assistant.fitting.targets import Window

THOU = 25_400
BENCH = Bench()
WINDOW = Window(15 * THOU, 33 * THOU // 2, 31 * THOU // 2)


def goes(thou: float) -> Reading:
    return Reading(round(thou * THOU), Feel.GOES)


def no_go(thou: float) -> Reading:
    return Reading(round(thou * THOU), Feel.NO_GO)


def almost(thou: float) -> Reading:
    return Reading(round(thou * THOU), Feel.ALMOST)


def snug(thou: float) -> Reading:
    return Reading(round(thou * THOU), Feel.SNUG)


def butts() -> Reading:
    return Reading(0, Feel.BUTTS)


def cut(thou: float) -> Cut:
    return Cut(feed_nm=round(thou * THOU))


def window(least: float, most: float | None) -> Window:
    least_nm = round(least * THOU)
    most_nm = None if most is None else round(most * THOU)
    middle_nm = least_nm if most_nm is None else (least_nm + most_nm) // 2
    return Window(least_nm, most_nm, middle_nm // 12_700 * 12_700)


def quiet_bench(**person: float) -> Bench:
    """A bench without leaf error, tilt and offset, so that only feel is left."""
    plain = Person(**({"offset_sd_nm": 0.0, "only_goes": 0.0} | person))
    return replace(BENCH, person=plain, leaf_tol_nm=0.0, tilt_share=0.0)


def shaped(
    density: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    low_nm: float,
    high_nm: float,
    *,
    bench: Bench | None = None,
) -> Belief:
    """A measured belief whose gap has ``density`` over low..high, nm; the rate is certain."""
    bench = bench or replace(
        quiet_bench(), grinder=Grinder(rate_sd=0.0), leaves_nm=tuple(n * THOU for n in range(2, 31))
    )
    gap_nm = np.arange(round(low_nm / 2540), round(high_nm / 2540) + 1) * 2540.0
    chances = density(gap_nm)
    chances = chances / chances.sum()
    return Belief(
        felt_nm=gap_nm,
        weights=chances[np.newaxis, :],
        felt=chances,
        gap_nm=gap_nm,
        chances=chances,
        rates=np.array([1.0]),
        bench=bench,
        tried=(goes(1.0),),
        seen=True,
    )


def normal_belief(mean_thou: float, sd_thou: float) -> Belief:
    """A measured belief that is normal."""
    mean_nm, sd_nm = mean_thou * THOU, sd_thou * THOU
    return shaped(
        lambda gap: np.exp(-0.5 * ((gap - mean_nm) / sd_nm) ** 2),
        mean_nm - 8 * sd_nm,
        mean_nm + 8 * sd_nm,
    )
