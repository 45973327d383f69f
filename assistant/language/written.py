"""Typed lines as words that are called: figures in inches or millimetres, and the job's own unit.

A feeler leaf carries its thickness as 0.0155 or .010, in inches, or as 0.40, in millimetres; who
types copies that. What is called is thou or hundredths. Nothing is guessed: a unit that is written
counts, and a figure that could be either is left for the strict parse to refuse.
"""

import re
from decimal import Decimal, InvalidOperation

from assistant.language.grammar import Grammar
from assistant.language.numbers import join
from assistant.units import Unit

_CALLED = {
    Unit.INCH: frozenset({"thou", "thous", "mil", "mils", "thousandth", "thousandths"}),
    Unit.METRIC: frozenset({"hundredth", "hundredths"}),
}
"""Words for the unit that is called, by the unit of the job."""
_PER_FILE_UNIT = {Unit.INCH: 1000, Unit.METRIC: 100}  # thou in an inch, hundredths in a millimetre
_FILE = {
    Unit.INCH: frozenset({'"', "in", "inch", "inches"}),
    Unit.METRIC: frozenset({"mm", "millimetre", "millimetres", "millimeter", "millimeters"}),
}
_INCHES_BELOW = Decimal("0.1")  # the least that is called is half a thou, the most 100
UNITS = sorted({word for words in (*_CALLED.values(), *_FILE.values()) for word in words})
"""All of them; the sign for inches is the first."""
_NUMBER = re.compile(
    r"(?<![\w.,/])(?P<figure>\d{1,9}(?:[.,]\d{1,9})?|\.\d{1,9})(?P<half>\s*½|\s+1/2)?(?![\d/])"
    rf"(?:\s*(?P<unit>{'|'.join(UNITS[1:])})\b"
    r"|\s*(?P<sign>\"))?",
    re.IGNORECASE,
)
_LONE_HALF = re.compile(r"(?<![\w./])(?:1/2(?!\w)|½)")
_HALF_A_UNIT = re.compile(rf"\bhalf\s+an?\s+(?={'|'.join(UNITS[1:])}\b)", re.IGNORECASE)


def words_typed(line: str, grammar: Grammar) -> tuple[str, ...]:
    """The words that a typed line calls, as ``grammar.words_of`` gives them.

    "0.0155 goes" of an inch job, "15.5 thou goes", "15 1/2 goes" are "fifteen and a half goes";
    "0.40 goes" of a metric job is "forty goes", but "0.5" stays half a hundredth. A number that
    cannot be called stays in figures, another unit than the job's stays where it is.
    """
    spaced = re.sub(r"(?<!\d),|,(?=\s)", ", ", line).replace("+", " plus ")
    called = _NUMBER.sub(lambda found: _called(found, grammar.unit), spaced)
    words = grammar.words_of(_HALF_A_UNIT.sub("half ", _LONE_HALF.sub("0.5", called)))
    own = _CALLED[grammar.unit]
    if grammar.parse(words) is None and own & set(words):
        bare = tuple(word for word in words if word not in own)
        return bare if grammar.parse(bare) is not None else words
    return words


def _called(found: re.Match[str], unit: Unit) -> str:
    figure = found["figure"].replace(",", ".")
    try:
        value = Decimal(figure) + (Decimal("0.5") if found["half"] else 0)
    except InvalidOperation:
        return found[0]
    written = (found["unit"] or found["sign"] or "").lower()
    if written in _FILE[unit] or (not written and _in_file_unit(figure, value, unit)):
        return f"{(value * _PER_FILE_UNIT[unit]).normalize():f}"
    kept = "inch" if written == '"' else written
    return f"{value:f} {kept}" if kept else f"{value:f}"


def _in_file_unit(figure: str, value: Decimal, unit: Unit) -> bool:
    """Whether a bare figure is inches or millimetres: it can be nothing that is called."""
    if unit is Unit.INCH:
        return 0 < value < _INCHES_BELOW
    # Half a hundredth is called too, so that 0.5 alone does not say which; nobody writes it 0.50.
    return 0 < value < 1 and len(figure.partition(".")[2]) >= 2


def figure_in(words: tuple[str, ...]) -> tuple[int, Decimal] | None:
    """Place and value of the first number that stayed in figures, None if there is none."""
    for place, word in enumerate(words):
        if re.fullmatch(r"\d{1,9}(?:\.\d{1,9})?|\.\d{1,9}", word):
            return place, Decimal(word)
    return None


def with_number(words: tuple[str, ...], place: int, said: str) -> tuple[str, ...]:
    """The words with another number, in words, at ``place``."""
    return tuple(join((*words[:place], said, *words[place + 1 :])).split())
