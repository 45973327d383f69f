"""Word graph + lexicon -> decoding graph: the same sentences, and nothing else."""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.ear.graph.compile import (
    UNKNOWN,
    GraphOptions,
    compile_graph,
    compile_loop,
    expand,
    spell,
)
from assistant.ear.graph.fst import Fst
from assistant.ear.graph.lexicon import PHONE_NUMBER, Lexicon, placed
from assistant.errors import GrammarError
from assistant.language.sentence_graph import WordGraph
from tests.graphs import from_sentences, outputs, read_fst

LEXICON = Lexicon(
    "two T UW\nto T UW\nsix S IH K S\nsixteen S IH K S T IY N\ngoes G OW Z\nno N OW\ngo G OW\n"
    "again AH G EH N\nagain AH G EY N\na AH\n"
)
WORDS = ("two", "to", "six", "sixteen", "goes", "no", "go", "again", "a")
SIL = PHONE_NUMBER["SIL"]


def spelled(graph: WordGraph) -> tuple[Fst, dict[int, str]]:
    numbers = {word: n for n, word in enumerate(graph.vocabulary, 1)}
    return spell(graph, LEXICON, numbers, GraphOptions()), {n: w for w, n in numbers.items()}


def phones(words: tuple[str, ...], pauses: tuple[bool, ...]) -> list[tuple[int, ...]]:
    """Every way to say ``words`` as phone numbers, with a pause where ``pauses`` says so."""
    found = []
    for ways in product(*(LEXICON.ways(word) for word in words)):
        said: list[int] = [SIL] if pauses[0] else []
        for way, pause in zip(ways, pauses[1:], strict=True):
            said += [*placed(way), *([SIL] if pause else [])]
        found.append(tuple(said))
    return found


SENTENCES = st.lists(
    st.lists(st.sampled_from(WORDS), min_size=1, max_size=3).map(tuple), min_size=1, max_size=5
)


@given(SENTENCES, SENTENCES, st.tuples(*[st.booleans()] * 4))
def test_exactly_the_sentences_are_spelled(
    said: list[tuple[str, ...]], others: list[tuple[str, ...]], pauses: tuple[bool, ...]
) -> None:
    graph = from_sentences(" ".join(s) for s in said)
    fst, words = spelled(graph)
    allowed = set(said)
    for sentence in allowed | set(others):
        if any(w not in graph.vocabulary for w in sentence):
            continue
        for labels in phones(sentence, pauses[: len(sentence) + 1]):
            heard = {tuple(words[n] for n in out) for out in outputs(fst, labels)}
            same = {s for s in allowed if labels in phones(s, pauses[: len(s) + 1])}
            assert heard == same


def test_words_that_sound_alike_are_both_kept() -> None:
    fst, words = spelled(from_sentences(["two", "to"]))
    assert {words[o[0]] for o in outputs(fst, placed(("T", "UW")))} == {"two", "to"}


def test_a_word_inside_a_longer_one_needs_no_mark() -> None:
    fst, words = spelled(from_sentences(["six", "sixteen"]))
    assert [words[o[0]] for o in outputs(fst, placed(("S", "IH", "K", "S")))] == ["six"]
    sixteen = placed(("S", "IH", "K", "S", "T", "IY", "N"))
    assert [words[o[0]] for o in outputs(fst, sixteen)] == ["sixteen"]


def frames(labels: tuple[int, ...], lasts: int) -> tuple[int, ...]:
    """Transition-ids of phones that each last so many frames of 30 ms."""
    return tuple(t for p in labels for t in (2 * p, *[2 * p - 1] * (lasts - 1)))


@pytest.mark.parametrize("lasts", [1, 2, 5])
def test_each_phone_lasts_one_frame_or_more(lasts: int) -> None:
    fst, words = spelled(from_sentences(["six goes", "sixteen goes", "no go"]))
    hmm = expand(fst)
    for sentence in (("six", "goes"), ("sixteen", "goes"), ("no", "go")):
        labels = phones(sentence, (True, False, True))[0]
        (out,) = outputs(hmm, frames(labels, lasts))
        assert tuple(words[n] for n in out) == sentence
    assert not outputs(hmm, frames(placed(("N", "OW")), lasts))


def test_files_of_a_graph_folder() -> None:
    files = compile_graph(from_sentences(["no go", "goes"]), LEXICON)
    assert sorted(files) == ["HCLG.fst", "phones/word_boundary.int", "words.txt"]
    lines = files["words.txt"].decode().splitlines()
    assert lines == ["<eps> 0", "go 1", "goes 2", "no 3", f"{UNKNOWN} 4"]
    (out,) = outputs(read_fst(files["HCLG.fst"]), frames(placed(("G", "OW", "Z")), 2))
    assert out == (2,)


def test_choices_cost_their_logarithm() -> None:
    fst = spell(from_sentences(["go", "no"]), LEXICON, {"go": 1, "no": 2}, GraphOptions())
    first = [cost for label, _, cost, _ in fst.arcs[fst.start] if label != SIL]
    assert first == pytest.approx([0.6931, 0.6931], abs=1e-4)  # ln 2


def test_a_sentence_may_be_broken_off_after_a_word_only_where_asked() -> None:
    graph = from_sentences(["sixteen goes", "no go"])
    numbers = {word: n for n, word in enumerate(graph.vocabulary, 1)}
    begun = placed(("S", "IH", "K", "S", "T", "IY", "N"))
    strict = spell(graph, LEXICON, numbers, GraphOptions())
    broken = spell(graph, LEXICON, numbers, GraphOptions(unfinished_cost=4.0))
    assert outputs(strict, begun) == set()
    assert outputs(broken, begun) == {(numbers["sixteen"],)}
    assert outputs(broken, begun[:3]) == set()  # never within a word
    assert outputs(broken, ()) == set()  # nor before the first


def test_a_word_graph_tells_sentences_from_their_beginnings() -> None:
    graph = from_sentences(["sixteen goes", "no go"])
    assert [graph.accepts(w.split()) for w in ("sixteen goes", "sixteen", "goes")] == [
        True, False, False,
    ]  # fmt: skip
    assert [graph.begins(w.split()) for w in ("sixteen goes", "sixteen", "goes")] == [
        True, True, False,
    ]  # fmt: skip


def test_other_speech_has_a_branch_only_where_asked() -> None:
    graph, strange = from_sentences(["go"]), placed(("S", "IH", "K", "S"))
    without = read_fst(compile_graph(graph, LEXICON)["HCLG.fst"])
    assert not outputs(without, frames(strange, 1))
    options = GraphOptions(unknown_cost=1.0)
    branch = read_fst(compile_graph(graph, LEXICON, options=options)["HCLG.fst"])
    assert outputs(branch, frames(strange, 1)) == {(2,)}


def test_the_loop_takes_any_sounds() -> None:
    costs = [[1.0] * 40 for _ in range(40)]
    loop = read_fst(compile_loop(costs)["HCLG.fst"])
    for word in ("sixteen", "goes", "again"):
        assert outputs(loop, frames(placed(LEXICON.ways(word)[0]), 2)) == {(1,)}


def test_a_word_without_a_pronunciation_is_named() -> None:
    with pytest.raises(GrammarError, match="'gudgeon'"):
        compile_graph(from_sentences(["gudgeon goes"]), LEXICON)


def test_a_grammar_without_sentences_is_refused() -> None:
    with pytest.raises(GrammarError, match="no sentences"):
        compile_graph(from_sentences([]), LEXICON)
