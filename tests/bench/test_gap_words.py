"""What is told of a gap: no figure that nobody measured."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.bench.gap_words import (
    NOT_MEASURED,
    GapKind,
    ToldGap,
    told_gap,
    window_figures,
    window_words,
)
from assistant.bench.wording import Wording
from assistant.fitting.targets import Window
from assistant.language.grammar import Grammar
from assistant.units import Unit
from tests.examples import FEW
from tests.fakes import THOU, TOP, Bench, small_job

KEY = (1, TOP)


@pytest.mark.parametrize(
    ("calls", "kind", "words", "short"),
    [
        ([], GapKind.UNKNOWN, "not measured", "-"),
        (["butts"], GapKind.BUTTS, "butts", "butts"),
        (["twenty two goes"], GapKind.OVER, "over 22 thou", "over 22"),
        (["twelve goes", "fifteen goes"], GapKind.OVER, "over 15 thou", "over 15"),
        (["six no go"], GapKind.UNDER, "under 6 thou, may butt", "under 6"),
        (["eight goes eighteen no go"], GapKind.BAND, r"8 to 1[78]\S* thou", r"8 to 1[78]\S*"),
        (["fifteen goes sixteen snug"], GapKind.FIGURE,
         r"(15\.5|16) thou \(15\S* to 1[67]\S* thou\)", r"15\.5|16"),
        (["twelve goes thirteen snug", "ground two"], GapKind.CUT,
         "not measured since the cut", "cut"),
    ],
)  # fmt: skip
def test_what_is_told_of_a_gap(
    bench: Bench, calls: list[str], kind: GapKind, words: str, short: str
) -> None:
    told = told_gap(bench.through("top ring", *calls).state.belief(KEY))
    assert told.kind is kind
    assert re.fullmatch(words, told.words(Unit.INCH))
    assert re.fullmatch(short, told.short(Unit.INCH))


SAID = st.sampled_from(["goes", "goes easily", "snug", "no go", "almost"])


@given(st.lists(st.tuples(st.integers(2, 25), SAID), min_size=1, max_size=4))
@FEW
def test_a_figure_is_told_only_of_a_narrow_band_and_nothing_is_negative(
    grammar: Grammar, wording: Wording, readings: list[tuple[int, str]]
) -> None:
    bench = Bench(small_job(), grammar, wording)
    bench.type("top ring")
    for leaf, feel in readings:
        bench.type(f"{leaf} {feel}")
        bench.type("yes")
    belief = bench.state.belief(KEY)
    told = told_gap(belief)
    assert "-" not in told.words(Unit.INCH)
    low_nm, high_nm = belief.interval_nm(0.95)
    if told.best_nm is not None:
        assert high_nm - low_nm <= 3 * THOU
        assert told.low_nm is not None
        assert told.high_nm is not None
        assert told.low_nm <= told.best_nm <= told.high_nm
    leaves = {reading.leaf_nm for reading in belief.tried}
    if told.kind is GapKind.OVER:
        assert told.low_nm == max(leaves)  # a leaf that went in, not a belief
    if told.kind is GapKind.UNDER:
        assert told.high_nm == min(leaves)


def test_bounds_of_a_forecast_are_not_measured() -> None:
    assert not ToldGap(GapKind.CUT, None, 15 * THOU, 17 * THOU).measured
    assert not NOT_MEASURED.measured
    assert ToldGap(GapKind.OVER, None, 22 * THOU).measured


@pytest.mark.parametrize(
    ("window", "unit", "words", "figures"),
    [
        (Window(15 * THOU, 17 * THOU, 16 * THOU), Unit.INCH, "15 to 17 thou", "15 to 17"),
        (Window(15 * THOU, None, 15 * THOU), Unit.INCH, "15 thou or more", "15 or more"),
        (Window(380_000, 420_000, 400_000), Unit.METRIC, "0.380 to 0.420 mm", "0.380 to 0.420"),
    ],
)
def test_a_window_in_words(window: Window, unit: Unit, words: str, figures: str) -> None:
    assert (window_words(window, unit), window_figures(window, unit)) == (words, figures)
