"""How likely a leaf feels as it did, if the gap were so wide: the ordered model of feel.

Latent play x = gap - leaf + error. Two ways of speaking are mixed, since a call does not tell
which one was meant:

- fine: NO_GO below -0.75 thou of play, ALMOST to -0.25, SNUG to +0.25, GOES above, and of these
  some say DROPS where the play is 2.5 thou and more (most just say GOES).
- coarse: GOES when the leaf is thinner than the gap, NO_GO when it is not. Its share is the
  person's ``only_goes``; whoever has said "almost" or "snug" of a ring is taken for fine there.

So "fifteen goes, sixteen almost" means about 15.5, and "eighteen almost" about 17.5 (common
practice, no source). Errors are normal, with one try in two hundred three times as wide. The
limits are physical lengths, the same in an inch and in a metric job.
"""

from collections.abc import Sequence
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from assistant.fitting.bench import Bench
from assistant.fitting.facts import Feel, Reading
from assistant.fitting.geometry import tilted_excess
from assistant.fitting.normal import chance_below_quick
from assistant.units import NM_PER_INCH, NM_PER_THOU

Floats = NDArray[np.float64]

ALMOST_FROM_NM = -0.75 * NM_PER_THOU
SNUG_FROM_NM = -0.25 * NM_PER_THOU
GOES_FROM_NM = 0.25 * NM_PER_THOU
DROPS_ABOUT_NM = 2.5 * NM_PER_THOU
DROPS_SD_NM = 1.0 * NM_PER_THOU
DROPS_SHARE = 0.2
# Chances are looked up in a table of one spread: -16 to +16 thou of play in steps of 1/200 thou
# hold every inch leaf exactly; a metric one is off by at most 0.0025 thou. Spreads are taken to the
# same step, so that learned ones share their tables.
_TABLE_STEP_NM = NM_PER_THOU / 200
_TABLE_REACH = 3_200
CLUMSY_SHARE = 0.005
CLUMSY_FACTOR = 3.0

TILTED = tuple(
    (tilted_excess(4 * NM_PER_INCH, degrees), share)
    for degrees, share in ((0.72, 0.4), (1.02, 0.3), (1.45, 0.2), (2.04, 0.1))
)
"""By how much a ring that is not square reads large, nm, and how common that is among such rings:
0.5, 1, 2 and 4 thou, by these degrees in a bore of 4 in (the shares have no source)."""

ORDER = (Feel.NO_GO, Feel.ALMOST, Feel.SNUG, Feel.GOES, Feel.DROPS)
"""Feels of a leaf from tightest to loosest; BUTTS says something of the ring, not of a leaf."""

# Three-point Gauss-Legendre rule on -1..1, weights summing to 1: exact to degree 5.
_NODES = ((-sqrt(0.6), 5 / 18), (0.0, 8 / 18), (sqrt(0.6), 5 / 18))


def all_chances(play_nm: Floats, sd_nm: float, only_goes: float) -> Floats:
    """P(feel | play) of the five feels of ORDER: shape (5, *play_nm.shape), sums to 1 over axis 0.

    play_nm: gap minus leaf, nm, taken to the nearest 1/200 thou. sd_nm: spread of one reading,
    nm, > 0. only_goes: chance, 0..1, that the person speaks coarsely.
    """
    place = np.rint(play_nm / _TABLE_STEP_NM).astype(np.intp) + _TABLE_REACH
    return _table(_step_of(sd_nm), only_goes).take(place, axis=1, mode="clip")


def _step_of(sd_nm: float) -> int:
    return max(round(sd_nm / _TABLE_STEP_NM), 1)


