"""Numbers as they are called out: words to value and back, from the word lists of a grammar."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.errors import GrammarError

HALF = Decimal("0.5")
_NO_WORD = re.compile(r"[^\w'.,]|[.,](?!\d)|(?<!\d),|(?<=[^\W\d])\.")
_FIGURES = re.compile(r"\d+(?:[.,]\d+)?|(?<!\w)\.\d+")


@dataclass(frozen=True, slots=True)
class NumberWords:
    """How a language says whole and half numbers from 0 to 99.5.

    ones: words for 0, 1, 2 ... without a gap, at least 0 to 9.
    tens: words for 20, 30 ... by value; a number between is tens word and ones word.
    half: words after a whole number (``and a half``); half_alone: words for 0.5.
    point: word before a decimal figure; empty = decimals are not said.
    leading_zero: word for the zeros before thousandths, oh one five for 15; empty = not said.
    """

    ones: tuple[str, ...]
    tens: Mapping[int, str]
    half: str = ""
    half_alone: tuple[str, ...] = ()
    point: str = ""
    leading_zero: str = ""

    def sayings(self, value: Decimal, *, digits: bool = True) -> Iterator[tuple[str, ...]]:
        """All ways to say ``value`` (0 to 99.5 by halves), the usual one first.

        digits: also digit by digit, one five for 15.
        Raises GrammarError if the value is negative, above 99.5 or not a multiple of a half.
        """
        whole = int(value)
        part = value - whole
        if not 0 <= value < 100 or part not in (0, HALF):
            raise GrammarError(
                f"The number {value} cannot be said: only 0 to 99.5 in steps of 0.5 can."
            )
        if whole == 0 and part:
            yield from (tuple(words.split()) for words in self.half_alone)
            if self.point:
                yield (*self.point.split(), *self._digits(5))
            return
        ways = [self._cardinal(whole)]
        if whole > 9 and digits:
            ways.append(self._digits(whole))
        thousandths = tuple(self._thousandths(whole)) if digits else ()
        if not part:
            yield from (*ways, *thousandths)
            return
        if self.half:
            yield from ((*way, *self.half.split()) for way in (ways[0], *thousandths))
        if self.point:
            yield from ((*way, *self.point.split(), *self._digits(5)) for way in ways)

    @property
    def words(self) -> frozenset[str]:
        """Every word that numbers are made of."""
        parts = [*self.ones, *self.tens.values(), self.half, *self.half_alone, self.point,
                 self.leading_zero]  # fmt: skip
        return frozenset(word for part in parts for word in part.split())

    def say(self, value: Decimal) -> str:
        """The usual words for ``value``. GrammarError as from ``sayings``, or for lack of words."""
        words = next(self.sayings(value), None)
        if words is None:
            raise GrammarError(f"The number {value} cannot be said: there is no word for a half.")
        return " ".join(words)

    def spell_figures(self, text: str) -> str:
        """``text`` with every number in figures (15, 15.5) put into words.

        A number that cannot be said stays as it is, so that the parse refuses it by name.
        """

        def spelled(found: re.Match[str]) -> str:
            try:
                said = self.say(Decimal(found[0].replace(",", ".")))
            except GrammarError:
                return found[0]
            before = " " if text[: found.start()][-1:].isalpha() else ""
            after = " " if text[found.end() :][:1].isalpha() else ""
            return f"{before}{said}{after}"

        return " ".join(_FIGURES.sub(spelled, text).split())

    def _cardinal(self, whole: int) -> tuple[str, ...]:
        if whole < len(self.ones):
            return tuple(self.ones[whole].split())
        tens, ones = whole // 10 * 10, whole % 10
        return tuple(f"{self.tens[tens]} {self.ones[ones] if ones else ''}".split())

    def _thousandths(self, whole: int) -> Iterator[tuple[str, ...]]:
        zero = tuple(self.leading_zero.split())
        if zero and whole > 9:
            yield (*zero, *self._digits(whole))
        elif zero:
            yield (*zero, *zero, *self._digits(whole))

    def _digits(self, whole: int) -> tuple[str, ...]:
        return tuple(" ".join(self.ones[int(figure)] for figure in str(whole)).split())


@dataclass(frozen=True, slots=True)
class NumberRange:
    """Numbers that may be said: least to most by a step. digits: 15 may also be said one five."""

    least: Decimal
    most: Decimal
    by: Decimal
    digits: bool = True

    def entries(self, numbers: NumberWords) -> dict[tuple[str, ...], str | Decimal]:
        """All ways to say them -> value. GrammarError if there are none or one cannot be said."""
        entries: dict[tuple[str, ...], str | Decimal] = {}
        value = self.least
        while value <= self.most:
            for words in numbers.sayings(value, digits=self.digits):
                entries.setdefault(words, value)
            value += self.by
        if not entries:
            raise GrammarError(f"there is no number from {self.least} to {self.most}.")
        return entries


def check_number_words(words: NumberWords) -> None:
    """Raise GrammarError where a word is missing or stands for two numbers."""
    if len(words.ones) < 10:
        raise GrammarError(
            f"words.ones has {len(words.ones)} words: it needs the words for 0 to 9 at least."
        )
    if len(words.ones) < 20 and 10 not in words.tens:
        raise GrammarError("words.ones must reach 19, or words.tens must name 10.")
    missing = [ten for ten in range(20, 100, 10) if ten not in words.tens]
    if missing:
        raise GrammarError(f"words.tens lacks words for {missing}.")
    every = [*words.ones, *words.tens.values()]
    twice = sorted({word for word in every if every.count(word) > 1})
    if twice:
        raise GrammarError(f"words has a word for two numbers: {', '.join(twice)}.")


def plain_words(text: str) -> tuple[str, ...]:
    """Lower-case words of ``text`` without punctuation; apostrophes inside words stay."""
    return tuple(
        word.strip("'") for word in _NO_WORD.sub(" ", text.lower()).split() if word.strip("'")
    )


def join(words: Sequence[str]) -> str:
    """Words as one string."""
    return " ".join(words)
