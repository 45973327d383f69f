"""How every ring of a job stands, and what that comes to: the one vocabulary for it.

Screen, review, sheet, table, record and history use these words. A standing is computed from the
state alone, by what is believed now: "inside" only with the job's confidence, else "likely
inside" with its chance.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from assistant.bench.chances import told_share
from assistant.bench.plan import RingKey
from assistant.bench.session import Outcome, Ring, State
from assistant.fitting.belief import believe
from assistant.fitting.bench import Bench
from assistant.fitting.targets import Window


class RingStatus(StrEnum):
    """How a ring stands; the value is the word for it everywhere."""

    TO_DO = "to do"
    IN_WORK = "in work"
    LIKELY_INSIDE = "likely inside"
    INSIDE = "inside"
    OVER = "over the most"
    SKIPPED = "skipped"
    ACCEPTED = "accepted"
    ACCEPTED_LIKELY = "accepted, likely inside"
    ACCEPTED_UNSURE = "accepted, unsure"
    ACCEPTED_UNDER = "accepted, under the least"
    ACCEPTED_OVER = "accepted, over the most"
    SPOILED = "spoiled"
    REPLACED = "spoiled, replaced"

    @property
    def name_in_pages(self) -> str:
        """A name for the style of pages: ``accepted-likely``."""
        return self.name.lower().replace("_", "-")


_EVEN = 0.5
"""Likelier than not."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How one ring stands. inside: believed chance of being inside, 0..1; None where not known."""

    status: RingStatus
    inside: float | None = None

    @property
    def words(self) -> str:
        """The status, with its chance where it is less than sure: ``likely inside, 9 in ten``."""
        if self.inside is None:
            return self.status.value
        if self.status in (RingStatus.LIKELY_INSIDE, RingStatus.ACCEPTED_LIKELY):
            return f"{self.status.value}, {told_share(self.inside)}"
        if self.status is RingStatus.ACCEPTED_UNSURE:
            share = told_share(self.inside) if self.inside >= 0.1 else "less than 1 in ten"
            return f"{self.status.value}, inside {share}"
        return self.status.value


def standing_of(state: State, key: RingKey) -> Standing:
    """How one ring of the job stands."""
    return _standing(state.ring(key), state.bench(key), state.window(key))


def standings(state: State) -> dict[RingKey, Standing]:
    """How every ring of the job stands, in the order of work."""
    return {key: standing_of(state, key) for key in state.the_job.places()}


@lru_cache(maxsize=1024)
def _standing(ring: Ring, bench: Bench, window: Window) -> Standing:
    match ring.outcome:
        case Outcome.SPOILED:
            return Standing(RingStatus.SPOILED)
        case Outcome.SKIPPED:
            return Standing(RingStatus.SKIPPED)
    if not ring.facts:
        if ring.outcome is Outcome.ACCEPTED:
            return Standing(RingStatus.ACCEPTED_UNSURE)
        return Standing(RingStatus.IN_WORK if ring.checks else RingStatus.TO_DO)
    belief = believe(ring.facts, bench, window=window)
    accepted = ring.outcome is Outcome.ACCEPTED
    if not belief.known:
        return Standing(RingStatus.ACCEPTED_UNSURE if accepted else RingStatus.IN_WORK)
    inside, under = belief.p_inside(window), belief.p_below(window.least_nm)
    over = 0.0 if window.most_nm is None else belief.p_above(window.most_nm)
    if inside >= bench.confidence:
        status = RingStatus.ACCEPTED if accepted else RingStatus.INSIDE
    elif over >= bench.confidence:
        status = RingStatus.ACCEPTED_OVER if accepted else RingStatus.OVER
    elif accepted and under >= bench.confidence:
        status = RingStatus.ACCEPTED_UNDER
    elif inside >= _EVEN:
        status = RingStatus.ACCEPTED_LIKELY if accepted else RingStatus.LIKELY_INSIDE
    else:
        status = RingStatus.ACCEPTED_UNSURE if accepted else RingStatus.IN_WORK
    return Standing(status, inside)


# --- what it comes to --------------------------------------------------------------------------


