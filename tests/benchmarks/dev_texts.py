"""What the development voices say: a builder's session, random sentences, talk not for the bench.

All of it is invented, and comes from a seed.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass

from assistant.bench.session import State
from assistant.bench.wording import Wording
from assistant.language.grammar import Grammar
from tests.fakes import THOU, Bench, small_job

_SHARES = {
    "readings": 40, "pick": 12, "ground": 10, "strokes": 4, "amend": 5, "ask": 9, "done": 7,
    "undo": 3, "answer": 4, "stand_by": 2, "listen_up": 2, "accept": 2, "spoiled": 2, "skip": 2,
    "note": 2, "wrap_up": 2,
}  # fmt: skip


@dataclass(frozen=True)
class Scripted:
    """One call of a session, and what the bench knew before it."""

    text: str
    state: State


def random_sentence(grammar: Grammar, rng: random.Random) -> str:
    """A sentence of the grammar, commands about as often as at a bench, any numbers at all."""
    names = [command.name for command in grammar.commands]
    command = rng.choices(names, [_SHARES.get(name, 3) for name in names])[0]
    tries = [grammar.sample(rng, command=command).words for _ in range(2)]
    return " ".join(min(tries, key=len) if rng.random() < 0.6 else tries[0])


def session_calls(grammar: Grammar, wording: Wording, seed: int, count: int) -> list[Scripted]:
    """Calls of a builder who fits one ring after another; numbers follow from true gaps."""
    builder = _Builder(grammar, wording, random.Random(seed))
    while len(builder.calls) < count:
        builder.fit_a_ring()
    return builder.calls[:count]


class _Builder:
    def __init__(self, grammar: Grammar, wording: Wording, rng: random.Random) -> None:
        self.bench = Bench(small_job(cylinders=8), grammar, wording)
        self.calls: list[Scripted] = []
        self._rng = rng
        self._grammar = grammar

    def call(self, line: str) -> None:
        """Say a line; answer yes to whatever it asks back."""
        words = " ".join(self._grammar.words_of(line))
        self.calls.append(Scripted(words, self.bench.state))
        self.bench.type(words)
        if self.bench.state.pending is not None and words not in ("yes", "no"):
            self.call("yes" if self._rng.random() < 0.8 else "no")

    def fit_a_ring(self) -> None:
        rng = self._rng
        if rng.random() < 0.5 or self.bench.state.here is None:
            self._pick()
        if self.bench.state.here is None:
            self.call("next ring")
        if self.bench.state.here is None:
            self.bench = Bench(self.bench.job, self._grammar, self.bench.dialogue._wording)
        window = self.bench.state.window(self.bench.state.here)  # type: ignore[arg-type]
        gap = rng.uniform(5.0, 14.0)
        for _ in range(5):
            self._aside()
            self._read(gap)
            rest = window.least_nm / THOU + 0.6 - gap
            if rest <= 0:
                break
            feed = max(0.5, round(2 * min(rest, rng.uniform(1.0, 6.0))) / 2)
            number = f"{int(feed)}{' and a half' if feed % 1 else ''}" if feed >= 1 else "half"
            verb, unit = rng.choice(("ground", "ground", "took")), rng.choice(("", "", " thou"))
            self.call(f"{verb} {number}{unit}")
            gap += feed * rng.uniform(0.92, 1.08)
            if rng.random() < 0.5:
                self.call("deburred")
            if rng.random() < 0.4:
                self.call("ring is square")
        if rng.random() < 0.3:
            self.call(rng.choice(("ends are square", "ends are not square")))
        self.call(rng.choices(("accept it", "skip this ring", "spoiled ring"), (8, 1, 1))[0])

    def _pick(self) -> None:
        rng, rings = self._rng, ("top ring", "second ring", "upper rail")
        cylinder = f"cylinder {rng.randint(1, 8)}"
        self.call(rng.choice((
            "next ring", cylinder, rng.choice(rings), f"{cylinder} {rng.choice(rings)}",
            f"back to {cylinder} {rng.choice(rings)}",
        )))  # fmt: skip

    def _read(self, gap: float) -> None:
        rng, whole = self._rng, int(gap)
        said = f"{whole} {rng.choice(('goes', 'goes', 'goes easily', 'drops through'))}"
        over = f"{whole + 1} {rng.choice(('snug', 'almost', 'no go'))}"
        half = f"{whole} and a half {rng.choice(('snug', 'no go', 'almost'))}"
        stack = f"{whole - 4} plus 4 goes"
        line = rng.choice((said, f"{said} {over}", f"{said} {over}", over, half, stack))
        if rng.random() < 0.15 and self.bench.state.here is not None:
            cylinder, position = self.bench.state.here
            name = {"top": "top ring", "second": "second ring"}.get(position.value, "upper rail")
            line = f"cylinder {cylinder} {name} {line}"
        self.call(line)
        if rng.random() < 0.08:
            self.call("take that back")
            self.call(line)
        elif rng.random() < 0.08:
            self.call(f"make that {whole}")

    def _aside(self) -> None:
        rng = self._rng
        x = rng.random()
        if x < 0.25:
            self.call(rng.choice((
                "what now", "how much more", "what is the target", "where am i", "read it back",
                "say again", "what are the calls",
            )))  # fmt: skip
        elif x < 0.29:
            self.call("stand by")
            self.call("listen up")
        elif x < 0.31:
            self.call("note")
            self.bench.type("what now")  # the note itself
        elif x < 0.33:
            self.call("wrap up")
            self.bench = Bench(self.bench.job, self._grammar, self.bench.dialogue._wording)


# --- talk that is not for it ------------------------------------------------------------------

_PARTS: dict[str, tuple[str, ...]] = {
    "who": ("he", "she", "my brother", "the customer", "our neighbour", "the new apprentice",
            "they", "somebody", "the man from the paint shop", "your sister"),
    "thing": ("the lathe", "that bearing", "the coolant", "the old truck", "a fresh belt",
              "the gasket", "the crank", "the second ring", "a feeler gauge", "the box of rings",
              "this cylinder",
              "the air line", "the left door", "the blue rag", "the oil pan", "the top shelf"),
    "num": ("two", "three", "five", "eight", "eleven", "twelve", "fifteen", "sixteen", "eighteen",
            "twenty", "thirty", "forty", "fifty five", "two hundred"),
    "when": ("on monday", "tomorrow", "after lunch", "last week", "before six", "in the morning",
             "at the end of the month", "tonight", "when the parts arrive"),
    "place": ("in the back", "by the door", "on the bench", "under the stairs", "in the van",
              "next to the compressor", "at the market", "over there", "on the top shelf"),
    "verb": ("bring", "clean", "move", "order", "paint", "check", "sell", "find", "measure",
             "carry"),
}  # fmt: skip
_TALK = (
    "could you {verb} {thing} {when}",
    "{who} said it would be ready {when}",
    "i paid {num} for {thing} and it did not even fit",
    "did {who} ever {verb} {thing}",
    "the radio says it will rain {when}",
    "put {thing} {place} please",
    "i think we need about {num} of them {when}",
    "no i never saw {thing} {place}",
    "yes but {who} wants {num} more {when}",
    "it goes a lot better since we changed {thing}",
    "how much did {who} pay for {thing}",
    "what is the time and where is {who}",
    "that ring is from {who} not from the shop",
    "we were {num} people {place} and nobody could {verb} {thing}",
    "take {num} and a half spoons of sugar and stir",
    "{thing} is snug as a bug {place}",
    "the target was {num} hours but it took {num} days",
    "my train goes at {num} so let us stop {when}",
    "turn it down a bit i am on the phone with {who}",
    "there is a crack in {thing} right {place}",
    "are you going to {verb} {thing} or shall i ask {who}",
    "he lives at number {num} down by the river",
    "i have {num} cats and {num} dogs",
    "the second time around {who} used {thing}",
    "cylinder heads are {place} next to {thing}",
    "the top of {thing} is scratched and so is {who}",
    "we ground the floor last year and it still looks rough",
    "that makes {num} goals in {num} matches",
    "stand over there and hold {thing} for me",
    "listen to this song it is from {num} years ago",
    "accept my apology i did not mean it {when}",
    "wrap it in paper and leave it {place}",
    "say it again to {who} because nobody heard you",
    "read the back of the page before you {verb} {thing}",
    "no more than {num} at a time or {thing} will jam",
    "almost everybody was {place} by {num}",
    "this one is through and that one is not",
    "half of them were {place} and the rest with {who}",
    "nobody knows where i am {when}",
    "do not {verb} {thing} until {who} is here",
)
_SHORT = (
    "hello there", "excuse me", "good morning", "see you later", "hang on a second", "never mind",
    "come in", "over here", "thank you", "all right then", "oh dear", "is anybody there",
    "wait for me", "lunch is ready", "let me see", "what was that", "who is it", "that is it",
    "one moment",
    "no way", "of course", "very good", "not again", "who goes there", "you there",
)  # fmt: skip


def talk(rng: random.Random) -> Iterator[str]:
    """Endless sentences that are none of the grammar's, many with its words in them."""
    while True:
        if rng.random() < 0.15:
            yield rng.choice(_SHORT)
            continue
        template = rng.choice(_TALK)
        while "{" in template:
            before, _, rest = template.partition("{")
            name, _, after = rest.partition("}")
            template = f"{before}{rng.choice(_PARTS[name])}{after}"
        yield template
