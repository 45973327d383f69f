"""Grammar folders that nobody meant well: each is refused with the file and what is allowed.

One that the reader would follow instead of refusing runs into the time limit of every test.
"""

import pytest

from assistant.bench.wording import Wording
from assistant.errors import GrammarError
from assistant.language.grammar import Grammar
from assistant.units import Unit

CALLS = "#ABNF 1.0; root $call; $call = $it; $it = $leaf snug; $leaf = $<numbers.yaml#leaf>;"
NUMBERS = """words: {ones: [a, b, c, d, e, f, g, h, i, j],
  tens: {10: k, 20: l, 30: m, 40: n, 50: o, 60: p, 70: q, 80: r, 90: s}}
ranges: {leaf: {least: 1, most: 5, by: 1}}"""
BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]\n"
    for before, name in zip("abcdefgh", "bcdefghi", strict=True)
)


def refused(calls: str = CALLS, numbers: str = NUMBERS) -> str:
    with pytest.raises(GrammarError) as error:
        Grammar({"calls.abnf": calls, "numbers.yaml": numbers})
    return str(error.value)


@pytest.mark.parametrize(
    "entry",
    [
        "snug",
        "3",
        "null",
        "[1, 2]",
        "{from: 1, to: 3}",
        "{least: a, most: 3, by: 1}",
        "{least: -1, most: 3, by: 1}",
    ],
)
def test_what_is_no_range_is_refused_by_file_and_place(entry: str) -> None:
    told = refused(numbers=NUMBERS.replace("{least: 1, most: 5, by: 1}", entry))
    assert told.startswith("numbers.yaml, ranges.leaf")


def test_aliases_are_refused_before_they_are_followed() -> None:
    told = refused(numbers=BOMB)
    assert "line 2: *names of other places are not allowed; write it out there" in told
    with pytest.raises(GrammarError, match=r"replies\.yaml, line 2: \*names"):
        Wording(BOMB, None)


@pytest.mark.parametrize("text", ["[" * 20_000, "a: " * 5, "{" * 3_000, "a: 2001-13-45"])
def test_nesting_and_nonsense_are_refused_by_file(text: str) -> None:
    assert refused(numbers=text).startswith("numbers.yaml ")
    assert refused(calls=text).startswith("calls.abnf, line 1")
    assert refused(calls=f"#ABNF 1.0; root $c;\n$c = {text};").startswith("calls.abnf, line 2: ")


@pytest.mark.parametrize(
    "rules",
    ["$it = " + "[a] " * 100_000 + "b;", "$it = " + "(a | b) " * 60 + "{x};",
     "$it = " + "(" * 30 + "a" + ") <20>" * 30 + ";", "$it = $it a;",
     "".join(f"$r{n} = $r{n + 1} <20>;" for n in range(30)) + "$r30 = a; $it = $r0;"],
    ids=["long", "many", "repeats", "itself", "rules"],
)  # fmt: skip
def test_few_lines_that_stand_for_too_much_are_refused(rules: str) -> None:
    assert "line 2" in refused(calls=f"#ABNF 1.0; root $call; $call = $it;\n{rules}")


def test_a_range_of_very_many_numbers_is_refused() -> None:
    assert refused(numbers=NUMBERS.replace("most: 5, by: 1", "most: 99, by: 0.0000001"))


def test_a_sentence_of_two_commands_is_refused_and_named() -> None:
    grammar = Grammar({
        "calls.abnf": "#ABNF 1.0; root $call; $call = $one | $two; $w = on; "
                      "$one = go [on] $w; $two = (go | ho) on;",
    })  # fmt: skip
    with pytest.raises(GrammarError) as error:
        grammar.refuse_double_meaning()
    assert "calls.abnf: 'go on' is a sentence of 'one' and of 'two'" in str(error.value)


@pytest.mark.parametrize("unit", Unit)
def test_the_grammar_that_ships_has_no_double_meaning(
    grammar_texts: dict[str, str], unit: Unit
) -> None:
    Grammar(grammar_texts, unit=unit).refuse_double_meaning()
