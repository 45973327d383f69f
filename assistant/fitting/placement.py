"""Where a ring that came out too wide would fit: assignment over the bores that are still open.

Rings of one kind (all second rings, say) are interchangeable until they are fitted. A ring's gap in
another bore is its gap plus pi x the difference of the bores (geometry.py). The assignment keeps
the chance of a bad pairing smallest over the whole set (Hungarian method, scipy).
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from assistant.fitting.belief import Belief
from assistant.fitting.geometry import bore_change_gap_nm
from assistant.fitting.targets import Window

Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True, slots=True)
class OpenBore(Generic[Key]):
    """A bore that still wants a ring of this kind: its name, size (nm) and window."""

    key: Key
    bore_nm: int
    window: Window


@dataclass(frozen=True, slots=True)
class LooseRing(Generic[Key]):
    """A ring not yet given away: its name, the bore it was measured in (nm), its belief there.

    belief None: a ring that nobody has measured; it can still be ground to fit any bore.
    """

    key: Key
    bore_nm: int
    belief: Belief | None


@dataclass(frozen=True, slots=True)
class Placement(Generic[Key]):
    """One ring in one bore, and the chance (0..1) that it is not above the most allowed there."""

    ring: Key
    bore: Key
    p_usable: float


def p_usable(belief: Belief, measured_bore_nm: int, bore: OpenBore[Key]) -> float:
    """Chance that the ring is not above the most allowed in ``bore``: tighter can be ground."""
    if bore.window.most_nm is None:
        return 1.0
    moved_nm = bore_change_gap_nm(bore.bore_nm - measured_bore_nm)
    return belief.p_below(bore.window.most_nm - moved_nm)


def place_all(
    rings: Sequence[LooseRing[Key]], bores: Sequence[OpenBore[Key]], *, confidence: float = 0.95
) -> list[Placement[Key]]:
    """The pairing of rings and open bores with the most usable rings, then the surest ones.

    Pairs below ``confidence`` are left out: such a ring, or bore, has no partner.
    """
    from scipy.optimize import linear_sum_assignment  # here: slow to load, seldom wanted

    if not rings or not bores:
        return []
    chance = np.array(
        [
            [1.0 if r.belief is None else p_usable(r.belief, r.bore_nm, b) for b in bores]
            for r in rings
        ]
    )
    # A usable pair is worth more than any sum of small differences between usable ones.
    worth = np.where(chance >= confidence, 1.0 + chance / (1 + min(chance.shape)), 0.0)
    rows, columns = linear_sum_assignment(worth, maximize=True)
    return [
        Placement(rings[row].key, bores[column].key, float(chance[row, column]))
        for row, column in zip(rows, columns, strict=True)
        if chance[row, column] >= confidence
    ]
