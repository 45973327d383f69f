"""The way of the ring at hand while it is fitted: the review's plot, growing turn by turn. Pure.

A state remembers the states before it, so the way needs no log: it can be drawn from the state
alone, after a restart too.
"""

from markupsafe import Markup

from assistant.bench import events as ev
from assistant.bench.plan import RingKey
from assistant.bench.session import State
from assistant.bench.wording import Wording
from assistant.record.review_plots import gap_plot
from assistant.record.session_story import Entry, entry_of


def way_at_hand(state: State, wording: Wording) -> Markup:
    """The way of the ring at hand as inline SVG; empty where nothing was tried or cut yet."""
    key = state.here
    if key is None:
        return Markup("")
    entries = entries_of(state, key, wording)
    name = f"{wording.place(key).capitalize()}: gap after every call"
    return gap_plot(entries, state.window(key), state.the_job.unit, name=name, ident="at-hand")


def entries_of(state: State, key: RingKey, wording: Wording) -> list[Entry]:
    """What was entered of the ring that is at ``key`` now, oldest first, as it was believed then.

    Entries that were taken back, or told of a spoiled ring that was there before, are not among
    them: the state knows only what counts.
    """
    entries: list[Entry] = []
    then: State | None = state
    while then is not None:
        events = [
            event for event in then.last_entry
            if event.key == key and not isinstance(event, ev.RingPicked)
        ]  # fmt: skip
        if events:
            entries.append(entry_of(then, key, events, turn=then.entry_turn, wording=wording))
        if any(isinstance(event, ev.RingReopened) and event.fresh for event in events):
            break
        then = then.before
    return entries[::-1]
