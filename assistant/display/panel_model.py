"""What there is to be seen of the live bench: from a turn, and from moment to moment. Pure.

How it is laid out: panel.py.
"""

from dataclasses import dataclass
from enum import StrEnum

from assistant.bench.advice import Advice, Step, advise
from assistant.bench.dialogue import Turn
from assistant.bench.job import RingPosition
from assistant.bench.plan import BAND_SHARE, RingKey
from assistant.bench.ports import Mode
from assistant.bench.reply import is_guess, reply_to_pending
from assistant.bench.session import Outcome, State
from assistant.bench.wording import Wording
from assistant.units import Unit, show_gap, show_span, to_called


@dataclass(frozen=True, slots=True)
class LiveFacts:
    """What the ear tells from moment to moment.

    level_db, noise_db: of full scale, None where nothing is known. troubles: newest last.
    cautions: to be read before the first call.
    """

    mode: Mode = Mode.LISTENING
    level_db: float | None = None
    noise_db: float | None = None
    troubles: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


class Mark(StrEnum):
    """State of a ring on the map; its value is its letter."""

    OPEN = "o"
    WORK = "w"
    INSIDE = "i"
    ACCEPTED = "a"
    OUTSIDE = "u"
    SKIPPED = "s"
    SPOILED = "x"


_SHORT_RINGS = {
    RingPosition.TOP: "top", RingPosition.SECOND: "second", RingPosition.UPPER_RAIL: "upper",
    RingPosition.LOWER_RAIL: "lower", RingPosition.OIL: "oil",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PanelFacts:
    """What a turn leaves to be seen, in words.

    big_ring, big_gap, big_step: for large letters, lengths in called units; empty if none.
    sure: how sure the ear was, 0..1, None if nothing was heard. effect: why a call had none.
    rows: (ring, marks by cylinder); here: (row, cylinder from 0) of the ring at hand.
    """

    job: str
    place: str
    big_ring: str
    big_gap: str
    big_step: str
    gap: str
    window: str
    more: str
    says: str
    question: str
    heard: str
    sure: float | None
    effect: str
    rows: tuple[tuple[str, tuple[Mark, ...]], ...]
    here: tuple[int, int] | None
    done: int
    rings: int
    figures: str


# --- from a turn to words ---------------------------------------------------------------------


def facts_of(turn: Turn, wording: Wording, *, before: PanelFacts | None = None) -> PanelFacts:
    """What ``turn`` leaves to be seen. before: gives the last call where the turn has none."""
    state = turn.state
    unit = state.the_job.unit
    advice = advise(state)
    key = state.here if state.here is not None else advice.key
    marks = _map(state)
    words = " ".join(turn.call.heard.words)
    kept = before if before is not None and not words else None
    gap, big_gap, more = _gap(state, key, unit) if key is not None else ("", "", "")
    open_count = len(state.open_rings())
    return PanelFacts(
        job=state.the_job.name,
        place=wording.place(key) if key is not None else "",
        big_ring=f"{key[0]} {_SHORT_RINGS[key[1]]}" if key is not None else "all done",
        big_gap=big_gap,
        big_step="yes or no?" if state.pending is not None else _step(advice, unit),
        gap=gap,
        window=_window(state, key, unit) if key is not None else "",
        more=more,
        says=turn.reply.shown or (before.says if before is not None else ""),
        question=reply_to_pending(state.pending, state, wording).shown if state.pending else "",
        heard=kept.heard if kept is not None else words,
        sure=kept.sure if kept is not None else turn.call.heard.score if words else None,
        effect=kept.effect if kept is not None else turn.refused or "",
        rows=marks,
        here=_cell(state),
        done=len(list(state.the_job.places())) - open_count,
        rings=len(list(state.the_job.places())),
        figures="thou" if unit is Unit.INCH else "hundredths of a mm",
    )


def _gap(state: State, key: RingKey, unit: Unit) -> tuple[str, str, str]:
    """Gap with its band, gap for large letters, how much more."""
    belief, window = state.belief(key), state.window(key)
    if belief.butting:
        return "butts", "butts", "unknown, it butts"
    if not belief.known:
        cut = " since the cut" if state.ring(key).passes else ""
        return f"not measured{cut}", "", "measure first"
    low_nm, high_nm = belief.interval_nm(BAND_SHARE)
    span = show_span(low_nm, high_nm, unit)
    if is_guess(belief):
        return span, "", "not sure yet"
    shown = f"{show_gap(belief.best_nm, unit)} ({span})"
    if belief.best_nm >= window.least_nm:
        over = window.most_nm is not None and belief.best_nm > window.most_nm
        sure = max(belief.p_inside(window), 1.0 - belief.p_below(window.least_nm) if over else 0.0)
        more = "none: over the most" if over else "none: inside"
        if sure < state.bench(key).confidence:
            more = more.replace("none: ", "none: likely ")
    else:
        more = show_gap(max(0, window.target_nm - belief.best_nm), unit)
    return shown, f"gap {_figure(belief.best_nm, unit)}", more


def _window(state: State, key: RingKey, unit: Unit) -> str:
    window = state.window(key)
    if window.most_nm is None:
        return f"{show_gap(window.least_nm, unit)} or more"
    return show_span(window.least_nm, window.most_nm, unit)


def _figure(length_nm: int, unit: Unit) -> str:
    called = to_called(length_nm, unit)
    return f"{round(called, 1).normalize():f}"


_STEPS = {
    Step.PICK: "next ring", Step.CLOSE: "too close", Step.OVER: "over", Step.ALL_DONE: "wrap up",
    Step.LIKELY: "measure or accept", Step.LIKELY_OVER: "likely over",
    Step.ENDS: "dress ends", Step.DRESS: "deburr", Step.ACCEPT: "accept it",
}  # fmt: skip


def _step(advice: Advice, unit: Unit) -> str:
    """The next step in two words, for large letters."""
    if advice.step in (Step.CUT, Step.CUT_BUTTING):
        if advice.strokes:
            return f"file {advice.strokes}"
        return f"grind {_figure(advice.feed_nm, unit)}"
    if advice.step in (Step.SEAT, Step.AFTER_CUT, Step.MEASURE):
        return "try " + "+".join(_figure(nm, unit) for nm in advice.stack_nm)
    return _STEPS[advice.step]


def _map(state: State) -> tuple[tuple[str, tuple[Mark, ...]], ...]:
    job = state.the_job
    there = [p for p in RingPosition if any(ring.position is p for ring in job.rings)]
    return tuple(
        (_SHORT_RINGS[p], tuple(_mark(state, (c + 1, p)) for c in range(job.cylinders)))
        for p in there
    )


def _cell(state: State) -> tuple[int, int] | None:
    if state.here is None:
        return None
    job = state.the_job
    there = [p for p in RingPosition if any(ring.position is p for ring in job.rings)]
    return there.index(state.here[1]), state.here[0] - 1


def _mark(state: State, key: RingKey) -> Mark:
    ring = state.ring(key)
    match ring.outcome:
        case Outcome.ACCEPTED:
            return Mark.OUTSIDE if ring.outside else Mark.ACCEPTED
        case Outcome.SPOILED:
            return Mark.SPOILED
        case Outcome.SKIPPED:
            return Mark.SKIPPED
    if not ring.facts:
        return Mark.OPEN
    belief, window = state.belief(key), state.window(key)
    inside = belief.known and belief.p_inside(window) >= state.bench(key).confidence
    return Mark.INSIDE if inside else Mark.WORK
