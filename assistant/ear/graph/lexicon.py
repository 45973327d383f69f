"""How words sound: CMU phones without stress, and the numbers that a model gives them."""

from collections.abc import Iterable, Mapping

from assistant.errors import GrammarError

PHONES = (
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G", "HH",
    "IH", "IY", "JH", "K", "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH", "T", "TH", "UH",
    "UW", "V", "W", "Y", "Z", "ZH",
)  # fmt: skip
"""The phones of the CMU dictionary."""

SILENCE = "SIL"
PLACES = ("B", "E", "I", "S")  # at the beginning, end, inside of a word; a word of one sound
_PLACE_NAMES = {"B": "begin", "E": "end", "I": "internal", "S": "singleton"}
_KNOWN = frozenset(PHONES)


def phone_names() -> tuple[str, ...]:
    """All phones of a model by number from 1: quiet, then each phone in each place of a word."""
    return (SILENCE, *(f"{phone}_{place}" for phone in PHONES for place in PLACES))


PHONE_NUMBER: Mapping[str, int] = {name: number for number, name in enumerate(phone_names(), 1)}


def unit_of(phone_number: int) -> int:
    """Sound unit of a phone: 0 for quiet, then 1.. in the order of PHONES."""
    return 0 if phone_number == 1 else 1 + (phone_number - 2) // len(PLACES)


def placed(phones: Iterable[str]) -> tuple[int, ...]:
    """Numbers of a word's phones with their places."""
    said = tuple(phones)
    if len(said) == 1:
        return (PHONE_NUMBER[f"{said[0]}_S"],)
    places = ["B", *("I" * (len(said) - 2)), "E"]
    return tuple(PHONE_NUMBER[f"{p}_{place}"] for p, place in zip(said, places, strict=True))


def word_boundary_file() -> str:
    """The text of ``word_boundary.int``: place of each phone, from which word times are made."""
    lines = ["1 nonword\n"]
    for name, number in PHONE_NUMBER.items():
        if name != SILENCE:
            lines.append(f"{number} {_PLACE_NAMES[name[-1]]}\n")
    return "".join(lines)


def phones_file() -> str:
    """The text of ``phones.txt``, for people."""
    return "<eps> 0\n" + "".join(f"{name} {number}\n" for name, number in PHONE_NUMBER.items())


class Lexicon:
    """Pronunciations by word, from the text of a dictionary and from single entries.

    text: one entry a line, ``word  P HO N ES``; a word may have several lines, a stress digit after
    a phone is dropped, lines that begin with # or ;;; are skipped.
    Raises GrammarError for a phone that there is none of.
    """

    def __init__(self, text: str = "") -> None:
        self._ways: dict[str, list[tuple[str, ...]]] = {}
        for line in text.splitlines():
            if line.strip() and not line.startswith(("#", ";;;")):
                word, *phones = line.split()
                self._add(word.split("(")[0].lower(), " ".join(phones))

    def _add(self, word: str, phones: str) -> None:
        way = tuple(phone.rstrip("012") for phone in phones.upper().split())
        wrong = [phone for phone in way if phone not in _KNOWN]
        if wrong or not way:
            raise GrammarError(
                f"Pronunciation of {word!r}: {wrong[0] if wrong else 'nothing'!r} is no phone; "
                f"use {' '.join(PHONES)}."
            )
        ways = self._ways.setdefault(word, [])
        if way not in ways:
            ways.append(way)

    def with_entries(self, entries: Mapping[str, Iterable[str]]) -> "Lexicon":
        """A lexicon in which the words of ``entries`` sound as given there, and only so."""
        fresh = Lexicon()
        fresh._ways = {word: list(ways) for word, ways in self._ways.items()}
        for word, ways in entries.items():
            fresh._ways.pop(word, None)
            for phones in ways:
                fresh._add(word, phones)
        return fresh

    def __contains__(self, word: str) -> bool:
        return word in self._ways

    def ways(self, word: str) -> tuple[tuple[str, ...], ...]:
        """The pronunciations of a word. Raises GrammarError if it has none."""
        if word not in self._ways:
            raise GrammarError(
                f"Nobody said how {word!r} sounds: add a line like '{word}  B AO R' to "
                "pronunciations.dict of the grammar folder, in the phones of its README."
            )
        return tuple(self._ways[word])
