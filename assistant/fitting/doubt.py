"""Readings that can hardly be true, and what was likelier meant.

A reading is doubted when, by what is believed of the ring, a leaf would feel that tight (or that
loose) or more so with a chance below DOUBT_BELOW. The caller asks; nothing is stored without a yes.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeVar

from assistant.fitting.belief import Belief, believe
from assistant.fitting.bench import Bench
from assistant.fitting.facts import Cut, Fact, Feel, Reading
from assistant.fitting.feel import (
    ORDER,
    Floats,
    all_chances,
    butts_chance,
    feel_chance,
    reading_sd_nm,
)
from assistant.fitting.targets import Window

DOUBT_BELOW = 0.002
_FITS_FROM = 0.05

Key = TypeVar("Key")


class DoubtKind(StrEnum):
    """Why a reading is doubted."""

    SHRANK = "shrank"  # the gap would be smaller than before the cut
    GREW_TOO_LITTLE = "grew too little"  # it grew, far less than was cut
    GREW_TOO_MUCH = "grew too much"  # it grew far more than was cut
    CONTRADICTS = "contradicts"  # not true together with another reading since the last cut
    SOUNDALIKE = "soundalike"  # decided by the caller: another number sounds like it and fits
    IMPOSSIBLE = "impossible"  # no ring of this job starts with such a gap


@dataclass(frozen=True, slots=True)
class Doubt:
    """A doubted reading: why, its chance (0..1), leaves (nm) that would have felt so."""

    kind: DoubtKind
    chance: float
    likely_nm: tuple[int, ...]


def doubt(belief_before: Belief, reading: Reading) -> Doubt | None:
    """The doubt that ``reading`` raises when only ``belief_before`` was known, or None."""
    tight, loose = _tails(belief_before.felt_nm, belief_before.felt, reading, belief_before.bench)
    chance = min(tight, loose)
    if chance >= DOUBT_BELOW:
        return None
    kind = _kind(belief_before, reading, too_tight=tight < loose)
    return Doubt(kind, chance, _likely_nm(belief_before, reading))


def doubt_after(
    facts: Sequence[Fact], reading: Reading, bench: Bench, *, window: Window | None = None
) -> Doubt | None:
    """The doubt that ``reading`` raises after all ``facts`` of its ring, with its true reason.

    Where it suits the other readings since the last cut, it is the cut that it goes against.
    """
    found = doubt(believe(facts, bench, window=window), reading)
    cut = max((n for n, fact in enumerate(facts) if isinstance(fact, Cut)), default=-1) + 1
    if found is None or found.kind is not DoubtKind.CONTRADICTS or not cut:
        return found
    if doubt(believe(facts[cut:], bench), reading) is not None:
        return found
    against_cut = doubt(believe(facts[:cut], bench, window=window), reading)
    return found if against_cut is None else replace(found, kind=against_cut.kind)


def fits_instead(beliefs: Mapping[Key, Belief], reading: Reading) -> Key | None:
    """Key of the ring that ``reading`` would suit best, None if it suits none.

    For a doubted reading: second and top swapped, or the neighbour cylinder meant. Only rings that
    have been read are looked at: an unread ring suits almost anything.
    """
    best: Key | None = None
    best_chance = _FITS_FROM
    for key, belief in beliefs.items():
        chance = reading_chance(belief, reading) if belief.readings else 0.0
        if chance > best_chance:
            best, best_chance = key, chance
    return best


def reading_chance(belief: Belief, reading: Reading) -> float:
    """Chance of exactly this feel with this leaf, by ``belief``."""
    return float(belief.felt @ _chance(reading.feel, belief.felt_nm, reading, belief.bench))


def _chance(feel: Feel, felt_nm: Floats, reading: Reading, bench: Bench) -> Floats:
    if feel is Feel.BUTTS:
        return butts_chance(felt_nm, bench)
    sd_nm = reading_sd_nm(bench, reading.leaves)
    return feel_chance(feel, felt_nm - reading.leaf_nm, sd_nm, bench.person.only_goes)


def _tails(felt_nm: Floats, felt: Floats, reading: Reading, bench: Bench) -> tuple[float, float]:
    """Chances that the leaf feels this tight or tighter, and this loose or looser."""
    if reading.feel is Feel.BUTTS:
        return float(felt @ _chance(Feel.BUTTS, felt_nm, reading, bench)), 1.0
    sd_nm = reading_sd_nm(bench, reading.leaves)
    each = all_chances(felt_nm - reading.leaf_nm, sd_nm, bench.person.only_goes) @ felt
    rank = ORDER.index(reading.feel)
    return float(each[: rank + 1].sum()), float(each[rank:].sum())


def _kind(belief: Belief, reading: Reading, *, too_tight: bool) -> DoubtKind:
    if belief.readings:
        return DoubtKind.CONTRADICTS
    if belief.before_cut is None:
        return DoubtKind.CONTRADICTS if belief.seen else DoubtKind.IMPOSSIBLE
    if not too_tight:
        return DoubtKind.GREW_TOO_MUCH
    tight_before, _ = _tails(*belief.before_cut, reading, belief.bench)
    return DoubtKind.SHRANK if tight_before < DOUBT_BELOW else DoubtKind.GREW_TOO_LITTLE


def _likely_nm(belief: Belief, reading: Reading) -> tuple[int, ...]:
    """Leaves on hand that would well have felt so, the likeliest to have been tried first.

    Many leaves go (all thin ones) and many do not (all thick ones); people try those near the gap.
    """
    if reading.feel is Feel.BUTTS:
        return ()
    leaves = sorted(set(belief.bench.leaves_nm) - {reading.leaf_nm})
    chances = {leaf: reading_chance(belief, Reading(leaf, reading.feel)) for leaf in leaves}
    top = max(chances.values(), default=0.0)
    fitting = [leaf for leaf in leaves if chances[leaf] >= max(_FITS_FROM, 0.5 * top)]
    middle_nm = belief.quantile(0.5)
    return tuple(sorted(fitting, key=lambda leaf: (abs(leaf - middle_nm), leaf))[:3])
