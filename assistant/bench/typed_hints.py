"""What a keyboard can tell beyond the spoken replies: why a figure will not do, the nearest call.

Shown under the answer to a typed call that had no effect; it is never logged nor acted upon.
"""

from decimal import Decimal
from itertools import combinations

from assistant.bench.job import Job
from assistant.language.grammar import Grammar
from assistant.language.nearest import nearest
from assistant.language.numbers import join
from assistant.language.written import UNITS, figure_in, with_number
from assistant.units import Unit, floor_to, show_gap


def hint(words: tuple[str, ...], job: Job, grammar: Grammar) -> str | None:
    """One sentence about typed ``words`` that are no call, None if nothing better can be told."""
    if grammar.parse(words) is not None:
        return None  # it was understood; the reply tells why it does not do
    figure = figure_in(words)
    if figure is not None and grammar.numbers is not None:
        place, value = figure
        asked = grammar.parse(with_number(words, place, grammar.numbers.say(Decimal(10))))
        if asked is not None:
            return _other_number(asked.command, words[place], value, job)
    if set(words) & set(UNITS):
        return None  # the reply tells of the unit; without it the call would be another length
    found = _only_ending(words, grammar) if grammar.is_prefix(words) else nearest(words, grammar)
    return f"The nearest call: {join(found)}" if found is not None else None


def _only_ending(words: tuple[str, ...], grammar: Grammar) -> tuple[str, ...] | None:
    """The call that was begun, if it can end in one way only."""
    while not grammar.is_complete(words):
        following = grammar.next_words(words)
        if len(following) != 1:
            return None
        words = (*words, *following)
    return words


def _other_number(command: str, figure: str, value: Decimal, job: Job) -> str:
    unit = job.unit
    if unit is Unit.METRIC and value < 1:
        return f"{figure} could be millimetres or hundredths: write two decimals for millimetres."
    called_nm = value * unit.call_nm
    shown = f"{figure} {unit.call_symbol}"
    if command == "readings":
        return f"No leaves of yours make {shown}. Nearest: {_stacks_near(called_nm, job)}."
    if command == "ground":
        low_nm = floor_to(int(called_nm), unit.half_nm)
        near = [show_gap(nm, unit) for nm in (low_nm, low_nm + unit.half_nm) if nm > 0]
        return f"{shown} cannot be called, only whole and half ones: {' or '.join(near)}."
    if command == "strokes":
        return f"{figure} strokes: strokes are whole."
    return f"{figure} cannot be called here: whole and half numbers can."


def _stacks_near(called_nm: Decimal, job: Job) -> str:
    """The leaves, one or two, that come nearest from below and from above."""
    pairs = combinations(job.leaves_nm, 2)
    # Of equal sums a single leaf, else the pair with the thickest leaf, as the advice does.
    stacks = sorted(
        [*((leaf_nm,) for leaf_nm in job.leaves_nm), *pairs],
        key=lambda stack: (sum(stack), len(stack), -max(stack)),
    )
    below = [stack for stack in stacks if sum(stack) <= called_nm]
    above = [stack for stack in stacks if sum(stack) >= called_nm]
    low = next((s for s in stacks if below and sum(s) == sum(below[-1])), None)
    near = [stack for stack in (low, above[0] if above else None) if stack is not None]
    return " or ".join(
        " plus ".join(show_gap(leaf_nm, job.unit) for leaf_nm in sorted(stack, reverse=True))
        for stack in near
    )
