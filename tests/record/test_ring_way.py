"""The way of the ring at hand, from the state alone: held against the story of the same log."""

import pytest

from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.record.ring_way import entries_of, way_at_hand
from assistant.record.session_story import story_of
from tests.fakes import SECOND, Bench

SECOND_RING = (
    "cylinder one second ring eleven goes twelve snug", "ground three", "deburred",
    "ring is square", "fourteen goes fifteen snug",
)  # fmt: skip


@pytest.mark.parametrize(
    "calls",
    [
        SECOND_RING,
        (*SECOND_RING, "ground half", "take that back", "ground one"),
        (*SECOND_RING, "ground half", "make that one"),
        (*SECOND_RING, "twenty five goes", "no", "fifteen goes"),
        (*SECOND_RING, "cylinder one top ring sixteen goes", "cylinder one second ring"),
        (*SECOND_RING, "spoiled ring", "cylinder one second ring", "yes", "ten goes eleven snug"),
        ("twenty goes", "accept it", "cylinder one upper rail", "yes"),
        (),
    ],
)
def test_every_ring_has_the_entries_that_the_story_keeps(
    bench: Bench, wording: Wording, calls: tuple[str, ...]
) -> None:
    bench.through(*calls)
    state = replay(bench.store.events)
    for ring in story_of(bench.store.events, wording).rings:
        kept = [entry for entry in ring.kept if entry.specimen == ring.specimens]
        mine = entries_of(state, ring.key, wording)
        assert [(e.turn, e.events, e.texts, e.passes, e.band) for e in mine] == [
            (e.turn, e.events, e.texts, e.passes, e.band) for e in kept
        ]


def test_the_plot_is_that_of_the_ring_at_hand(bench: Bench, wording: Wording) -> None:
    assert way_at_hand(bench.state, wording) == ""  # nothing tried yet
    bench.through(*SECOND_RING)
    assert bench.state.here == (1, SECOND)
    drawn = way_at_hand(bench.state, wording)
    assert "Cylinder 1 second ring: gap after every call" in drawn
    assert drawn.count('class="mark"') == 4  # leaves tried
    assert "+3" in drawn
    bench.say("cylinder two second ring")
    assert way_at_hand(bench.state, wording) == ""
