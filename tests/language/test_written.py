"""Typed figures: what is written on a leaf and in a job file becomes what is called."""

from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from num2words import num2words

from assistant.build.words import load_grammar
from assistant.language.written import figure_in, with_number, words_typed
from assistant.units import Unit

GRAMMARS = {unit: load_grammar(unit=unit) for unit in Unit}

# 1 thou = 0.001 in by definition of the word; 1 hundredth here = 0.01 mm.
INCH = [
    ("0.0155 goes", "fifteen and a half goes"),
    (".010 goes", "ten goes"),
    ("0,010 goes", "ten goes"),
    ('.010" goes', "ten goes"),
    ("0.010 in goes", "ten goes"),
    ("10 thou goes", "ten goes"),
    ("ten thou goes", "ten goes"),
    ("10 THOU goes, 11 thou snug.", "ten goes eleven snug"),
    ("15 1/2 goes", "fifteen and a half goes"),
    ("15½ goes", "fifteen and a half goes"),
    ("10+6 goes", "ten plus six goes"),
    ("15 goes,16 snug", "fifteen goes sixteen snug"),
    ("ground 1/2", "ground half"),
    ("ground half a thou", "ground half thou"),
    ("ground .003", "ground three"),
    ("ground 0.5", "ground half"),
    ("cylinder 2 top ring 15.5 goes", "cylinder two top ring fifteen and a half goes"),
]
METRIC = [
    ("0.40 goes", "forty goes"),
    ("0,40 goes", "forty goes"),
    ("40 goes", "forty goes"),
    ("0.405 mm goes", "forty and a half goes"),
    ("40 hundredths goes", "forty goes"),
    ("ground .05", "ground five"),
    ("ground 0.5", "ground half"),
]


@pytest.mark.parametrize(
    ("unit", "line", "words"),
    [*((Unit.INCH, *row) for row in INCH), *((Unit.METRIC, *row) for row in METRIC)],
)
def test_a_typed_line_is_the_call_it_means(unit: Unit, line: str, words: str) -> None:
    grammar = GRAMMARS[unit]
    made = words_typed(line, grammar)
    assert grammar.parse(made) is not None
    assert grammar.meaning(made) == grammar.meaning(words.split())


@pytest.mark.parametrize(
    ("unit", "line"),
    [
        (Unit.INCH, "10 mm goes"),
        (Unit.INCH, "0.40 mm goes"),
        (Unit.INCH, '10" goes'),
        (Unit.INCH, "10 in goes"),
        (Unit.INCH, "0.010 thou goes"),
        (Unit.INCH, "10.25 goes"),
        (Unit.INCH, "0.01025 goes"),
        (Unit.METRIC, "0.016 in goes"),
        (Unit.METRIC, "16 thou goes"),
        (Unit.METRIC, "0.5 goes"),
        (Unit.METRIC, ".4 goes"),
    ],
)
def test_what_is_another_unit_or_no_callable_number_is_no_reading(unit: Unit, line: str) -> None:
    grammar = GRAMMARS[unit]
    parsed = grammar.parse(words_typed(line, grammar))
    assert parsed is None or parsed.values("unit") not in ((), (unit.value,))


HALVES = st.integers(min_value=2, max_value=120).map(lambda n: Decimal(n) / 2)


def spoken(count: Decimal) -> str:
    """By num2words, in the words that the trade says halves with."""
    whole = num2words(int(count)).replace("-", " ")
    return f"{whole} and a half" if count % 1 else whole


@given(HALVES, st.sampled_from(["{}", "{} thou", "{}thou"]))
def test_thou_stay_what_they_are(count: Decimal, form: str) -> None:
    grammar, line = GRAMMARS[Unit.INCH], f"{form.format(count)} goes"
    said = f"{spoken(count)} goes".split()
    assert grammar.meaning(words_typed(line, grammar)) == grammar.meaning(said)


@given(HALVES, st.sampled_from(["{}", "{} in", '{}"', "{} inch"]))
def test_inches_are_a_thousand_thou(count: Decimal, form: str) -> None:
    inches = count / 1000
    assume(inches > 0)
    line = f"{form.format(f'{inches:.4f}')} goes"
    assert " ".join(words_typed(line, GRAMMARS[Unit.INCH])) == f"{spoken(count)} goes"


@given(st.integers(min_value=2, max_value=199), st.sampled_from(["{}", "{} mm", "{}mm"]))
def test_millimetres_are_a_hundred_hundredths(halves: int, form: str) -> None:
    count = Decimal(halves) / 2
    line = f"{form.format(f'{count / 100:.3f}')} goes"
    assert " ".join(words_typed(line, GRAMMARS[Unit.METRIC])) == f"{spoken(count)} goes"


@given(st.text(max_size=60), st.sampled_from(list(Unit)))
def test_no_line_breaks_it(line: str, unit: Unit) -> None:
    words = words_typed(line, GRAMMARS[unit])
    assert all(word and not word.isspace() for word in words)


def test_a_number_that_stayed_in_figures_is_found() -> None:
    words = words_typed("top ring 10.25 goes", GRAMMARS[Unit.INCH])
    assert figure_in(words) == (2, Decimal("10.25"))
    assert with_number(words, 2, "twenty one") == ("top", "ring", "twenty", "one", "goes")
    assert figure_in(("ten", "goes")) is None
