"""Numbers of ring fitting; knows no speech, no files, no clock."""

from assistant.fitting.belief import Belief, believe
from assistant.fitting.bench import Bench, Grinder, GrinderKind, Person
from assistant.fitting.doubt import Doubt, DoubtKind, fits_instead, reading_chance
from assistant.fitting.facts import Cut, Fact, Feel, Reading, Reseated
from assistant.fitting.learning import FinishedRing, learn
from assistant.fitting.removal import CutAdvice, CutReason, LeafAdvice, next_cut, next_leaf
from assistant.fitting.targets import (
    Limits,
    PerBore,
    Rule,
    Window,
    bore_change_gap_nm,
    smallest_bore_nm,
    window_for,
)

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
    "Limits",
    "PerBore",
    "Person",
    "Reading",
    "Reseated",
    "Rule",
    "Window",
    "believe",
    "bore_change_gap_nm",
    "fits_instead",
    "learn",
    "next_cut",
    "next_leaf",
    "reading_chance",
    "smallest_bore_nm",
    "window_for",
]
