"""What the keyboard tells of a figure that will not do, and of a call that is nearly one."""

import pytest

from assistant.bench.typed_hints import hint
from assistant.build.words import load_grammar
from assistant.language.written import words_typed
from assistant.units import Unit
from tests.fakes import metric_job, small_job

# By hand from the leaves of the test job, which hold 1.5 thou: which one or two make the next less
# and the next more.
CASES = [
    ("10.25 goes", "No leaves of yours make 10.25 thou. Nearest: 10 thou or 9 thou plus 1.5 thou."),
    ("0.01025 goes",
     "No leaves of yours make 10.25 thou. Nearest: 10 thou or 9 thou plus 1.5 thou."),
    ("ground 2.25",
     "2.25 thou cannot be called, only whole and half ones: 2 thou or 2.5 thou."),
    ("ground 0.2", "0.2 thou cannot be called, only whole and half ones: 0.5 thou."),
    ("acept it", "The nearest call: accept it"),
    ("skip", "The nearest call: skip this ring"),
    ("what are", "The nearest call: what are the calls"),
    ("cylinder 1.25 top ring", "1.25 cannot be called here: whole and half numbers can."),
]  # fmt: skip


@pytest.mark.parametrize(("line", "told"), CASES)
def test_it_tells_what_would_do(line: str, told: str) -> None:
    grammar = load_grammar()
    assert hint(words_typed(line, grammar), small_job(), grammar) == told


@pytest.mark.parametrize(
    "line", ["accept it", "10 goes", "15", "banana", "ground 3 mm", "good morning"]
)
def test_it_is_silent_where_the_reply_says_it_all(line: str) -> None:
    grammar = load_grammar()
    assert hint(words_typed(line, grammar), small_job(), grammar) is None


def test_a_figure_of_a_metric_job_that_could_be_either_is_told_so() -> None:
    grammar = load_grammar(unit=Unit.METRIC)
    told = hint(words_typed("0.4 goes", grammar), metric_job(), grammar)
    assert told is not None
    assert told.startswith("0.4 could be millimetres or hundredths")


def test_half_a_stroke_of_a_file_is_told_so() -> None:
    grammar = load_grammar(unit=Unit.METRIC)
    told = hint(words_typed("2.25 strokes", grammar), metric_job(), grammar)
    assert told == "2.25 strokes: strokes are whole."
