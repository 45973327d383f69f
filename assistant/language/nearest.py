"""The sentence of a grammar that is nearest to words that are none.

Cheapest way through the word graph (Dijkstra 1959) where words may be misspelt, left out or too
many. Numbers are never changed, added or dropped: a guess must not put another figure on metal.
"""

from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from functools import lru_cache
from heapq import heappop, heappush

from assistant.language.grammar import Grammar

_MOST_WORDS = 20
_ADDED = 0.6  # cost of a word left out by who typed
_DROPPED = 0.8  # cost of a word too many
_OTHER = 1.2  # cost of another word of the grammar in its place
_LIKE = 0.6  # share of letters in common from which a word may be a misspelling
_FREE, _PER_WORD = 0.35, 0.3  # the most that a nearest sentence may cost


def nearest(words: Sequence[str], grammar: Grammar) -> tuple[str, ...] | None:
    """The nearest sentence, None if none is near. ``words``: as ``words_typed`` gives them."""
    if not 0 < len(words) <= _MOST_WORDS:
        return None
    numeral = grammar.numbers.words if grammar.numbers is not None else frozenset()
    known = frozenset(grammar.vocabulary)
    steps: dict[int, list[tuple[str, int]]] = {}
    for source, word, target in grammar.graph.arcs:
        steps.setdefault(source, []).append((word, target))
    most = _FREE + _PER_WORD * len(words)

    def onward(at: int, state: int) -> Iterator[tuple[float, int, int, tuple[str, ...]]]:
        typed = words[at] if at < len(words) else None
        fixed = typed is not None and (typed in numeral or not typed.isalpha())
        if typed is not None and not fixed:
            yield _DROPPED, at + 1, state, ()
        for word, target in steps.get(state, ()):
            if typed == word:
                yield 0.0, at + 1, target, (word,)
            elif word not in numeral:
                yield _ADDED, at, target, (word,)
                if typed is not None and not fixed:
                    cost = _misspelt(typed, word)
                    cost = min(cost, _OTHER) if typed in known else cost
                    yield cost, at + 1, target, (word,)
            elif typed is not None and not fixed and typed not in known:
                yield _misspelt(typed, word), at + 1, target, (word,)

    waiting: list[tuple[float, tuple[str, ...], int, int]] = [(0.0, (), 0, grammar.graph.start)]
    done: set[tuple[int, int]] = set()
    while waiting:
        cost, said, at, state = heappop(waiting)
        if (at, state) in done:
            continue
        done.add((at, state))
        if at == len(words) and state in grammar.graph.finals:
            return said
        for more, next_at, target, added in onward(at, state):
            if cost + more <= most and (next_at, target) not in done:
                heappush(waiting, (cost + more, (*said, *added), next_at, target))
    return None


@lru_cache(maxsize=4096)
def _misspelt(typed: str, word: str) -> float:
    alike = SequenceMatcher(None, typed, word, autojunk=False).ratio()
    return 1.5 * (1 - alike) if alike >= _LIKE else float("inf")
