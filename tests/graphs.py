"""Word graphs and transducers for tests: made of a few sentences, counted, read, walked through."""

import struct
from collections.abc import Iterable, Mapping
from functools import cache
from math import isfinite

from assistant.ear.graph.fst import Fst
from assistant.language.sentence_graph import WordGraph


def from_sentences(
    sentences: Iterable[str], *, pronunciations: Mapping[str, tuple[str, ...]] | None = None
) -> WordGraph:
    """The graph of a short list of sentences: one tree, words split at white space."""
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


def count_of(graph: WordGraph) -> int:
    """How many different sentences a graph without loops accepts."""
    after: dict[int, list[int]] = {}
    for source, _, target in graph.arcs:
        after.setdefault(source, []).append(target)

    @cache
    def count(state: int) -> int:
        return (state in graph.finals) + sum(map(count, after.get(state, ())))

    return count(graph.start)


def outputs(fst: Fst, labels: tuple[int, ...]) -> set[tuple[int, ...]]:
    """All output strings that a transducer gives for an input string."""
    found: set[tuple[int, ...]] = set()
    todo: list[tuple[int, int, tuple[int, ...]]] = [(fst.start, 0, ())]
    seen = set(todo)
    while todo:
        state, at, said = todo.pop()
        if at == len(labels) and state in fst.finals:
            found.add(said)
        for label, output, _, target in fst.arcs[state]:
            if label and (at == len(labels) or labels[at] != label):
                continue
            step = (target, at + bool(label), (*said, output) if output else said)
            if step not in seen:
                seen.add(step)
                todo.append(step)
    return found


def read_fst(data: bytes) -> Fst:
    """The transducer in an OpenFst file of type "const", arc type "standard".

    Layout from OpenFst 1.x's public source (ConstFst::Read), written apart from the program.
    """
    magic, length = struct.unpack_from("<ii", data)
    assert magic == 2125659606
    assert data[8 : 8 + length] == b"const"
    at = 8 + length
    (length,) = struct.unpack_from("<i", data, at)
    assert data[at + 4 : at + 4 + length] == b"standard"
    at += 4 + length
    version, flags, _, start, states, arcs = struct.unpack_from("<iiQqqq", data, at)
    assert (version, flags & 3) == (2, 0)  # unaligned, no symbol tables
    at += 40
    first_arc = at + 20 * states
    assert len(data) == first_arc + 16 * arcs
    fst = Fst(start=start)
    for state in range(states):
        final, first, count, silent, wordless = struct.unpack_from("<fIIII", data, at + 20 * state)
        begin = first_arc + 16 * first
        leaving = [struct.unpack_from("<iifi", data, begin + 16 * k) for k in range(count)]
        assert silent == sum(arc[0] == 0 for arc in leaving)
        assert wordless == sum(arc[1] == 0 for arc in leaving)
        fst.arcs.append(leaving)
        if isfinite(final):
            fst.finals[state] = final
    return fst
