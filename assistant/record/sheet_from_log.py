"""From a session log to the build sheet's input."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from assistant.bench import events as ev
from assistant.bench.gap_words import told_gap
from assistant.bench.job import GrinderKind, Job, RingPosition
from assistant.bench.plan import BAND_SHARE, RingKey
from assistant.bench.ring_status import standing_of
from assistant.bench.session import State, apply, replay
from assistant.bench.wording import Wording
from assistant.fitting.facts import Cut, Fact, Feel, Reading
from assistant.fitting.geometry import butting_ring_c, hot_gap_nm, material
from assistant.record.sheet_forms import KeptNote, RingRow, Sheet
from assistant.units import Unit, show_gap, show_span


def sheet_of(
    envelopes: Sequence[ev.Envelope],
    *,
    log_name: str,
    wording: Wording,
    log_check: str = "",
    damage: Sequence[str] = (),
    local: Callable[[datetime], datetime] = lambda at: at,
) -> Sheet:
    """The sheet of a session. log_check, damage: of the log (chain.py). local: a stored time as the
    shop's clock showed it, with its offset.

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
        started=local(envelopes[0].at),
        ended=local(envelopes[-1].at) if state.closed else None,
        last_call=local(envelopes[-1].at),
        bores_nm=job.bores_nm,
        kept_notes=tuple(replace(note, at=local(note.at)) for note in _kept_notes(envelopes)),
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
    state = State()
    for envelope in envelopes:
        state = apply(state, envelope)
        match envelope.event:
            case ev.NoteKept(clip=str()) if envelope.seq < forgotten:
                erased = "(its sound was erased on request)"
                yield KeptNote(envelope.at, text=erased, ring=state.here)
            case ev.NoteKept(clip=clip, text=text):
                yield KeptNote(envelope.at, text=text, clip=clip, ring=state.here)


def _grinder(job: Job) -> str:
    step = show_gap(job.grinder.step_nm, job.unit)
    if job.grinder.kind is GrinderKind.DIAL:
        return f"dial grinder, smallest step {step}"
    return f"file, about {step} a stroke"


def _row(state: State, key: RingKey) -> RingRow:
    cylinder, position = key
    job, ring = state.the_job, state.ring(key)
    window, belief = state.window(key), state.belief(key)
    return RingRow(
        cylinder=cylinder,
        position=position,
        bore_nm=job.bore_for(cylinder),
        window=window,
        standing=standing_of(state, key),
        told=told_gap(belief),
        passes=ring.passes,
        replaced=ring.replaced,
        history=tuple(_words(fact, job.unit) for fact in ring.facts),
        checks=tuple(sorted(ring.checks)),
        notes=tuple(_notes(state, key)),
    )


def _notes(state: State, key: RingKey) -> Iterator[str]:
    job, gap_nm = state.the_job, told_gap(state.belief(key)).best_nm
    if gap_nm is None:
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
        hot_nm = hot_gap_nm(gap_nm, bore_nm, ring_c=float(heat.ring_c), **hot)
        touch_c = butting_ring_c(gap_nm, bore_nm, **hot)
        yield (
            f"hot gap about {show_gap(round(hot_nm), job.unit)} with the ring at {heat.ring_c} C "
            f"and the bore at {heat.bore_c} C; the ends would touch at a ring of {touch_c:.0f} C "
            "(information only, never a licence to go under the maker's figure)"
        )


def _words(fact: Fact, unit: Unit) -> str:
    match fact:
        case Reading(feel=Feel.BUTTS):
            return "butts"
        case Reading(leaf_nm=leaf_nm, feel=feel):
            return f"{show_gap(leaf_nm, unit)} {feel.value}"
        case Cut(dressing=True):
            return "ends square again, taken as dressed"
        case Cut(feed_nm=0, strokes=strokes):
            return f"{strokes} strokes"
        case Cut(feed_nm=feed_nm):
            return f"ground {show_gap(feed_nm, unit)}"
    return "set square"
