"""A small weighted transducer and OpenFst's binary files of it.

The format is that of OpenFst 1.x (type "const", arc type "standard"), little-endian, after its
public source; the decoder of the model's engine reads it.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

Arc = tuple[int, int, float, int]
"""(input label, output label, cost, next state); label 0 is nothing."""

_MAGIC = 2125659606
_ARC = struct.Struct("<iifi")
_INFINITY = float("inf")


@dataclass
class Fst:
    """States are 0..n-1; ``finals`` maps a final state to its cost."""

    arcs: list[list[Arc]] = field(default_factory=list)
    finals: dict[int, float] = field(default_factory=dict)
    start: int = 0

    def state(self) -> int:
        """A new state."""
        self.arcs.append([])
        return len(self.arcs) - 1

    def arc(self, source: int, label: int, output: int, cost: float, target: int) -> None:
        """A new arc."""
        self.arcs[source].append((label, output, cost, target))

    @property
    def arc_count(self) -> int:
        """Number of arcs."""
        return sum(map(len, self.arcs))

    def connected(self) -> "Fst":
        """Only the states that lie on a path from the start to a final state, renumbered.

        The start stays even where no path is left.
        """
        forward = self._reach([self.start], [[a[3] for a in arcs] for arcs in self.arcs])
        back: list[list[int]] = [[] for _ in self.arcs]
        for source, arcs in enumerate(self.arcs):
            for arc in arcs:
                back[arc[3]].append(source)
        keep = sorted((forward & self._reach(list(self.finals), back)) | {self.start})
        number = {state: n for n, state in enumerate(keep)}
        return Fst(
            [[(i, o, w, number[t]) for i, o, w, t in self.arcs[s] if t in number] for s in keep],
            {number[s]: w for s, w in self.finals.items() if s in number},
            number[self.start],
        )

    @staticmethod
    def _reach(begin: list[int], steps: list[list[int]]) -> set[int]:
        todo, seen = list(begin), set(begin)
        while todo:
            for target in steps[todo.pop()]:
                if target not in seen:
                    seen.add(target)
                    todo.append(target)
        return seen

    def merged(self) -> "Fst":
        """States with the same future made one (bottom up); states on or before a loop stay."""
        order = self._ends_first()
        same: dict[tuple[float, tuple[Arc, ...]], int] = {}
        chosen = list(range(len(self.arcs)))
        for state in order:
            arcs = tuple(sorted((i, o, w, chosen[t]) for i, o, w, t in self.arcs[state]))
            chosen[state] = same.setdefault((self.finals.get(state, _INFINITY), arcs), state)
        return Fst(
            [
                [(i, o, w, chosen[t]) for i, o, w, t in arcs] if chosen[s] == s else []
                for s, arcs in enumerate(self.arcs)
            ],
            {s: w for s, w in self.finals.items() if chosen[s] == s},
            chosen[self.start],
        ).connected()

    def _ends_first(self) -> Iterator[int]:
        """States all of whose arcs lead to states given before; none on or before a loop."""
        waiting = [len({a[3] for a in arcs}) for arcs in self.arcs]
        back: list[set[int]] = [set() for _ in self.arcs]
        for source, arcs in enumerate(self.arcs):
            for arc in arcs:
                back[arc[3]].add(source)
        ready = [s for s, n in enumerate(waiting) if n == 0]
        while ready:
            state = ready.pop()
            yield state
            for source in back[state]:
                waiting[source] -= 1
                if waiting[source] == 0:
                    ready.append(source)

    def to_bytes(self) -> bytes:
        """The transducer as an OpenFst file of type "const", arcs sorted by input label."""
        head = _string("const") + _string("standard") + struct.pack("<iiQ", 2, 0, 1)
        counts = struct.pack("<qqq", self.start, len(self.arcs), self.arc_count)
        states, arcs, at = bytearray(), bytearray(), 0
        for number, leaving in enumerate(self.arcs):
            silent = sum(1 for a in leaving if a[0] == 0), sum(1 for a in leaving if a[1] == 0)
            final = self.finals.get(number, _INFINITY)
            states += struct.pack("<fIIII", final, at, len(leaving), *silent)
            for arc in sorted(leaving):
                arcs += _ARC.pack(*arc)
            at += len(leaving)
        return struct.pack("<i", _MAGIC) + head + counts + bytes(states) + bytes(arcs)


def _string(text: str) -> bytes:
    return struct.pack("<i", len(text)) + text.encode("ascii")
