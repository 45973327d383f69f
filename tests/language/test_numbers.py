"""Numbers as they are called: against num2words, and there and back."""

from decimal import Decimal

import pytest
from num2words import num2words

from assistant.errors import GrammarError
from assistant.language.grammar import Grammar
from assistant.language.numbers import NumberWords, check_number_words, plain_words
from assistant.units import Unit, from_called, parse_length, to_called
from tests.fakes import words

UNITS = words(
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen "
    "sixteen seventeen eighteen nineteen"
)
TENS = {
    10 * n: word
    for n, word in enumerate(words("twenty thirty forty fifty sixty seventy eighty ninety"), 2)
}
HALVES = [Decimal(n) / 2 for n in range(200)]
CALLED = [n for n in HALVES if n <= 60]


@pytest.fixture(scope="module")
def numbers(grammar: Grammar) -> NumberWords:
    assert grammar.numbers is not None
    return grammar.numbers


def english(value: Decimal) -> str:
    """num2words 0.5 (savoirfairelinux/num2words), hyphens and its "and" left out."""
    return str(num2words(str(value.normalize()) if value else "0")).replace("-", " ")


@pytest.mark.parametrize("value", [n for n in CALLED if n == int(n)], ids=str)
def test_a_whole_number_is_said_as_num2words_says_it(numbers: NumberWords, value: Decimal) -> None:
    assert numbers.say(value) == english(Decimal(int(value)))


@pytest.mark.parametrize("value", [n for n in CALLED if n != int(n)], ids=str)
def test_a_half_is_the_whole_number_and_a_half_or_the_point_five_of_num2words(
    numbers: NumberWords, value: Decimal
) -> None:
    ways = [" ".join(said) for said in numbers.sayings(value)]
    # num2words says "zero point five"; at a bench the zero is not said (no source).
    assert english(value).removeprefix("zero ") in ways
    usual = "half" if value < 1 else f"{english(Decimal(int(value)))} and a half"
    assert ways[0] == usual


@pytest.mark.parametrize("whole", range(10, 100))
def test_a_number_of_two_figures_is_also_said_figure_by_figure(
    numbers: NumberWords, whole: int
) -> None:
    figures = tuple(UNITS[int(figure)] for figure in str(whole))
    assert list(numbers.sayings(Decimal(whole)))[1:] == [figures, ("oh", *figures)]
    assert (*figures, "point", "five") in numbers.sayings(whole + Decimal("0.5"))
    assert figures not in numbers.sayings(Decimal(whole), digits=False)


@pytest.mark.parametrize("thou", [n for n in range(1, 100) if n % 10])
def test_thou_are_also_said_as_decimals_of_an_inch(numbers: NumberWords, thou: int) -> None:
    decimals = str(num2words(f"0.{thou:03}")).removeprefix("zero point ").split()
    said = tuple("oh" if word == "zero" else word for word in decimals)
    assert said in numbers.sayings(Decimal(thou))
    assert (*said, "and", "a", "half") in numbers.sayings(thou + Decimal("0.5"))
    assert said not in numbers.sayings(Decimal(thou), digits=False)


def test_a_metric_job_has_no_decimals_of_an_inch(metric_grammar: Grammar) -> None:
    assert metric_grammar.numbers is not None
    assert "oh" not in metric_grammar.numbers.words
    assert list(metric_grammar.numbers.sayings(Decimal(8))) == [("eight",)]


def test_num2words_loses_trailing_zeros_so_lengths_are_never_said_by_it() -> None:
    # num2words 0.5.14: 0.020 in and 0.02 in cannot be told apart (check run there).
    assert num2words("0.020") == num2words("0.02") == "zero point zero two"


@pytest.mark.parametrize("value", HALVES, ids=str)
def test_no_saying_of_one_number_is_a_saying_of_another(
    numbers: NumberWords, value: Decimal
) -> None:
    others = {said for other in HALVES if other != value for said in numbers.sayings(other)}
    assert others.isdisjoint(numbers.sayings(value))


