"""A turn as labelled lines of text: what was heard, what it means, the ring, what is said."""

from collections.abc import Iterator

from assistant import events as ev
from assistant.advice import Advice
from assistant.dialogue import Turn
from assistant.reply import Wording, entry_line
from assistant.session import State
from assistant.units import show_gap

Line = tuple[str, str]
"""(label, text)"""


def turn_lines(turn: Turn, wording: Wording) -> Iterator[Line]:
    """The lines of one turn; labels are heard, means, ring and says."""
    if turn.call.heard.words:
        words = " ".join(turn.call.heard.words)
        yield "heard", f"{words}  ({turn.call.heard.score:.2f})"
    meaning = _meaning(turn, wording)
    if meaning:
        yield "means", meaning
    if turn.advice is not None and turn.events:
        ring = ring_line(turn.advice, turn.state, wording)
        if ring:
            yield "ring", ring
    if turn.reply.shown:
        yield "says", turn.reply.shown


def ring_line(advice: Advice, state: State, wording: Wording) -> str:
    """The ring at hand: place, gap with band, window, how much more."""
    if advice.key is None or advice.window is None or advice.belief is None:
        return ""
    unit, belief, window = state.the_job.unit, advice.belief, advice.window
    parts = [wording.place(advice.key)]
    if belief.butting:
        parts.append("gap butts")
    elif belief.known:
        band = f"{show_gap(belief.low_nm, unit)} to {show_gap(belief.high_nm, unit)}"
        parts.append(f"gap {show_gap(belief.best_nm, unit)} ({band})")
    else:
        parts.append("gap not measured")
    most = f"to {show_gap(window.most_nm, unit)}" if window.most_nm is not None else "or more"
    parts.append(f"window {show_gap(window.least_nm, unit)} {most}")
    if advice.more_nm:
        parts.append(f"{show_gap(advice.more_nm, unit)} to go")
    return ", ".join(parts)


def _meaning(turn: Turn, wording: Wording) -> str:
    if turn.refused is not None:
        return f"no effect: {turn.refused}"
    unit = turn.state.the_job.unit
    if turn.state.pending is not None and any(
        isinstance(event, ev.QuestionAsked) for event in turn.events
    ):
        entries = [entry_line(event, wording, unit).shown for event in turn.state.pending.events]
        return f"asked back before it counts: {', '.join(entries)}"
    entries = [
        entry_line(event, wording, unit).shown
        for event in turn.events
        if isinstance(event, ev.RingEvent)
    ]
    taken_back = any(isinstance(event, ev.EntryRetracted) for event in turn.events)
    said = "taken back" if taken_back else (turn.command or "").replace("_", " ")
    return "; ".join([*(["taken back"] if taken_back else []), *entries]) or said
