"""The transducer and OpenFst's files of it."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.ear.graph.fst import Fst, read_fst
from assistant.errors import RecognizerError


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
    assert fst.connected().outputs(said) == fst.outputs(said)
    assert fst.merged().outputs(said) == fst.outputs(said)


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


def test_a_vector_file_of_openfst_is_read() -> None:
    # Byte order from OpenFst 1.x's public source (VectorFst::WriteFst), written out here by hand.
    head = struct.pack("<i", 2125659606)
    for name in ("vector", "standard"):
        head += struct.pack("<i", len(name)) + name.encode()
    head += struct.pack("<iiQqqq", 2, 0, 3, 0, 2, 1)
    body = struct.pack("<fq", float("inf"), 1) + struct.pack("<iifi", 7, 8, 0.5, 1)
    body += struct.pack("<fq", 0.25, 0)
    fst = read_fst(head + body)
    assert fst.arcs == [[(7, 8, 0.5, 1)], []]
    assert fst.finals == {1: 0.25}


@pytest.mark.parametrize("data", [b"", b"\0" * 80, b"RIFF" + b"\0" * 80])
def test_another_file_is_refused(data: bytes) -> None:
    with pytest.raises(RecognizerError, match="OpenFst file"):
        read_fst(data)


def test_half_a_file_is_refused() -> None:
    fst = Fst([[(1, 1, 0.0, 0)]], {0: 0.0})
    with pytest.raises(RecognizerError, match="no whole OpenFst file"):
        read_fst(fst.to_bytes()[:-10])


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
