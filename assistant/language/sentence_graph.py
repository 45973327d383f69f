"""The sentences that may be said, as plain data that any recogniser can be built from."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property


@dataclass(frozen=True)
class WordGraph:
    """A deterministic acceptor over words: a sentence is a path from the start to a final state.

    start: number of the first state; states are 0..n-1.
    finals: states in which a sentence may end.
    arcs: (from state, word, to state); no state has two arcs of one word.
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
        return self._after(words) in self.finals

    def begins(self, words: Iterable[str]) -> bool:
        """Whether a sentence of the graph begins with ``words``, or is them."""
        return self._after(words) is not None

    def next_words(self, words: Iterable[str]) -> frozenset[str]:
        """Words that may follow ``words`` in some sentence; empty if none may."""
        state = self._after(words)
        return frozenset(self._steps.get(state, {})) if state is not None else frozenset()

    def shared_with(self, other: "WordGraph") -> tuple[str, ...] | None:
        """A shortest sentence that both accept, None if there is none."""
        paths: dict[tuple[int, int], tuple[str, ...]] = {(self.start, other.start): ()}
        for pair in (waiting := list(paths)):
            one, two = pair
            if one in self.finals and two in other.finals:
                return paths[pair]
            ahead = other._steps.get(two, {})
            for word, target in self._steps.get(one, {}).items():
                if word in ahead and (following := (target, ahead[word])) not in paths:
                    paths[following] = (*paths[pair], word)
                    waiting.append(following)
        return None

    @cached_property
    def _steps(self) -> dict[int, dict[str, int]]:
        steps: dict[int, dict[str, int]] = {}
        for source, word, target in self.arcs:
            steps.setdefault(source, {})[word] = target
        return steps

    def _after(self, words: Iterable[str]) -> int | None:
        state: int | None = self.start
        for word in words:
            state = self._steps.get(state, {}).get(word) if state is not None else None
        return state
