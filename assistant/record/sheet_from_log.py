"""From a session log to the build sheet's input."""

from collections.abc import Iterator, Sequence

from assistant.bench import events as ev
from assistant.bench.job import GrinderKind, Job, RingPosition
from assistant.bench.plan import BAND_SHARE, RingKey
from assistant.bench.session import Outcome, Ring, State, replay
from assistant.bench.wording import Wording
from assistant.fitting.facts import Cut, Fact, Feel, Reading
from assistant.fitting.geometry import butting_ring_c, hot_gap_nm, material
from assistant.record.sheet_forms import KeptNote, RingRow, RingState, Sheet
from assistant.units import Unit, show_gap, show_span


def sheet_of(
    envelopes: Sequence[ev.Envelope],
    *,
    log_name: str,
    wording: Wording,
    log_check: str = "",
    damage: Sequence[str] = (),
) -> Sheet:
    """The sheet of a session. log_check, damage: of the log (chain.py).

    Raises CommandNotAllowed if the log opened no session.
    """
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
        bores_nm=job.bores_nm,
        kept_notes=tuple(_kept_notes(envelopes)),
        damage=(*damage, *_told_damage(envelopes)),
        log_events=len(envelopes),
        log_check=log_check,
    )


def _told_damage(envelopes: Sequence[ev.Envelope]) -> Iterator[str]:
    """Of a log that goes on from what could be read of a damaged one."""
    for envelope in envelopes:
        match envelope.event:
            case ev.TroubleNoted(about="log damaged", detail=detail):
                yield detail


def _kept_notes(envelopes: Sequence[ev.Envelope]) -> Iterator[KeptNote]:
    """Notes as they are now: sound that was erased on request is told as such."""
    forgotten = max(
        (e.seq for e in envelopes if isinstance(e.event, ev.ClipsForgotten)), default=-1
    )
    for envelope in envelopes:
        match envelope.event:
            case ev.NoteKept(clip=str()) if envelope.seq < forgotten:
                yield KeptNote(envelope.at, text="(its sound was erased on request)")
            case ev.NoteKept(clip=clip, text=text):
                yield KeptNote(envelope.at, text=text, clip=clip)


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
        notes=tuple(_notes(state, key)),
    )


def _notes(state: State, key: RingKey) -> Iterator[str]:
    job, belief = state.the_job, state.belief(key)
    if not belief.known or belief.butting:
        return
    wanted = job.top_over_second
    difference_nm = state.top_over_second_nm(key[0]) if wanted is not None else None
    if wanted is not None and difference_nm is not None and key[1] is RingPosition.TOP:
        yield (
            f"{show_gap(difference_nm, job.unit)} over the second ring, wanted "
            f"{show_span(wanted.least_nm, wanted.most_nm, job.unit)}"
        )
    if job.heat is not None:
        heat, bore_nm = job.heat, job.bore_for(key[0])
        hot = {
            "ring_alpha_per_k": material(heat.ring).alpha_per_k,
            "bore_alpha_per_k": material(heat.bore).alpha_per_k,
            "bore_c": float(heat.bore_c),
        }
        hot_nm = hot_gap_nm(belief.best_nm, bore_nm, ring_c=float(heat.ring_c), **hot)
        touch_c = butting_ring_c(belief.best_nm, bore_nm, **hot)
        yield (
            f"hot gap about {show_gap(round(hot_nm), job.unit)} with the ring at {heat.ring_c} C "
            f"and the bore at {heat.bore_c} C; the ends would touch at a ring of {touch_c:.0f} C "
            "(information only, never a licence to go under the maker's figure)"
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
        case Cut(dressing=True):
            return "ends dressed"
        case Cut(feed_nm=0, strokes=strokes):
            return f"{strokes} strokes"
        case Cut(feed_nm=feed_nm):
            return f"ground {show_gap(feed_nm, unit)}"
    return "set square"
