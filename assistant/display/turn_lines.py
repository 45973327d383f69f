"""A turn as labelled lines of text: what was heard, what it means, the ring, what is said."""

from collections.abc import Iterator

from assistant.bench import events as ev
from assistant.bench.dialogue import Turn
from assistant.bench.gap_words import told_gap, window_words
from assistant.bench.job import GrinderKind
from assistant.bench.learned import Learned
from assistant.bench.plan import RingKey
from assistant.bench.reply import entry_line
from assistant.bench.ring_status import RingStatus, standing_of
from assistant.bench.session import State
from assistant.bench.wording import Wording
from assistant.units import NM_PER_MM, NM_PER_THOU, show_gap

Line = tuple[str, str]
"""(label, text)"""


def turn_lines(turn: Turn, wording: Wording) -> Iterator[Line]:
    """The lines of one turn; labels are heard, means, ring and says."""
    if turn.call.heard.words:
        words = " ".join(turn.call.heard.words)
        yield "heard", words if turn.call.typed else f"{words}  ({turn.call.heard.score:.2f})"
    meaning = _meaning(turn, wording)
    if meaning:
        yield "means", meaning
    if turn.state.here is not None and any(isinstance(e, ev.RingEvent) for e in turn.events):
        yield "ring", ring_line(turn.state, turn.state.here, wording)
    for event in turn.events:
        if isinstance(event, ev.TroubleNoted) and event.detail:
            yield "note", event.detail
    if turn.reply.shown:
        yield "says", turn.reply.shown


def ring_line(state: State, key: RingKey, wording: Wording) -> str:
    """One ring: place, gap with its 95 % band, window, how much more, how it stands."""
    unit, window = state.the_job.unit, state.window(key)
    told, standing = told_gap(state.belief(key)), standing_of(state, key)
    parts = [
        f"{wording.place(key)}, gap {told.words(unit)}",
        f"window {window_words(window, unit)}",
    ]
    if told.best_nm is not None and told.best_nm < window.least_nm:
        parts.append(f"{show_gap(window.target_nm - told.best_nm, unit)} to go")
    if standing.status not in (RingStatus.TO_DO, RingStatus.IN_WORK):
        parts.append(standing.words)
    return ", ".join(parts)


def learned_lines(tool: GrinderKind, known: Learned) -> Iterator[str]:
    """What was learned of a person with a kind of tool, in words and in both units."""

    def both(length_nm: float) -> str:
        return f"{length_nm / NM_PER_THOU:.2f} thou ({length_nm / NM_PER_MM:.4f} mm)"

    if tool is GrinderKind.FILE:
        stroke = both(known.per_stroke_nm)
        yield f"one stroke takes {stroke}, give or take {known.per_stroke_sd:.0%}"
    else:
        yield f"the grinder takes {known.rate:.2f} of its feed, give or take {known.rate_sd:.0%}"
    spread = both(known.cut_sd_nm)
    if tool is GrinderKind.FILE:
        spread += f" and by {known.per_pass_sd:.0%} of what it takes off"
    yield f"one cut spreads by {spread}"
    if known.doubles >= 0.5:
        often = round(known.counted_cuts / known.doubles)
        yield f"one cut in {often} takes about twice what is set: cuts stay shy of that"
    yield f"feel spreads by {both(known.spread_nm)} from one try to the next"
    felt = "as they are"
    if abs(known.offset_nm) >= NM_PER_THOU / 200:  # half of the last digit shown
        side = "looser" if known.offset_nm > 0 else "tighter"
        felt = f"{both(abs(known.offset_nm))} {side} than they are"
    yield f"leaves feel {felt}, give or take {both(known.offset_sd_nm)}"


def _meaning(turn: Turn, wording: Wording) -> str:
    if turn.refused is not None:
        return f"no effect: {turn.refused}"
    unit = turn.state.the_job.unit
    entries = [
        entry_line(event, wording, unit).shown
        for event in turn.events
        if isinstance(event, ev.RingEvent)
    ]
    if turn.state.pending is not None and any(
        isinstance(event, ev.QuestionAsked) for event in turn.events
    ):
        waiting = [e for e in turn.state.pending.events if isinstance(e, ev.RingEvent)]
        asked = ", ".join(entry_line(event, wording, unit).shown for event in waiting)
        asked = asked or "taking back the entry before"
        return "; ".join([*entries, f"asked back before it counts: {asked}"])
    taken_back = any(isinstance(event, ev.EntryRetracted) for event in turn.events)
    said = "taken back" if taken_back else (turn.command or "").replace("_", " ")
    said = "a question" if said == "ask" else said
    return "; ".join([*(["taken back"] if taken_back else []), *entries]) or said
