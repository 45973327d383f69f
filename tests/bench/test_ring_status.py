"""How rings stand and what that comes to: held against the belief, and against a plain count."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.bench.job import RingPosition
from assistant.bench.ring_status import (
    Concern,
    Grade,
    Part,
    RingStatus,
    Standing,
    standing_of,
    standings,
    verdict_of,
)
from assistant.bench.wording import Wording
from assistant.language.grammar import Grammar
from tests.examples import FEW
from tests.fakes import SECOND, TOP, UPPER, Bench, small_job

KEY = (1, TOP)


@pytest.mark.parametrize(
    ("calls", "status"),
    [
        ([], RingStatus.TO_DO),
        (["top ring", "deburred"], RingStatus.IN_WORK),
        (["top ring", "butts"], RingStatus.IN_WORK),
        (["top ring", "twelve goes thirteen snug"], RingStatus.IN_WORK),
        (["top ring", "sixteen goes seventeen snug"], RingStatus.INSIDE),
        (["top ring", "sixteen goes seventeen snug", "accept it"], RingStatus.ACCEPTED),
        (["top ring", "twenty one goes twenty two snug"], RingStatus.OVER),
        (["top ring", "twenty one goes twenty two snug", "accept it", "yes"],
         RingStatus.ACCEPTED_OVER),
        (["top ring", "twelve goes thirteen snug", "accept it", "yes"],
         RingStatus.ACCEPTED_UNDER),
        (["top ring", "fifteen goes", "accept it", "yes"], RingStatus.ACCEPTED_UNSURE),
        (["top ring", "skip this ring"], RingStatus.SKIPPED),
        (["top ring", "twelve goes", "spoiled ring"], RingStatus.SPOILED),
        (["top ring", "spoiled ring", "cylinder one top ring", "yes"], RingStatus.TO_DO),
    ],
)  # fmt: skip
def test_how_a_ring_stands(bench: Bench, calls: list[str], status: RingStatus) -> None:
    assert standing_of(bench.through(*calls).state, KEY).status is status


def test_a_ring_in_the_place_of_a_spoiled_one_counts_what_it_replaces(bench: Bench) -> None:
    again = ("spoiled ring", "cylinder one top ring", "yes")
    assert bench.through("top ring", *again, *again).state.ring(KEY).replaced == 2
    bench.through("sixteen goes seventeen snug", "accept it", "cylinder one top ring",
                  "twelve goes", "yes")  # fmt: skip
    assert bench.state.ring(KEY).replaced == 2  # opened again: the same ring


SAID = st.sampled_from(["goes", "snug", "no go", "almost"])


@given(st.lists(st.tuples(st.integers(12, 21), SAID), min_size=1, max_size=3), st.booleans())
@FEW
def test_a_ring_is_told_inside_only_with_the_confidence_of_the_job(
    grammar: Grammar, wording: Wording, readings: list[tuple[int, str]], accept: bool
) -> None:
    bench = Bench(small_job(), grammar, wording)
    bench.type("top ring")
    for leaf, feel in readings:
        bench.type(f"{leaf} {feel}")
        bench.type("yes")
    if accept:
        bench.type("accept it")
        bench.type("yes")
    state, standing = bench.state, standing_of(bench.state, KEY)
    inside = state.belief(KEY).p_inside(state.window(KEY))
    plain = standing.status in (RingStatus.INSIDE, RingStatus.ACCEPTED)
    assert plain == (inside >= state.bench(KEY).confidence == 0.95)
    if standing.status in (RingStatus.LIKELY_INSIDE, RingStatus.ACCEPTED_LIKELY):
        told = Decimal(standing.words.split(", ")[-1].removesuffix(" in ten")) / 10
        assert 0 <= inside - float(told) < 0.1
        assert inside >= 0.5
    assert standing.inside is None or standing.inside == inside


@pytest.mark.parametrize(
    ("status", "inside", "words"),
    [
        (RingStatus.LIKELY_INSIDE, 0.93, "likely inside, 9 in ten"),
        (RingStatus.ACCEPTED_LIKELY, 0.5, "accepted, likely inside, 5 in ten"),
        (RingStatus.ACCEPTED_UNSURE, 0.34, "accepted, unsure, inside 3 in ten"),
        (RingStatus.ACCEPTED_UNSURE, 0.02, "accepted, unsure, inside less than 1 in ten"),
        (RingStatus.ACCEPTED, 0.97, "accepted"),
        (RingStatus.ACCEPTED_UNDER, 0.01, "accepted, under the least"),
    ],
)
def test_what_is_not_sure_is_told_with_its_chance(
    status: RingStatus, inside: float, words: str
) -> None:
    assert Standing(status, inside).words == words


def test_the_verdict_of_a_session(bench: Bench) -> None:
    bench.through("cylinder two top ring", "twelve goes thirteen snug", "accept it", "yes",
                  "cylinder one top ring", "spoiled ring", "cylinder one second ring",
                  "spoiled ring")  # fmt: skip
    verdict = verdict_of(standings(bench.state))
    assert verdict.words(named=1) == (
        "NOT RIGHT YET: 1 under the least (cylinder 2 top), 2 to replace, 3 open"
    )
    assert verdict.progress == "0 of 6 rings accepted inside"


KEYS = st.tuples(st.integers(1, 16), st.sampled_from(RingPosition))
LIVE = [status for status in RingStatus if status is not RingStatus.REPLACED]


@given(st.dictionaries(KEYS, st.sampled_from(LIVE), min_size=1, max_size=40))
def test_every_ring_counts_once_and_all_right_means_that_all_are_accepted_inside(
    found: dict[tuple[int, RingPosition], RingStatus],
) -> None:
    verdict = verdict_of({key: Standing(status) for key, status in found.items()})
    counted = [key for part in verdict.parts for key in part.keys]
    assert len(counted) == len(set(counted))
    assert len(counted) + verdict.accepted == verdict.rings == len(found)
    assert (verdict.grade is Grade.RIGHT) == (set(found.values()) == {RingStatus.ACCEPTED})
    wrong = {RingStatus.SPOILED, RingStatus.OVER, RingStatus.ACCEPTED_UNSURE,
             RingStatus.ACCEPTED_UNDER, RingStatus.ACCEPTED_OVER}  # fmt: skip
    assert (verdict.grade is Grade.WRONG) == bool(wrong & set(found.values()))
    assert verdict.words().startswith(f"{verdict.grade}: ")


def test_rings_of_a_part_are_named_up_to_the_number_wanted() -> None:
    part = Part(Concern.REPLACE, ((1, TOP), (2, UPPER)))
    assert part.words() == part.words(named=1) == "2 to replace"
    assert part.words(named=2) == "2 to replace (cylinder 1 top, cylinder 2 upper rail)"


def test_only_likely_inside_is_neither_right_nor_wrong() -> None:
    found = {(1, TOP): Standing(RingStatus.ACCEPTED_LIKELY, 0.8),
             (1, SECOND): Standing(RingStatus.ACCEPTED, 0.99)}  # fmt: skip
    assert verdict_of(found).words() == "NOT SURE YET: 1 likely inside"


def test_signs_differ_and_are_plain_ascii() -> None:
    signs = [grade.sign for grade in Grade]
    assert len(set(signs)) == len(signs)
    assert all(sign.isascii() for sign in signs)
