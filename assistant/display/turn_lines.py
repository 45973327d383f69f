"""A turn as labelled lines of text: what was heard, what it means, the ring, what is said."""

from collections.abc import Iterator

from assistant.bench import events as ev
from assistant.bench.dialogue import Turn
from assistant.bench.job import GrinderKind
from assistant.bench.learned import Learned
from assistant.bench.plan import BAND_SHARE, RingKey
from assistant.bench.reply import entry_line, is_guess
from assistant.bench.session import State
from assistant.bench.wording import Wording
from assistant.units import NM_PER_MM, NM_PER_THOU, show_gap, show_span

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
    if turn.state.here is not None and any(isinstance(e, ev.RingEvent) for e in turn.events):
        yield "ring", ring_line(turn.state, turn.state.here, wording)
    for event in turn.events:
        if isinstance(event, ev.TroubleNoted) and event.detail:
            yield "note", event.detail
    if turn.reply.shown:
        yield "says", turn.reply.shown


def ring_line(state: State, key: RingKey, wording: Wording) -> str:
    """One ring: place, gap with its 95 % band, window, how much more, how it ended."""
    unit, belief, window = state.the_job.unit, state.belief(key), state.window(key)
    parts = [wording.place(key)]
    if belief.butting:
        parts.append("gap butts")
    elif belief.known:
        low_nm, high_nm = belief.interval_nm(BAND_SHARE)
        figure, span = show_gap(belief.best_nm, unit), show_span(low_nm, high_nm, unit)
        parts.append(f"gap {span}" if is_guess(belief) else f"gap {figure} ({span})")
    else:
        parts.append("gap not measured")
    if window.most_nm is None:
        parts.append(f"window {show_gap(window.least_nm, unit)} or more")
    else:
        parts.append(f"window {show_span(window.least_nm, window.most_nm, unit)}")
    if belief.known and belief.best_nm < window.least_nm and not is_guess(belief):
        parts.append(f"{show_gap(window.target_nm - belief.best_nm, unit)} to go")
    outcome = state.ring(key).outcome
    if outcome is not None:
        parts.append(outcome.value)
    return ", ".join(parts)


def learned_lines(key: str, known: Learned) -> Iterator[str]:
    """What was learned, in words and in both units."""

    def both(length_nm: float) -> str:
        return f"{length_nm / NM_PER_THOU:.2f} thou ({length_nm / NM_PER_MM:.4f} mm)"

    if key.endswith(GrinderKind.FILE):
        stroke = both(known.per_stroke_nm)
        yield f"one stroke takes {stroke}, give or take {known.per_stroke_sd:.0%}"
    else:
        yield f"the grinder takes {known.rate:.2f} of its feed, give or take {known.rate_sd:.0%}"
    yield f"one cut spreads by {both(known.cut_sd_nm)}"
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
    if turn.state.pending is not None and any(
        isinstance(event, ev.QuestionAsked) for event in turn.events
    ):
        waiting = [e for e in turn.state.pending.events if isinstance(e, ev.RingEvent)]
        entries = [entry_line(event, wording, unit).shown for event in waiting]
        return f"asked back before it counts: {', '.join(entries)}"
    entries = [
        entry_line(event, wording, unit).shown
        for event in turn.events
        if isinstance(event, ev.RingEvent)
    ]
    taken_back = any(isinstance(event, ev.EntryRetracted) for event in turn.events)
    said = "taken back" if taken_back else (turn.command or "").replace("_", " ")
    said = "a question" if said == "ask" else said
    return "; ".join([*(["taken back"] if taken_back else []), *entries]) or said
