"""Finite automata over words: build freely, get back the smallest deterministic graph."""

from collections.abc import Mapping, Sequence
from itertools import count

from assistant.language.sentence_graph import WordGraph


class Nfa:
    """A nondeterministic automaton under construction. States are numbered from 0 (the start)."""

    def __init__(self) -> None:
        self.start = 0
        self.finals: set[int] = set()
        self._arcs: list[dict[str, set[int]]] = [{}]
        self._empty: list[set[int]] = [set()]

    def state(self) -> int:
        """A new state."""
        self._arcs.append({})
        self._empty.append(set())
        return len(self._arcs) - 1

    def step(self, state: int, words: Sequence[str]) -> int:
        """A new path of ``words`` after ``state``; its last state."""
        for word in words:
            target = self.state()
            self._arcs[state].setdefault(word, set()).add(target)
            state = target
        return state

    def join(self, source: int, target: int) -> None:
        """Let the automaton pass from ``source`` to ``target`` without a word."""
        self._empty[source].add(target)

    def minimal_graph(self, pronunciations: Mapping[str, tuple[str, ...]]) -> WordGraph:
        """The smallest deterministic graph that accepts the same sentences."""
        arcs, finals = self._deterministic()
        block = _blocks(arcs, finals)
        merged = {
            (block[source], word, block[target])
            for source, steps in enumerate(arcs)
            for word, target in steps.items()
        }
        vocabulary = sorted({word for _, word, _ in merged})
        return WordGraph(
            start=block[0],
            finals=frozenset(block[state] for state in finals),
            arcs=tuple(sorted(merged)),
            vocabulary=tuple(vocabulary),
            pronunciations={w: pronunciations[w] for w in vocabulary if w in pronunciations},
        )

    def _closure(self, states: set[int]) -> frozenset[int]:
        todo, seen = list(states), set(states)
        while todo:
            for target in self._empty[todo.pop()] - seen:
                seen.add(target)
                todo.append(target)
        return frozenset(seen)

    def _deterministic(self) -> tuple[list[dict[str, int]], set[int]]:
        first = self._closure({self.start})
        number = {first: 0}
        arcs: list[dict[str, int]] = []
        finals = set()
        order = [first]
        for here in order:  # grows while it is walked
            if here & self.finals:
                finals.add(number[here])
            reach: dict[str, set[int]] = {}
            for state in here:
                for word, targets in self._arcs[state].items():
                    reach.setdefault(word, set()).update(targets)
            steps = {}
            for word, targets in reach.items():
                there = self._closure(targets)
                if there not in number:
                    number[there] = len(order)
                    order.append(there)
                steps[word] = number[there]
            arcs.append(steps)
        return arcs, finals


def _blocks(arcs: Sequence[Mapping[str, int]], finals: set[int]) -> list[int]:
    """Equivalence class of each state, by refining until nothing splits (Moore's algorithm)."""
    block = [int(state in finals) for state in range(len(arcs))]
    while True:
        fresh = count()
        names: dict[tuple[int, tuple[tuple[str, int], ...]], int] = {}
        refined = []
        for state, steps in enumerate(arcs):
            key = (block[state], tuple(sorted((w, block[t]) for w, t in steps.items())))
            if key not in names:
                names[key] = next(fresh)
            refined.append(names[key])
        if len(names) == len(set(block)):
            return refined
        block = refined
