"""A scripted person at the bench: true rings in hand, and nothing known but what is said.

The person does what the replies advise, calls what is felt, looks at every read-back, takes back
what was not meant, answers questions by the truth and repeats what was not answered. The rings, the
grinder and the feel are those of ``tests.benchmarks.shop``. Lengths are thou.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

import numpy as np

from assistant.language.grammar import Grammar
from tests.benchmarks.shop import NM_PER_THOU, Engine
from tests.simulation.told import STANDS, Key, ReplyReader, Told

_LOST_AFTER = 3  # tries without an answer before the call "listen up"
_AMENDABLE = ("readings", "ground")


@dataclass(frozen=True)
class Habits:
    """Shares, 0..1, of the ways there are.

    pairs: a second leaf is tried before the call. names_ring: a reading begins with its place.
    other_words: a number is said in another way ("one five"). says_deburred, says_square: the
    check is told when it is made. ends_off: ends are found not square. amends: a wrong last number
    is corrected by "make that". asks: a question out of curiosity before a step.
    """

    pairs: float = 0.6
    names_ring: float = 0.1
    other_words: float = 0.1
    says_deburred: float = 0.7
    says_square: float = 0.3
    ends_off: float = 0.05
    amends: float = 0.3
    asks: float = 0.03


@dataclass(frozen=True)
class Meant:
    """One call as it is meant. entries: what is to be written down; place: the ring it takes up.

    extra: needed only because an earlier call went wrong. about: the call that an answer or a
    correction is for. tries: how often it was called in vain.
    """

    words: str
    kind: str
    entries: tuple[str, ...] = ()
    place: Key | None = None
    extra: bool = False
    about: "Meant | None" = None
    tries: int = 0

    def again(self) -> "Meant":
        """The same, once more."""
        return replace(self, extra=True, tries=self.tries + 1)


@dataclass
class RingInHand:
    """The truth of one ring. gap, tilt: thou. outcome: accepted, spoiled or None."""

    gap: float
    tilt: float = 0.0
    cuts: int = 0
    outcome: str | None = None


@dataclass
class _Now:
    """What the person has in mind. advice: the last step that was told and not yet done."""

    here: Key | None = None
    call: Meant | None = None
    agenda: list[Meant] = field(default_factory=list)  # to be called first, last one first
    advice: Told | None = None
    measure_first: bool = False


class Person:
    """Fits the rings of one engine. rings: true gaps by place; leaves: thou, thin to thick."""

    def __init__(
        self,
        grammar: Grammar,
        engine: Engine,
        gaps: Mapping[Key, float],
        leaves: Sequence[Decimal],
        *,
        habits: Habits | None = None,
        seed: int = 0,
    ) -> None:
        if grammar.numbers is None:
            raise ValueError("The grammar has no numbers: the person needs some to call.")
        self._numbers = grammar.numbers
        self._reader = ReplyReader(grammar.numbers)
        self._meaning = grammar.meaning
        self._engine = engine
        self._leaves = list(leaves)
        self._habits = habits or Habits()
        self._rng = np.random.default_rng(seed)
        self._now = _Now()
        self._last_text = ""
        self.rings = {key: RingInHand(gap, engine.seat()) for key, gap in gaps.items()}
        self.ledger: dict[Key, list[str]] = {key: [] for key in gaps}
        self._history: list[tuple[Key, Meant]] = []
        self.finished = False
        self.cut_off = 0  # how often the session was closed unasked

    # --- hearing -------------------------------------------------------------------------------

    def hears(self, text: str | None) -> None:
        """A reply, or None: the call was not answered. "" is no reply either."""
        call, self._now.call = self._now.call, None
        if not text:
            if call is not None:
                self._not_answered(call)
            return
        said_before, self._last_text = text == self._last_text, text
        told = self._reader.read(text)
        if told.advises and not told.refused and told.asked is None:
            self._now.advice = told
        if "closed" in told.marks and (call is None or call.kind != "wrap"):
            self.cut_off += 1
            self._push(call.again() if call is not None else None)
        elif call is None:
            self._unasked(told)
        elif said_before and told.asked is None and told.entries not in ((), call.entries):
            self._push(call.again())  # it only said again what it had said
        else:
            self._answered(call, told)

    def _not_answered(self, call: Meant) -> None:
        self._push(call.again())
        if call.tries % _LOST_AFTER == _LOST_AFTER - 1:
            self._push(Meant("listen up", "listen", extra=True))

    def _unasked(self, told: Told) -> None:
        """A reply that no call has caused; the first of a session is one too."""
        now = self._now
        if now.here is None and told.place is not None:
            now.here = told.place
        elif told.asked is not None:
            self._push(Meant("no", "answer", extra=True))
        elif "taken back" in told.marks:
            self._lost_entry()
        elif told.entries or (told.place not in (None, now.here)):
            self._push(Meant("take that back", "undo", extra=True))
        elif "standing by" in told.marks:
            self._push(Meant("listen up", "listen", extra=True))

    def _lost_entry(self) -> None:
        """Something was taken back that was right: it has to be called again."""
        if self._history:
            key, entry = self._history.pop()
            del self.ledger[key][len(self.ledger[key]) - len(entry.entries) :]
            self._now.here, self.rings[key].outcome = key, None
            self._push(entry.again())

    def _answered(self, call: Meant, told: Told) -> None:
        if "standing by" in told.marks or "noting" in told.marks or told.refused:
            self._balked(call, told)
        elif told.asked is not None:
            self._asked(call, told)
        elif call.kind in ("ask", "listen"):
            if "taken back" in told.marks:
                self._lost_entry()
            elif told.entries:
                self._push(Meant("take that back", "undo", extra=True))
        elif call.kind == "wrap":
            self.finished = "closed" in told.marks
            if not self.finished:
                self._push(call.again())
        elif call.kind == "undo":
            self._undone(call, told)
        elif call.kind == "answer" and call.about is not None and call.about.kind == "undo":
            self._undone(call.about, told)
        elif call.kind == "answer" and call.words == "no":
            if "dropped" not in told.marks:
                self._wrong(call, told)
        elif call.kind == "pick":
            if told.place == call.place and not told.entries:
                self._now.here = call.place
            else:
                self._wrong(call, told)
        else:
            self._read_back(call, told)

    def _balked(self, call: Meant, told: Told) -> None:
        """It had no effect, or another one than to write something down."""
        gone = call.kind == "undo" and "nothing to take back" in told.text.lower()
        if call.kind == "answer" and "no question" in told.text.lower():
            gone = True
            if call.about is not None and call.words == "yes":
                self._push(call.about.again())
        if not gone:
            self._push(call.again())
        if "standing by" in told.marks:
            self._push(Meant("listen up", "listen", extra=True))

    def _asked(self, call: Meant, told: Told) -> None:
        """Yes or no, by whether it is what was meant."""
        subject = call.about if call.kind in ("answer", "amend") else call
        if told.entries and subject is not None:  # a check was noted too that nobody made
            self._push(subject.again())
            self._push(Meant("take that back", "undo", extra=True))
            self._push(Meant("no", "answer", extra=True))
            return
        if told.asked == STANDS:
            self._asked_what_is_meant(call, told)
            return
        if subject is not None and call.kind != "answer" and self._means(told, call):
            # Asked only because it was not sure of what it heard.
            self._push(Meant("yes", "answer", subject.entries, subject.place, True, subject))
            return
        if subject is not None and told.asked in subject.entries:
            self._push(Meant("yes", "answer", subject.entries, subject.place, about=subject))
            return
        if subject is not None and subject.kind not in ("ask", "listen"):
            self._push(subject.again())
        self._push(Meant("no", "answer", extra=True))

    def _asked_what_is_meant(self, call: Meant, told: Told) -> None:
        """A call before was refused: whether what stands is to be changed, by what it is."""
        named = told.asked_words.partition("change what stands: ")[2]
        right = self._history[-1][1].entries if self._history else ()
        wrong = self._reader.entries_of(named) != right
        if call.kind in ("undo", "amend") and wrong:
            about = call.about if call.kind == "amend" else call
            self._push(Meant("yes", "answer", call.entries, call.place, True, about))
            return
        if call.kind != "undo":
            self._push((call.about or call).again())
        self._push(Meant("no", "answer", extra=True))

    def _means(self, told: Told, call: Meant) -> bool:
        """Whether the question reads back what was called, in whatever words."""
        asked, called = tuple(told.asked_words.split()), tuple(call.words.split())
        return self._meaning(asked) == self._meaning(called)

    def _undone(self, call: Meant, told: Told) -> None:
        if told.entries:
            self._push(call.again())  # heard as an entry: that has to go, and the one before
            self._push(call.again())
        elif not {"taken back", "dropped"} & told.marks:
            self._push(call.again())
        elif told.place is not None and told.place != self._now.here and self._now.here:
            self._push(self._pick(self._now.here))

    def _read_back(self, call: Meant, told: Told) -> None:
        """Compare what was written down with what was meant."""
        entries = told.entries
        if "butts" not in call.entries:
            entries = tuple(entry for entry in entries if entry != "butts")
        moves = call.kind in ("accept", "spoiled") or (call.about or call).kind in (
            "accept", "spoiled",
        )  # fmt: skip
        where = call.place or self._now.here
        elsewhere = told.place is not None and told.place != where and not moves
        if elsewhere:
            self._wrong(call, told)
        elif entries == call.entries:
            self._settle(call.about if call.kind in ("answer", "amend") else call, told)
        elif entries and entries == call.entries[: len(entries)]:
            # It was answered before the call had ended: the rest is to be called yet.
            self._settle(replace(call, entries=entries), told)
            rest = call.entries[len(entries) :]
            self._push(Meant(self._words_of(rest), call.kind, rest, extra=True))
        else:
            self._wrong(call, told)

    def _wrong(self, call: Meant, told: Told) -> None:
        subject = call.about if call.kind in ("answer", "amend") and call.about else call
        if "taken back" in told.marks and call.kind != "undo":
            self._push(subject.again())
            self._lost_entry()
            return
        if not told.entries and told.place in (None, self._now.here):
            self._push(subject.again())  # some question was answered: no harm
            return
        last = subject.entries[-1] if subject.entries else ""
        amendable = (
            subject.kind in _AMENDABLE
            and call.kind != "amend"
            and told.entries[:-1] == subject.entries[:-1]
            and _same_but_number(told.entries, subject.entries)
            and told.place in (None, subject.place or self._now.here)
        )
        if amendable and self._chance(self._habits.amends):
            figure = Decimal(last.split()[0] if last[0].isdigit() else last.split()[1])
            words = f"make that {self._numbers.say(figure)}"
            self._push(Meant(words, "amend", subject.entries, subject.place, True, subject))
            return
        if subject.kind != "answer":
            self._push(subject.again())
        if "corrected" in told.marks and call.kind != "amend":
            self._lost_entry()  # what was right went with it
        self._push(Meant("take that back", "undo", extra=True))

    def _settle(self, call: Meant | None, told: Told) -> None:
        if call is None:
            return
        now = self._now
        if call.place is not None:
            now.here = call.place
        if now.here is None:
            return
        self.ledger[now.here] += call.entries
        self._history.append((now.here, call))
        if call.kind in ("accept", "spoiled"):
            self.rings[now.here].outcome = call.entries[0]
            now.here = told.place

    # --- working -------------------------------------------------------------------------------

    def next_call(self) -> Meant:
        """What is called next, all work for it done."""
        call = self._now.agenda.pop() if self._now.agenda else self._work()
        self._now.call = call
        return call

    def _work(self) -> Meant:
        now = self._now
        advice = now.advice
        if advice is None:
            return Meant("what now", "ask", extra=True)
        if now.here is None:
            if "done" in advice.marks:
                return Meant("wrap up", "wrap")
            missing = [key for key, ring in self.rings.items() if ring.outcome is None]
            return self._pick(advice.place or missing[0])
        if self._chance(self._habits.asks):
            return Meant(self._one_of("what is the target", "where am i", "how much more"), "ask")
        ring = self.rings[now.here]
        if now.measure_first:
            now.measure_first, now.advice = False, None
            return self._readings(ring, self._last_leaf(now.here))
        now.advice = None
        if "dress" in advice.marks:
            ring.gap += 0.3 * self._rng.random()  # squaring the ends takes a little off
            ring.tilt = self._engine.seat()
            now.measure_first = True
            return Meant("ends are square", "check", ("ends square",))
        if advice.grinds is not None:
            return self._grind(ring, advice.grinds)
        if "deburr" in advice.marks and (
            not advice.tries or self._chance(self._habits.says_deburred)
        ):
            return Meant("deburred", "check", ("deburred",))
        if "ends" in advice.marks:
            off = self._chance(self._habits.ends_off)
            said = "not square" if off else "square"
            return Meant(f"ends are {said}", "check", (f"ends {said}",))
        if "over" in advice.marks:
            return Meant("spoiled ring", "spoiled", ("spoiled",))
        if {"accept", "stop"} & advice.marks:
            return Meant("accept it", "accept", ("accepted",))
        if not advice.tries:
            return Meant("what now", "ask", extra=True)
        if "square" in advice.marks:
            ring.tilt = self._engine.seat()
            if ring.cuts and self._chance(self._habits.says_square):
                return Meant("ring is square", "check", ("square",))
        return self._readings(ring, advice.tries)

    def _grind(self, ring: RingInHand, feed: Decimal) -> Meant:
        ring.gap = self._engine.cut(ring.gap, float(feed))
        ring.tilt = self._engine.seat()
        ring.cuts += 1
        verb, unit = self._one_of("ground", "ground", "took"), self._one_of("", "", " thou")
        figure = f"{feed.normalize():f}"
        return Meant(f"{verb} {self._numbers.say(feed)}{unit}", "ground", (f"ground {figure}",))

    def _readings(self, ring: RingInHand, stack: Sequence[Decimal]) -> Meant:
        felt = [(tuple(stack), self._feels(ring, stack))]
        if felt[0][1] == "no go" and tuple(stack) == (self._leaves[0],):
            return Meant("butts", "readings", ("butts",))
        if len(stack) == 1 and stack[0] in self._leaves and self._chance(self._habits.pairs):
            at = self._leaves.index(stack[0]) + (1 if felt[0][1] == "goes" else -1)
            if felt[0][1] != "snug" and 0 <= at < len(self._leaves):
                other = (self._leaves[at],)
                felt.append((other, self._feels(ring, other)))
        entries = tuple(f"{sum(leaves).normalize():f} {feel}" for leaves, feel in felt)
        words = " ".join(
            f"{' plus '.join(self._number(leaf) for leaf in leaves)} {feel}"
            for leaves, feel in felt
        )
        here = self._now.here
        if here is not None and self._chance(self._habits.names_ring):
            return Meant(f"{self._place(here)} {words}", "readings", entries, here)
        return Meant(words, "readings", entries)

    def _feels(self, ring: RingInHand, stack: Sequence[Decimal]) -> str:
        stack_nm = tuple(int(leaf * NM_PER_THOU) for leaf in stack)
        return self._engine.feel(ring.gap + ring.tilt, stack_nm)

    def _last_leaf(self, key: Key) -> tuple[Decimal, ...]:
        """The leaf that was called last on this ring, or the nearest one of the set."""
        called = [entry for entry in self.ledger[key] if entry[0].isdigit()]
        wanted = Decimal(called[-1].split()[0]) if called else self._leaves[0]
        return (min(self._leaves, key=lambda leaf: abs(leaf - wanted)),)

    def _pick(self, key: Key) -> Meant:
        return Meant(self._place(key), "pick", place=key)

    def _place(self, key: Key) -> str:
        cylinder, position = key
        ring = position if "rail" in position else f"{position} ring"
        return f"cylinder {self._numbers.say(Decimal(cylinder))} {ring}"

    def _words_of(self, entries: Sequence[str]) -> str:
        return " ".join(self._numbers.spell_figures(entry) for entry in entries)

    def _number(self, value: Decimal) -> str:
        ways = list(self._numbers.sayings(value, digits=value > 0 and value >= 10))
        if len(ways) > 1 and self._chance(self._habits.other_words):
            return " ".join(ways[self._rng.integers(1, len(ways))])
        return " ".join(ways[0])

    def _one_of(self, *ways: str) -> str:
        return ways[self._rng.integers(len(ways))]

    def _chance(self, share: float) -> bool:
        return bool(self._rng.random() < share)

    def _push(self, call: Meant | None) -> None:
        if call is not None:
            self._now.agenda.append(call)


def _same_but_number(one: Sequence[str], other: Sequence[str]) -> bool:
    """Whether two rows of entries differ in the last number only."""

    def bare(entry: str) -> str:
        return " ".join(word for word in entry.split() if not word[0].isdigit())

    return len(one) == len(other) > 0 and bare(one[-1]) == bare(other[-1])
