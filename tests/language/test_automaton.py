"""The smallest deterministic graph: exactly the sentences, and no state more than needed."""

from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from assistant.language.automaton import Nfa

WORDS = ("a", "b")
LONGEST = 4
EVERY = [words for n in range(LONGEST + 2) for words in product(WORDS, repeat=n)]

SENTENCES = st.sets(
    st.lists(st.sampled_from(WORDS), min_size=1, max_size=LONGEST).map(tuple), min_size=1,
    max_size=8,
)  # fmt: skip


@given(SENTENCES)
def test_the_graph_accepts_exactly_the_sentences_with_the_fewest_states(
    sentences: set[tuple[str, ...]],
) -> None:
    nfa = Nfa()
    for words in sorted(sentences):
        nfa.finals.add(nfa.step(nfa.start, words))
    graph = nfa.minimal_graph({"a": ("AA",), "c": ("B",)})
    assert {words for words in EVERY if graph.accepts(words)} == sentences
    # Plain reference (Myhill and Nerode): one state for each different set of continuations.
    prefixes = {words[:n] for words in sentences for n in range(len(words) + 1)}
    continuations = {
        frozenset(words[len(p) :] for words in sentences if words[: len(p)] == p) for p in prefixes
    }
    assert graph.states == len(continuations)
    arcs = [(source, word) for source, word, _ in graph.arcs]
    assert len(arcs) == len(set(arcs))
    assert graph.vocabulary == tuple(sorted({word for words in sentences for word in words}))
    assert set(graph.pronunciations) == {"a"} & set(graph.vocabulary)


def test_a_passage_without_a_word_joins_two_ways() -> None:
    nfa = Nfa()
    end = nfa.state()
    for words in (("a", "b"), ("b",), ()):
        nfa.join(nfa.step(nfa.start, words), end)
    nfa.finals.add(nfa.step(end, ("c",)))
    graph = nfa.minimal_graph({})
    accepted = [w for n in range(5) for w in product("abc", repeat=n) if graph.accepts(w)]
    assert accepted == [("c",), ("b", "c"), ("a", "b", "c")]
