"""From a session log to the build sheet's input."""

from collections.abc import Sequence

from assistant import events as ev
from assistant.fitting.facts import Cut, Fact, Feel, Reading
from assistant.job import GrinderKind, Job
from assistant.plan import RingKey
from assistant.reply import Wording
from assistant.report import RingRow, RingState, Sheet
from assistant.session import Outcome, Ring, State, replay
from assistant.units import Unit, show_gap

BAND_SHARE = 0.95


def sheet_of(envelopes: Sequence[ev.Envelope], *, log_name: str, wording: Wording) -> Sheet:
    """The sheet of a session. Raises CommandNotAllowed if the log opened no session."""
    state = replay(envelopes)
    job = state.the_job
    software = [
        envelope.event.software
        for envelope in envelopes
        if isinstance(envelope.event, ev.SessionOpened | ev.SessionResumed)
    ]
    return Sheet(
        job_name=job.name,
        person=job.person,
        unit=job.unit,
        cylinders=job.cylinders,
        bore_nm=job.bore_nm,
        grinder=_grinder(job),
        leaves_nm=job.leaves_nm,
        rings=tuple(_row(state, key) for key in job.places()),
        cautions=wording.cautions,
        software=software[-1],
        log_name=log_name,
        band_share=BAND_SHARE,
        notes=job.notes,
        started=envelopes[0].at,
        ended=envelopes[-1].at,
    )


def _grinder(job: Job) -> str:
    step = show_gap(job.grinder.step_nm, job.unit)
    if job.grinder.kind is GrinderKind.DIAL:
        return f"dial grinder, smallest step {step}"
    return f"file, about {step} a stroke"


def _row(state: State, key: RingKey) -> RingRow:
    cylinder, position = key
    job, ring = state.the_job, state.ring(key)
    window, belief = state.window(key), state.belief(key)
    known = belief.known and not belief.butting
    low_nm, high_nm = belief.interval_nm(BAND_SHARE) if known else (None, None)
    return RingRow(
        cylinder=cylinder,
        position=position.value,
        bore_nm=job.bore_for(cylinder),
        least_nm=window.least_nm,
        most_nm=window.most_nm,
        target_nm=window.target_nm,
        state=_state(ring),
        gap_nm=belief.best_nm if known else None,
        low_nm=low_nm,
        high_nm=high_nm,
        passes=ring.passes,
        history=tuple(_words(fact, job.unit) for fact in ring.facts),
        checks=tuple(sorted(ring.checks)),
    )


def _state(ring: Ring) -> RingState:
    match ring.outcome:
        case Outcome.ACCEPTED:
            return RingState.OUTSIDE if ring.outside else RingState.ACCEPTED
        case Outcome.SPOILED:
            return RingState.SPOILED
        case Outcome.SKIPPED:
            return RingState.SKIPPED
    return RingState.TO_DO


def _words(fact: Fact, unit: Unit) -> str:
    match fact:
        case Reading(feel=Feel.BUTTS):
            return "butts"
        case Reading(leaf_nm=leaf_nm, feel=feel):
            return f"{show_gap(leaf_nm, unit)} {feel.value}"
        case Cut(feed_nm=0, strokes=strokes):
            return f"{strokes} strokes"
        case Cut(feed_nm=feed_nm):
            return f"ground {show_gap(feed_nm, unit)}"
    return "set square"
