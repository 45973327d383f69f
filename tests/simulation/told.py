"""What a person makes of a spoken reply: only its words, never the state behind them.

Numbers are read through the grammar's own number words; lengths are call units (thou).
"""

import re
from dataclasses import dataclass
from decimal import Decimal

from assistant.language.numbers import NumberWords

Key = tuple[int, str]
"""(cylinder, "top" | "second" | "upper rail" | "lower rail" | "oil")."""

_FEELS = "drops|goes|snug|almost|no go"
_ENTRY = re.compile(rf"(\d[\d.]*) ({_FEELS})")
_ASKED_ENTRY = re.compile(rf"(\d[\d.]*) thou ({_FEELS})")
_GROUND = re.compile(r"ground (\d[\d.]*) thou")
_PLACE = re.compile(r"(?:next, )?cylinder (\d+) (top|second|upper rail|lower rail|oil)(?: ring)?")
_TRY = re.compile(r"try (\d[\d.]*)(?: plus (\d[\d.]*))? thou")
_GRIND = re.compile(r"grind (\d[\d.]*) thou")
STANDS = "what stands"
_CHECKS = ("deburred", "square", "ends square", "ends not square")
_PLAIN = (*_CHECKS, "spoiled", "skipped")
_REFUSALS = (
    "say again", "not understood", "i heard", "there is no", "no ", "which ", "not measured",
    "nothing to take back", "there was no question", "strokes are whole", "this job uses",
)  # fmt: skip


@dataclass(frozen=True)
class Told:
    """A reply as it is understood.

    entries: what was written down ("15 goes", "ground 2.5", "deburred", "accepted", "butts").
    asked: what waits for a yes, in the same words ("15 goes", "accepted", "open"), None = nothing;
    STANDS: whether the entry before a refused call is meant.
    asked_words: the question itself, as it is worded.
    place: ring that the reply names. tries, grinds: the advice in thou. marks: what else was said
    ("taken back", "deburr", "square", "ends", "accept", "stop", "over", "done", ...).
    """

    text: str
    entries: tuple[str, ...] = ()
    asked: str | None = None
    place: Key | None = None
    tries: tuple[Decimal, ...] = ()
    grinds: Decimal | None = None
    marks: frozenset[str] = frozenset()
    asked_words: str = ""

    @property
    def refused(self) -> bool:
        """Whether the call came to nothing and the bench said so."""
        return "refused" in self.marks

    @property
    def advises(self) -> bool:
        """Whether it holds a next step."""
        steps = {"accept", "ends", "deburr", "dress", "stop", "over", "done", "next"}
        return bool(self.tries or self.grinds is not None or steps & self.marks)


_MARKS = {
    "taken back": "taken back",
    "corrected": "corrected",
    "dropped": "dropped",
    "standing by": "standing by",
    "listening": "listening",
    "go ahead": "noting",
    "noted": "noted",
    "dress the ends square, then measure again": "dress",
    "no more cutting": "over",
    "all rings are done": "done",
    "accepted": "accepted",
    "accepted, as you say": "accepted",
}


class ReplyReader:
    """Understands spoken replies. numbers: number words of the grammar."""

    def __init__(self, numbers: NumberWords) -> None:
        self._figures: dict[str, str] = {}
        for halves in range(1, 200):
            value = Decimal(halves) / 2
            for words in numbers.sayings(value, digits=False):
                self._figures.setdefault(" ".join(words), f"{value.normalize():f}")
        longest = sorted(self._figures, key=len, reverse=True)
        self._number = re.compile(r"\b(?:" + "|".join(map(re.escape, longest)) + r")\b")

    def in_figures(self, text: str) -> str:
        """Text with every number in words put into figures, the longest words first."""
        return self._number.sub(lambda found: self._figures[found[0]], text)

    def entries_of(self, text: str) -> tuple[str, ...]:
        """Entries as they are read back, in one row: "fifteen thou goes, ground two thou"."""
        found: list[str] = []
        for part in self.in_figures(text.lower()).split(", "):
            asked = _ASKED_ENTRY.fullmatch(part)
            found += [f"{plain_figure(asked[1])} {asked[2]}"] if asked else _entries(part)
        return tuple(found)

    def read(self, text: str) -> Told:
        """Understand one reply."""
        said = " ".join(self.in_figures(text.lower()).split())
        sentences = [s for s in re.split(r"(?<=[.?!])(?:\s+|$)", said) if s]
        plain = [s.rstrip(".?!") for s in sentences]
        begins = [s.split(":")[0] for s in plain]
        marks = {_MARKS[s] for s in begins if s in _MARKS}
        asked = _question(sentences, plain) if "yes or no?" in said else None
        entries: list[str] = []
        place: Key | None = None
        tries: tuple[Decimal, ...] = ()
        grinds: Decimal | None = None
        for sentence in plain:
            if found := _PLACE.fullmatch(sentence):
                place = (int(found[1]), found[2])
                marks |= {"next"} if sentence.startswith("next,") else set()
            if asked is not None:
                entries += [sentence] if sentence in _CHECKS else []
                continue
            entries += _entries(sentence)
            if found := _TRY.search(sentence):
                tries = tuple(Decimal(figure) for figure in found.groups() if figure)
            if found := _GRIND.match(sentence):
                grinds = Decimal(found[1])
            marks |= _steps(sentence)
        if not entries and asked is None and plain and _refuses(plain):
            marks.add("refused")
        words = text.split("?")[0].lower() if asked is not None else ""
        return Told(text, tuple(entries), asked, place, tries, grinds, frozenset(marks), words)


def _entries(sentence: str) -> list[str]:
    if found := _ENTRY.fullmatch(sentence):
        return [f"{plain_figure(found[1])} {found[2]}"]
    if found := _GROUND.fullmatch(sentence):
        return [f"ground {plain_figure(found[1])}"]
    if sentence in (*_PLAIN, "butts"):
        return [sentence]
    return ["accepted"] if _MARKS.get(sentence) == "accepted" else []


def _refuses(plain: list[str]) -> bool:
    first = plain[0]
    begins = first.startswith(_REFUSALS) and not first.startswith("no more")
    if plain == ["not measured yet"]:
        return False  # the answer to a question
    return begins or plain[-1] == "say it again" or first.endswith(" what")


def _steps(sentence: str) -> set[str]:
    marks: set[str] = set()
    if sentence.startswith("deburr,"):
        marks.add("deburr")
    if "check the ends" in sentence:
        marks.add("ends")
    if "set it square" in sentence:
        marks.add("square")
    if sentence in ("accept it", "deburr, then accept it") or "then accept it" in sentence:
        marks.add("accept")
    if sentence == "accept it, or measure again" or "measure once more, or accept it" in sentence:
        marks.add("stop")
    if sentence.startswith("wrapped up"):
        marks.add("closed")
    return marks


def _question(sentences: list[str], plain: list[str]) -> str:
    first = next(s for s, t in zip(plain, sentences, strict=True) if t.endswith("?"))
    if first.startswith("change what stands: "):
        return STANDS
    if found := _ASKED_ENTRY.fullmatch(first):
        return f"{plain_figure(found[1])} {found[2]}"
    if found := _GROUND.fullmatch(first):
        return f"ground {plain_figure(found[1])}"
    if first == "accept it":
        return "accepted"
    return {"open it again": "open", "is this another ring": "another"}.get(first, first)


def plain_figure(figure: str) -> str:
    """15.0 as 15."""
    return f"{Decimal(figure).normalize():f}"