@lru_cache(maxsize=64)
def _table(sd_steps: int, only_goes: float) -> Floats:
    sd_nm = sd_steps * _TABLE_STEP_NM
    play_nm = np.arange(-_TABLE_REACH, _TABLE_REACH + 1, dtype=np.float64) * _TABLE_STEP_NM
    # Chance to lie below each edge; now and then a try is clumsy.
    almost, snug, touch, goes = (
        (1 - CLUMSY_SHARE) * chance_below_quick((edge - play_nm) / sd_nm)
        + CLUMSY_SHARE * chance_below_quick((edge - play_nm) / (CLUMSY_FACTOR * sd_nm))
        for edge in (ALMOST_FROM_NM, SNUG_FROM_NM, 0.0, GOES_FROM_NM)
    )
    fine, coarse = 1 - only_goes, only_goes
    free = 1 - fine * goes - coarse * touch
    drops = DROPS_SHARE * chance_below_quick((play_nm - DROPS_ABOUT_NM) / DROPS_SD_NM)
    each = np.stack(
        (
            fine * almost + coarse * touch,
            fine * (snug - almost),
            fine * (goes - snug),
            free * (1 - drops),
            free * drops,
        )
    )
    # Far out the differences of two ones may be a hair below zero.
    return np.asarray(np.maximum(each, 0.0), dtype=np.float64)


def feel_chance(feel: Feel, play_nm: Floats, sd_nm: float, only_goes: float) -> Floats:
    """P(feel | play) of one feel of ORDER, same shape as ``play_nm``."""
    place = np.rint(play_nm / _TABLE_STEP_NM).astype(np.intp) + _TABLE_REACH
    row: Floats = _table(_step_of(sd_nm), only_goes)[ORDER.index(feel)]
    return row.take(place, mode="clip")


def butts_chance(gap_nm: Floats, bench: Bench) -> Floats:
    """P(no leaf goes | felt gap), same shape as ``gap_nm``: the thinnest leaf does not go in."""
    chance = chance_below_quick((bench.thinnest_nm - gap_nm) / bench.person.spread_nm)
    return np.asarray(chance, dtype=np.float64)


def reading_sd_nm(bench: Bench, leaves: int) -> float:
    """Spread of one reading, nm: feel and the thickness errors of ``leaves`` stacked leaves.

    A rectangular error of half width a has u = a / sqrt(3) (JCGM 100:2008, 4.3.7).
    """
    return sqrt(bench.person.spread_nm**2 + max(leaves, 1) * bench.leaf_tol_nm**2 / 3)


def readings_chance(readings: Sequence[Reading], gap_nm: Floats, bench: Bench) -> Floats:
    """P(all readings of one seating | felt gap), shape of ``gap_nm``; order does not matter.

    Tries of the same leaf share that leaf's thickness error: repeating a leaf does not average its
    error away.
    """
    groups: dict[tuple[int, int], list[Reading]] = {}
    for reading in readings:
        # One "butts" or ten say the same thing, and no leaf was used.
        key = (0, 0) if reading.feel is Feel.BUTTS else (reading.leaf_nm, reading.leaves)
        groups.setdefault(key, []).append(reading)
    chance = np.ones_like(gap_nm)
    for key in sorted(groups):
        chance = chance * _group_chance(groups[key], gap_nm, bench)
    return chance


def _group_chance(group: Sequence[Reading], gap_nm: Floats, bench: Bench) -> Floats:
    first, person = group[0], bench.person
    if first.feel is Feel.BUTTS:
        return butts_chance(gap_nm, bench)
    play_nm = gap_nm - first.leaf_nm
    if len(group) == 1:
        sd_nm = reading_sd_nm(bench, first.leaves)
        return feel_chance(first.feel, play_nm, sd_nm, person.only_goes)
    reach_nm = bench.leaf_tol_nm * sqrt(max(first.leaves, 1))
    total = np.zeros_like(gap_nm)
    for node, weight in _NODES:
        part = np.full_like(gap_nm, weight)
        moved_nm = play_nm - node * reach_nm
        for feel in sorted(reading.feel for reading in group):
            part = part * feel_chance(feel, moved_nm, person.spread_nm, person.only_goes)
        total = total + part
    return total
