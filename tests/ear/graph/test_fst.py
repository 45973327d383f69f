"""The transducer and OpenFst's files of it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.ear.graph.fst import Fst
from tests.graphs import outputs, read_fst


@st.composite
def transducers(draw: st.DrawFn) -> Fst:
    count = draw(st.integers(1, 6))
    fst = Fst([[] for _ in range(count)])
    costs = st.floats(0, 16, width=32)
    for _ in range(draw(st.integers(0, 12))):
        source = draw(st.integers(0, count - 1))
        target = draw(st.integers(0, count - 1))
        label = draw(st.integers(0, 4))
        # An arc that reads nothing says nothing: a loop of such would say no end of strings.
        fst.arc(source, label, draw(st.integers(0, 3)) if label else 0, draw(costs), target)
    for state in draw(st.sets(st.integers(0, count - 1))):
        fst.finals[state] = draw(costs)
    return fst


@given(transducers())
def test_what_is_written_is_read_back(fst: Fst) -> None:
    again = read_fst(fst.to_bytes())
    assert again.arcs == [sorted(arcs) for arcs in fst.arcs]
    assert again.finals == fst.finals
    assert again.start == fst.start


@given(transducers(), st.lists(st.integers(1, 4), max_size=4))
def test_merging_and_connecting_change_no_sentence(fst: Fst, labels: list[int]) -> None:
    said = tuple(labels)
    assert outputs(fst.connected(), said) == outputs(fst, said)
    assert outputs(fst.merged(), said) == outputs(fst, said)


def test_equal_endings_become_one() -> None:
    fst = Fst()
    for _ in range(5):
        fst.state()
    fst.arc(0, 1, 0, 0.0, 1)
    fst.arc(0, 2, 0, 0.0, 2)
    fst.arc(1, 3, 0, 0.0, 3)
    fst.arc(2, 3, 0, 0.0, 4)
    fst.finals = {3: 0.0, 4: 0.0}
    assert len(fst.merged().arcs) == 3


def test_openfst_itself_reads_our_file() -> None:
    pynini = pytest.importorskip("pywrapfst", reason="the package pynini is not installed")
    fst = Fst([[(1, 2, 0.5, 1), (0, 0, 0.0, 1)], []], {1: 0.75})
    theirs = pynini.Fst.read_from_string(fst.to_bytes())
    assert theirs.verify()
    assert theirs.start() == 0
    assert [(a.ilabel, a.olabel, float(a.weight), a.nextstate) for a in theirs.arcs(0)] == [
        (0, 0, 0.0, 1),
        (1, 2, 0.5, 1),
    ]
