"""One rule for all that is told of a gap: a figure only where the belief is narrow."""

import re

import pytest

from assistant.bench.gap_words import is_guess
from assistant.bench.wording import Wording
from assistant.display.panel_model import facts_of
from assistant.display.turn_lines import ring_line
from tests.fakes import TOP, Bench

FIGURE = re.compile(r"(about|gap) \d|\d thou to go", re.IGNORECASE)


@pytest.mark.parametrize("call", ["ten goes", "eighteen no go", "eight goes eighteen no go"])
def test_no_figure_is_told_of_a_gap_that_is_a_guess(
    bench: Bench, wording: Wording, call: str
) -> None:
    """One leaf that goes leaves up to 20 thou open: the middle of that is nobody's gap."""
    bench.through("top ring", call)
    belief = bench.state.belief((1, TOP))
    assert is_guess(belief)
    told = [bench.last.reply.shown]
    for question in ("how much more", "what now"):
        bench.say(question)
        told.append(bench.last.reply.shown)
    assert not [line for line in told if FIGURE.search(line)]
    assert told[1] == told[2]  # the range, and the leaf that tells more
    assert "Try " in told[1]
    line = ring_line(bench.state, (1, TOP), wording)
    assert "to go" not in line
    assert "(" not in line  # the band alone, no figure before it
    facts = facts_of(bench.last, wording)
    assert re.fullmatch(r"|over \d+|under \d+", facts.big_gap)
    assert facts.more == "not sure yet"


def test_a_figure_is_told_where_the_readings_close_in(bench: Bench, wording: Wording) -> None:
    bench.through("top ring", "fourteen goes fifteen snug", "how much more")
    assert FIGURE.search(bench.last.reply.shown)
    assert "to go" in ring_line(bench.state, (1, TOP), wording)
