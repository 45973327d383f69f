"""What finished rings teach of the grinder, the file and the person."""

from dataclasses import replace

import numpy as np
import pytest

from assistant.fitting.bench import Grinder, GrinderKind
from assistant.fitting.facts import Cut, Feel, Reading
from assistant.fitting.learning import FinishedRing, learn, offset
from tests.fitting.ring_calls import BENCH, THOU, WINDOW, almost, cut, goes, no_go, snug


def _rings(count: int, *, rate: float, feel: float, cut_sd: float = 0.25) -> list[FinishedRing]:
    """Rings cut twice with this true rate, read with this spread (thou)."""
    rng = np.random.default_rng(11)

    def read(gap: float) -> tuple[Reading, ...]:
        calls = []
        for leaf in (round(gap - 0.5), round(gap + 0.5)):
            play = gap - leaf + feel * rng.standard_normal()
            kind = no_go if play < -0.75 else almost if play < -0.25 else snug
            calls.append((goes if play > 0.25 else kind)(leaf))
        return tuple(calls)

    rings = []
    for _ in range(count):
        gap = rng.uniform(3, 7)
        facts: tuple[Reading | Cut, ...] = read(gap)
        for feed in (5.0, 2.0):
            gap += rate * feed + cut_sd * rng.standard_normal()
            facts = (*facts, cut(feed), *read(gap))
        rings.append(FinishedRing(facts, WINDOW))
    return rings


@pytest.mark.parametrize("rate", [0.75, 1.0, 1.25])
def test_rate_of_the_grinder_is_found(rate: float) -> None:
    bench = learn(BENCH, _rings(12, rate=rate, feel=0.25))
    assert bench.grinder.rate == pytest.approx(rate, abs=0.05)
    assert bench.grinder.rate_sd < 0.04


def test_every_ring_makes_the_rate_surer_at_first() -> None:
    rings = _rings(4, rate=1.1, feel=0.25)
    spreads = [learn(BENCH, rings[:n]).grinder.rate_sd for n in range(5)]
    assert spreads == sorted(spreads, reverse=True)


def test_spread_of_feel_grows_for_a_rough_hand_and_shrinks_for_a_fine_one() -> None:
    rough = learn(BENCH, _rings(25, rate=1.0, feel=0.5)).person.spread_nm
    fine = learn(BENCH, _rings(25, rate=1.0, feel=0.12)).person.spread_nm
    assert fine < BENCH.person.spread_nm < rough
    assert rough > 0.35 * THOU


def test_spread_of_the_cut_grows_for_a_rough_grinder() -> None:
    rough = learn(BENCH, _rings(25, rate=1.0, feel=0.2, cut_sd=0.8)).grinder.cut_sd_nm
    assert rough > 1.5 * BENCH.grinder.cut_sd_nm


def test_file_learns_its_stroke() -> None:
    # Ten strokes won five thou, twice: half a thou a stroke instead of a third.
    bench = replace(BENCH, grinder=Grinder(kind=GrinderKind.FILE))
    facts = (snug(4), Cut(strokes=10), snug(9), Cut(strokes=10), snug(14))
    learned = learn(bench, [FinishedRing(facts, WINDOW)] * 3).grinder
    assert learned.per_stroke_nm == pytest.approx(0.5 * THOU, rel=0.05)
    assert learned.per_stroke_sd < 0.1
    assert learned.rate == bench.grinder.rate


def test_ring_without_a_cut_teaches_nothing_of_the_grinder() -> None:
    learned = learn(BENCH, [FinishedRing((goes(15), almost(16)), WINDOW)])
    assert learned.grinder == BENCH.grinder


def test_way_of_speaking_is_learned_from_the_words() -> None:
    fine = learn(BENCH, [FinishedRing((goes(15), almost(16)), WINDOW)])
    plain = FinishedRing((goes(14), goes(15), no_go(16), no_go(17)), WINDOW)
    coarse = learn(BENCH, [plain] * 3)
    assert fine.person.only_goes < BENCH.person.only_goes < coarse.person.only_goes


def test_offset_is_set_in_a_slot_of_known_width() -> None:
    # A slot of 15 thou that feels like 15.5 and, now and then, 15: about a third of a thou.
    readings = [Reading(round(15.5 * THOU), Feel.SNUG), goes(15), almost(16)]
    wide = replace(BENCH, person=replace(BENCH.person, offset_sd_nm=0.5 * THOU))
    person = offset(wide, 15 * THOU, readings)
    assert 0.3 * THOU < person.offset_nm < 0.6 * THOU
    assert person.offset_sd_nm < wide.person.offset_sd_nm / 2