class Concern(StrEnum):
    """What is left to see to, worst first; every ring that is not simply accepted is in one."""

    UNDER = "under the least"
    OVER = "over the most"
    UNSURE = "unsure"
    REPLACE = "to replace"
    LIKELY = "likely inside"
    SKIPPED = "skipped"
    OPEN = "open"


class Grade(StrEnum):
    """The verdict in a few words."""

    WRONG = "NOT RIGHT YET"
    OPEN = "NOT DONE YET"
    UNSURE = "NOT SURE YET"
    RIGHT = "ALL RIGHT"

    @property
    def sign(self) -> str:
        """One character of plain ASCII to go with the words."""
        return {Grade.WRONG: "!", Grade.OPEN: ">", Grade.UNSURE: "?", Grade.RIGHT: "="}[self]


_CONCERNS = {
    RingStatus.ACCEPTED_UNDER: Concern.UNDER,
    RingStatus.ACCEPTED_OVER: Concern.OVER,
    RingStatus.OVER: Concern.OVER,
    RingStatus.ACCEPTED_UNSURE: Concern.UNSURE,
    RingStatus.SPOILED: Concern.REPLACE,
    RingStatus.ACCEPTED_LIKELY: Concern.LIKELY,
    RingStatus.SKIPPED: Concern.SKIPPED,
    RingStatus.TO_DO: Concern.OPEN,
    RingStatus.IN_WORK: Concern.OPEN,
    RingStatus.LIKELY_INSIDE: Concern.OPEN,
    RingStatus.INSIDE: Concern.OPEN,
}
_GRADES = {
    Concern.UNDER: Grade.WRONG, Concern.OVER: Grade.WRONG, Concern.UNSURE: Grade.WRONG,
    Concern.REPLACE: Grade.WRONG, Concern.SKIPPED: Grade.OPEN, Concern.OPEN: Grade.OPEN,
    Concern.LIKELY: Grade.UNSURE,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Part:
    """Rings of one concern, in the order of work."""

    concern: Concern
    keys: tuple[RingKey, ...]

    @property
    def count(self) -> str:
        """``2 to replace``."""
        return f"{len(self.keys)} {self.concern}"

    def words(self, *, named: int = 0) -> str:
        """The count, and the rings by name if they are at most ``named``."""
        if len(self.keys) > named:
            return self.count
        return f"{self.count} ({', '.join(short_place(key) for key in self.keys)})"


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether all rings are done and right. parts: what is left, worst first.

    accepted: rings accepted inside with the job's confidence. rings: of the job.
    """

    grade: Grade
    parts: tuple[Part, ...]
    accepted: int
    rings: int

    @property
    def progress(self) -> str:
        """``13 of 18 rings accepted inside``."""
        return f"{self.accepted} of {self.rings} rings accepted inside"

    def words(self, *, named: int = 0) -> str:
        """One line: ``NOT RIGHT YET: 1 under the least (cylinder 2 top), 2 to replace, 5 open``.

        named: rings of a part that is wrong are named if they are at most so many.
        """
        if not self.parts:
            return f"{self.grade}: {self.progress}"
        told = [
            part.words(named=named if _GRADES[part.concern] is Grade.WRONG else 0)
            for part in self.parts
        ]
        return f"{self.grade}: {', '.join(told)}"


def verdict_of(found: Mapping[RingKey, Standing]) -> Verdict:
    """The verdict on all rings of a job."""
    by_concern: dict[Concern, list[RingKey]] = {}
    for key, standing in found.items():
        if standing.status in _CONCERNS:
            by_concern.setdefault(_CONCERNS[standing.status], []).append(key)
    parts = tuple(Part(c, tuple(by_concern[c])) for c in Concern if c in by_concern)
    accepted = sum(standing.status is RingStatus.ACCEPTED for standing in found.values())
    return Verdict(_worst(part.concern for part in parts), parts, accepted, len(found))


def _worst(concerns: Iterable[Concern]) -> Grade:
    """The worst grade; grades are listed worst first."""
    there = {_GRADES[concern] for concern in concerns}
    return next((grade for grade in Grade if grade in there), Grade.RIGHT)


def short_place(key: RingKey) -> str:
    """A ring as a list names it: ``cylinder 2 top``."""
    return f"cylinder {key[0]} {key[1].value}"
