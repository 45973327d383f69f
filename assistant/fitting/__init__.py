"""Numbers of ring fitting; knows no speech, no files, no clock."""

from assistant.fitting.belief import Belief, believe
from assistant.fitting.bench import Bench, Grinder, GrinderKind, Person
from assistant.fitting.doubt import Doubt, DoubtKind, fits_instead, reading_chance
from assistant.fitting.facts import Cut, Fact, Feel, Reading, Reseated
from assistant.fitting.geometry import (
    Material,
    bore_change_gap_nm,
    butting_ring_c,
    gap_at_other_bore_nm,
    hot_gap_nm,
    material,
    taper_gap_nm,
    tilted_excess,
)
from assistant.fitting.learning import FinishedRing, learn
from assistant.fitting.placement import LooseRing, OpenBore, Placement, place_all
from assistant.fitting.removal import CutAdvice, CutReason, LeafAdvice, next_cut, next_leaf
from assistant.fitting.targets import Window

__all__ = [
    "Belief",
    "Bench",
    "Cut",
    "CutAdvice",
    "CutReason",
    "Doubt",
    "DoubtKind",
    "Fact",
    "Feel",
    "FinishedRing",
    "Grinder",
    "GrinderKind",
    "LeafAdvice",
    "LooseRing",
    "Material",
    "OpenBore",
    "Person",
    "Placement",
    "Reading",
    "Reseated",
    "Window",
    "believe",
    "bore_change_gap_nm",
    "butting_ring_c",
    "fits_instead",
    "gap_at_other_bore_nm",
    "hot_gap_nm",
    "learn",
    "material",
    "next_cut",
    "next_leaf",
    "place_all",
    "reading_chance",
    "taper_gap_nm",
    "tilted_excess",
]
