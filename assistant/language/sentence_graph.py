"""The sentences that may be said, as plain data that any recogniser can be built from."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class WordGraph:
    """An acceptor over words: a sentence is allowed if it spells a path from start to a final.

    start: number of the first state; states are 0..n-1.
    finals: states in which a sentence may end.
    arcs: (from state, word, to state).
    vocabulary: all words on the arcs, sorted.
    pronunciations: word -> phone strings in the CMU set without stress ("S N AH G"), only for
        words whose pronunciation is given with the grammar; may be empty.
    """

    start: int
    finals: frozenset[int]
    arcs: tuple[tuple[int, str, int], ...]
    vocabulary: tuple[str, ...]
    pronunciations: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def states(self) -> int:
        """Number of states."""
        ends = [end for source, _, target in self.arcs for end in (source, target)]
        return 1 + max((self.start, *self.finals, *ends))

    def accepts(self, words: Iterable[str]) -> bool:
        """Whether ``words`` is a whole sentence of the graph."""
        return bool(self._reached(words) & self.finals)

    def begins(self, words: Iterable[str]) -> bool:
        """Whether a sentence of the graph begins with ``words``, or is them."""
        return bool(self._reached(words))

    def shared_with(self, other: "WordGraph") -> tuple[str, ...] | None:
        """A shortest sentence that both accept, None if there is none. Both deterministic."""
        mine, theirs = self._steps(), other._steps()
        paths: dict[tuple[int, int], tuple[str, ...]] = {(self.start, other.start): ()}
        for pair in (waiting := list(paths)):
            one, two = pair
            if one in self.finals and two in other.finals:
                return paths[pair]
            ahead = theirs.get(two, {})
            for word, target in mine.get(one, {}).items():
                if word in ahead and (following := (target, ahead[word])) not in paths:
                    paths[following] = (*paths[pair], word)
                    waiting.append(following)
        return None

    def _steps(self) -> dict[int, dict[str, int]]:
        steps: dict[int, dict[str, int]] = {}
        for source, word, target in self.arcs:
            steps.setdefault(source, {})[word] = target
        return steps

    def _reached(self, words: Iterable[str]) -> set[int]:
        here = {self.start}
        for word in words:
            here = {b for a, label, b in self.arcs if a in here and label == word}
        return here


def from_sentences(
    sentences: Iterable[str], *, pronunciations: Mapping[str, tuple[str, ...]] | None = None
) -> WordGraph:
    """The graph of a short list of sentences: one tree, words split at white space.

    Meant for small lists (tests, yes-or-no questions); a grammar makes a smaller graph itself.
    """
    tree: dict[tuple[int, str], int] = {}
    finals = set()
    states = 1
    for sentence in sentences:
        here = 0
        for word in sentence.split():
            if (here, word) not in tree:
                tree[here, word] = states
                states += 1
            here = tree[here, word]
        finals.add(here)
    return WordGraph(
        start=0,
        finals=frozenset(finals),
        arcs=tuple((a, word, b) for (a, word), b in tree.items()),
        vocabulary=tuple(sorted({word for _, word in tree})),
        pronunciations=dict(pronunciations or {}),
    )