@pytest.mark.parametrize("half_thou", range(2, 121))
def test_every_half_thou_from_1_to_60_is_said_and_parsed_back(
    grammar: Grammar, numbers: NumberWords, half_thou: int
) -> None:
    inches = Decimal(half_thou) * Decimal("0.0005")
    length_nm = parse_length(str(inches), Unit.INCH)
    said = numbers.say(to_called(length_nm, Unit.INCH))
    parsed = grammar.parse((*said.split(), "goes"))
    assert parsed is not None
    assert parsed.command == "readings"
    (leaf,) = parsed.values("leaf")
    assert from_called(Decimal(leaf), Unit.INCH) == length_nm


@pytest.mark.parametrize("half", range(2, 200))
def test_every_half_hundredth_from_1_to_99_5_is_said_and_parsed_back(
    metric_grammar: Grammar, numbers: NumberWords, half: int
) -> None:
    value = Decimal(half) / 2
    parsed = metric_grammar.parse((*numbers.say(value).split(), "snug"))
    assert parsed is not None
    assert parsed.values("leaf") == (value,)


@pytest.mark.parametrize("value", ["-0.5", "100", "15.25", "99.75"])
def test_a_number_out_of_reach_is_refused_by_name(numbers: NumberWords, value: str) -> None:
    with pytest.raises(GrammarError, match=f"{value} cannot be said: only 0 to 99.5"):
        numbers.say(Decimal(value))


def test_a_half_without_words_for_it_is_refused_and_not_left_unsaid() -> None:
    poor = NumberWords(tuple(UNITS), TENS)
    with pytest.raises(GrammarError, match=r"15\.5 cannot be said"):
        poor.say(Decimal("15.5"))


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("15 goes 16 snug", "fifteen goes sixteen snug"),
        ("15.5 goes", "fifteen and a half goes"),
        ("15,5 goes", "fifteen and a half goes"),
        ("15.50 goes", "fifteen and a half goes"),
        ("15 goes,16 snug", "fifteen goes sixteen snug"),
        ("15goes", "fifteen goes"),
        ("Ground .5", "ground half"),
        ("ground 0.5.", "ground half"),
        ("Twenty-two, snug!", "twenty two snug"),
        ("15.3 goes", "15.3 goes"),
        ("1500 goes", "1500 goes"),
        ("don't", "don't"),
        ("'what now?'", "what now"),
        ("  ", ""),
        ("", ""),
    ],
)
def test_typed_text_becomes_words_of_the_grammar(
    grammar: Grammar, typed: str, expected: str
) -> None:
    assert " ".join(grammar.words_of(typed)) == expected


def test_figures_before_a_full_stop_keep_it(numbers: NumberWords) -> None:
    assert numbers.spell_figures("Cylinder 2. It has 4!") == "Cylinder two. It has four!"


def test_plain_words_keep_decimal_figures_together() -> None:
    assert plain_words("15.5, 16; x-ray") == ("15.5", "16", "x", "ray")


@pytest.mark.parametrize(
    ("numerals", "reason"),
    [
        (NumberWords(tuple(UNITS[:9]), TENS), "9 words"),
        (NumberWords(tuple(UNITS[:12]), TENS), "reach 19"),
        (NumberWords(tuple(UNITS), {20: "twenty"}), "lacks words for"),
        (NumberWords((*UNITS[:19], "nine"), TENS), "two numbers: nine"),
    ],
)
def test_number_words_that_cannot_work_are_refused(numerals: NumberWords, reason: str) -> None:
    with pytest.raises(GrammarError, match=reason):
        check_number_words(numerals)


def test_a_tens_word_of_two_words_is_said_word_by_word() -> None:
    # French: 70 is soixante-dix, written in two words by plain_words.
    tens = {**TENS, 70: "soixante dix"}
    assert next(NumberWords(tuple(UNITS), tens).sayings(Decimal(70))) == ("soixante", "dix")
