"""What a log says was written down and stands, in the words that a person would use for it."""

from collections.abc import Iterable

from assistant.bench import events as ev
from assistant.fitting.facts import Feel
from assistant.units import NM_PER_THOU
from tests.simulation.told import Key, plain_figure


def standing(envelopes: Iterable[ev.Envelope]) -> dict[Key, list[str]]:
    """Entries of each ring that were never taken back, in order; lengths in thou.

    Written apart from ``session.apply`` on purpose: a list of events with the retracted turns
    struck out, so that a fault in the fold cannot hide.
    """
    logged = list(envelopes)
    gone: set[int] = set()
    for one in logged:
        if isinstance(one.event, ev.EntryRetracted):
            gone.add(one.event.retracted_turn)
    found: dict[Key, list[str]] = {}
    for one in logged:
        if one.turn not in gone and (entry := entry_of(one.event)) is not None:
            found.setdefault((one.event.cylinder, one.event.position.value), []).append(entry)
    return found


def entry_of(event: object) -> str | None:
    """The event as an entry ("15 goes", "ground 2.5", "accepted"), None if it is none."""
    match event:
        case ev.LeafTried(feel=Feel.BUTTS):
            return "butts"
        case ev.LeafTried(leaf_nm=leaf_nm, feel=feel):
            return f"{plain_figure(str(leaf_nm / NM_PER_THOU))} {feel.value}"
        case ev.MetalGround(feed_nm=feed_nm):
            return f"ground {plain_figure(str(feed_nm / NM_PER_THOU))}"
        case ev.RingChecked(check=check):
            return check
        case ev.RingAccepted():
            return "accepted"
        case ev.RingSpoiled():
            return "spoiled"
        case ev.RingSkipped():
            return "skipped"
        case ev.RingReopened():
            return "reopened"
    return None
