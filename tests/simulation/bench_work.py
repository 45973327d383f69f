"""Jobs and people for whole sessions: an invented engine, and how its rings ended in truth."""

from decimal import Decimal

from assistant.bench.job import Job, RingPosition
from assistant.bench.plan import window_of
from assistant.language.grammar import Grammar
from assistant.units import NM_PER_THOU
from tests.benchmarks.shop import Engine
from tests.simulation.person import Habits, Person
from tests.simulation.told import Key

_JOB = """name = "Osprey"
unit = "inch"
cylinders = {cylinders}
bore = 3.2755

[rings.second]
factor = 0.0045
over = 0.002

[rings.top]
factor = 0.0055
over = 0.002

[grinder]
kind = "dial"
step = 0.0005
largest_cut = 0.010
butting_cut = 0.010
"""


def job_text(cylinders: int) -> str:
    """A job file: second ring 14.7 to 16.7 thou, top 18 to 20, about (an invented engine)."""
    return _JOB.format(cylinders=cylinders)


def person_for(
    job: Job, grammar: Grammar, engine: Engine, *, habits: Habits | None = None, seed: int = 0
) -> Person:
    """A person with one new ring of the engine for every place of the job."""
    gaps = {(cylinder, position.value): engine.start_gap() for cylinder, position in job.places()}
    leaves = [Decimal(leaf_nm) / NM_PER_THOU for leaf_nm in job.leaves_nm]
    return Person(grammar, engine, gaps, leaves, habits=habits, seed=seed)


def ends(person: Person, job: Job) -> dict[Key, str]:
    """How each ring ended by its true gap: right, over, under, or open (not accepted, no fault)."""
    found = {}
    for (cylinder, position), ring in person.rings.items():
        window = window_of(job, (cylinder, RingPosition(position)))
        gap_nm = ring.gap * NM_PER_THOU
        if window.most_nm is not None and gap_nm > window.most_nm:
            end = "over"
        elif ring.outcome != "accepted":
            end = "open"
        else:
            end = "right" if gap_nm >= window.least_nm else "under"
        found[cylinder, position] = end
    return found
