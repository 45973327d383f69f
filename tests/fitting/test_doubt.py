"""Readings that cannot be true come back as a question with the likeliest explanation."""

import pytest

from assistant.fitting.belief import believe
from assistant.fitting.doubt import DOUBT_BELOW, DoubtKind, doubt, fits_instead, reading_chance
from assistant.fitting.facts import Cut, Reading, Reseated
from tests.fitting.ring_calls import (
    BENCH,
    THOU,
    WINDOW,
    almost,
    butts,
    cut,
    goes,
    no_go,
    snug,
)

Facts = tuple[Reading | Cut | Reseated, ...]


@pytest.mark.parametrize(
    ("facts", "reading", "kind"),
    [
        ((), goes(50), DoubtKind.IMPOSSIBLE),  # fifty for fifteen
        ((goes(10), snug(11), cut(3)), no_go(7), DoubtKind.SHRANK),
        ((goes(10), snug(11), cut(3)), goes(21), DoubtKind.GREW_TOO_MUCH),  # three times the feed
        ((goes(5), snug(6), cut(8)), almost(9), DoubtKind.GREW_TOO_LITTLE),
        ((goes(12), almost(13)), no_go(9), DoubtKind.CONTRADICTS),
        ((goes(12), almost(13)), goes(15), DoubtKind.CONTRADICTS),
        ((goes(12), almost(13)), butts(), DoubtKind.CONTRADICTS),
        ((butts(), cut(10)), goes(30), DoubtKind.GREW_TOO_MUCH),
    ],
)
def test_reading_that_cannot_be_true_is_doubted(
    facts: Facts, reading: Reading, kind: DoubtKind
) -> None:
    found = doubt(believe(facts, BENCH, window=WINDOW), reading)
    assert found is not None
    assert found.kind is kind
    assert found.chance < DOUBT_BELOW
    assert reading.leaf_nm not in found.likely_nm


@pytest.mark.parametrize(
    ("facts", "reading"),
    [
        ((), goes(7)),
        ((), snug(19)),
        ((), butts()),
        ((goes(15),), almost(16)),
        ((goes(15),), no_go(16)),
        ((goes(10), snug(11), cut(3)), snug(14)),
        ((goes(10), snug(11), cut(3)), goes(13)),
        ((butts(), cut(10)), butts()),
        ((butts(), cut(10)), goes(8)),
        ((snug(16), Reseated()), snug(14)),  # it was tilted
    ],
)
def test_plausible_reading_is_taken_without_a_question(facts: Facts, reading: Reading) -> None:
    assert doubt(believe(facts, BENCH, window=WINDOW), reading) is None


def test_likely_leaves_are_those_that_would_have_felt_so() -> None:
    belief = believe((goes(11), snug(12), cut(3)), BENCH, window=WINDOW)
    found = doubt(belief, snug(50))
    assert found is not None
    assert 15 * THOU in found.likely_nm
    for leaf_nm in found.likely_nm:
        assert doubt(belief, Reading(leaf_nm, snug(1).feel)) is None


def test_reading_of_the_neighbour_ring_is_recognised() -> None:
    rings = {
        "second": believe((goes(8), snug(9)), BENCH, window=WINDOW),
        "top": believe((goes(14), snug(15)), BENCH, window=WINDOW),
        "unread": believe((), BENCH, window=WINDOW),
    }
    assert doubt(rings["second"], snug(15)) is not None
    assert fits_instead({"top": rings["top"], "unread": rings["unread"]}, snug(15)) == "top"
    assert fits_instead({"unread": rings["unread"]}, snug(15)) is None


def test_chance_of_a_reading_is_a_chance() -> None:
    belief = believe((goes(11), snug(12)), BENCH, window=WINDOW)
    total = sum(reading_chance(belief, call(12)) for call in (goes, snug, almost, no_go))
    # The fifth feel, dropping through, has next to no chance here.
    assert 0.999 < total <= 1.0 + 1e-9
