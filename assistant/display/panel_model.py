"""What there is to be seen of the live bench: from a turn, and from moment to moment. Pure.

How it is laid out: panel.py.
"""

from dataclasses import dataclass

from assistant.bench.advice import Advice, Step, advise
from assistant.bench.dialogue import Turn
from assistant.bench.gap_words import NOT_MEASURED, GapKind, ToldGap, told_gap, window_words
from assistant.bench.job import RingPosition
from assistant.bench.plan import RingKey
from assistant.bench.ports import Mode
from assistant.bench.reply import reply_to_pending
from assistant.bench.ring_status import (
    Grade,
    RingStatus,
    Standing,
    Verdict,
    standings,
    verdict_of,
)
from assistant.bench.session import State
from assistant.bench.wording import Wording
from assistant.units import Unit, show_gap, to_called


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


_SHORT_RINGS = {
    RingPosition.TOP: "top", RingPosition.SECOND: "second", RingPosition.UPPER_RAIL: "upper",
    RingPosition.LOWER_RAIL: "lower", RingPosition.OIL: "oil",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PanelFacts:
    """What a turn leaves to be seen, in words.

    verdict: on all rings. ring: the one shown, None where none is left. told: what is known of its
    gap. big_ring, big_gap, big_step: for large letters, lengths in called units; empty if none.
    sure: how sure the ear was, 0..1, None if nothing was heard. effect: why a call had none.
    rows: (ring, standings by cylinder), from the crown down; here: (row, cylinder from 0) of the
    ring at hand.
    """

    job: str
    verdict: Verdict
    ring: RingKey | None
    told: ToldGap
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
    rows: tuple[tuple[str, tuple[Standing, ...]], ...]
    here: tuple[int, int] | None
    figures: str


# --- from a turn to words ---------------------------------------------------------------------


def facts_of(turn: Turn, wording: Wording, *, before: PanelFacts | None = None) -> PanelFacts:
    """What ``turn`` leaves to be seen. before: gives the last call where the turn has none."""
    state = turn.state
    unit = state.the_job.unit
    advice = advise(state)
    key = state.here if state.here is not None else advice.key
    found = standings(state)
    verdict = verdict_of(found)
    words = " ".join(turn.call.heard.words)
    kept = before if before is not None and not words else None
    told = told_gap(state.belief(key)) if key is not None else NOT_MEASURED
    return PanelFacts(
        job=state.the_job.name,
        verdict=verdict,
        ring=key,
        told=told,
        place=wording.place(key) if key is not None else "",
        big_ring=f"{key[0]} {_SHORT_RINGS[key[1]]}" if key is not None else _ended(verdict),
        big_gap=_big_gap(told, unit),
        big_step="yes or no?" if state.pending is not None else _step(advice, unit),
        gap=told.words(unit) if key is not None else "",
        window=window_words(state.window(key), unit) if key is not None else "",
        more=_more(state, key, told, found[key]) if key is not None else "",
        says=turn.reply.shown or (before.says if before is not None else ""),
        question=reply_to_pending(state.pending, state, wording).shown if state.pending else "",
        heard=kept.heard if kept is not None else words,
        sure=kept.sure if kept is not None else turn.call.heard.score if words else None,
        effect=kept.effect if kept is not None else turn.refused or "",
        rows=_map(state, found),
        here=_cell(state),
        figures="thou" if unit is Unit.INCH else "hundredths of a mm",
    )


def _ended(verdict: Verdict) -> str:
    """Where no ring is left to take up; nothing is all done that is not surely right."""
    return "all done" if verdict.grade is Grade.RIGHT else verdict.grade.lower()


def _big_gap(told: ToldGap, unit: Unit) -> str:
    """The gap for large letters: a figure, or the side that is known."""
    match told.kind:
        case GapKind.FIGURE if told.best_nm is not None:
            return f"gap {_figure(told.best_nm, unit)}"
        case GapKind.OVER if told.low_nm is not None:
            return f"over {_figure(told.low_nm, unit)}"
        case GapKind.UNDER if told.high_nm is not None:
            return f"under {_figure(told.high_nm, unit)}"
        case GapKind.BUTTS:
            return "butts"
    return ""


def _more(state: State, key: RingKey, told: ToldGap, standing: Standing) -> str:
    """How much there is still to go, or why nothing more comes off."""
    status = standing.status
    if status not in (RingStatus.TO_DO, RingStatus.IN_WORK):
        return f"none: {standing.words}"
    match told.kind:
        case GapKind.BUTTS:
            return "unknown, it butts"
        case GapKind.UNKNOWN | GapKind.CUT:
            return "measure first"
        case GapKind.FIGURE if told.best_nm is not None:
            window = state.window(key)
            if window.most_nm is not None and told.best_nm > window.most_nm:
                return "none: likely over the most"
            if told.best_nm < window.least_nm:
                return show_gap(max(0, window.target_nm - told.best_nm), state.the_job.unit)
    return "not sure yet"


def _figure(length_nm: int, unit: Unit) -> str:
    called = to_called(length_nm, unit)
    return f"{round(called, 1).normalize():f}"


_STEPS = {
    Step.PICK: "next ring", Step.CLOSE: "too close", Step.OVER: "over", Step.ALL_DONE: "wrap up",
    Step.LIKELY: "measure or accept", Step.LIKELY_OVER: "likely over",
    Step.ENDS: "dress ends", Step.DRESS: "deburr", Step.ACCEPT: "accept it",
    Step.REPLACE: "new ring", Step.NOT_RIGHT: "not right", Step.ALL_LIKELY: "wrap up",
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


def _map(
    state: State, found: dict[RingKey, Standing]
) -> tuple[tuple[str, tuple[Standing, ...]], ...]:
    cylinders = range(1, state.the_job.cylinders + 1)
    return tuple((_SHORT_RINGS[p], tuple(found[c, p] for c in cylinders)) for p in _down(state))


def _down(state: State) -> list[RingPosition]:
    """Rings of a piston from the crown down."""
    return [p for p in RingPosition if p in state.the_job.order]


def _cell(state: State) -> tuple[int, int] | None:
    if state.here is None:
        return None
    return _down(state).index(state.here[1]), state.here[0] - 1
