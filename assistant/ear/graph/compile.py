"""Word graph + lexicon -> HCLG: the graph over transition-ids that Vosk decodes with.

A word becomes the chain of its phones, words that leave one state share their beginnings, quiet may
stand before, between and after words, equal endings are merged. Phone p is then replaced by its
transition-id 2p into a state that repeats 2p-1 (one-state units with a first and further frames).
Because phones know their place in a word, no disambiguation symbols are needed.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from assistant.ear.graph.fst import Fst
from assistant.ear.graph.lexicon import (
    PHONE_NUMBER,
    PHONES,
    SILENCE,
    Lexicon,
    placed,
    word_boundary_file,
)
from assistant.errors import GrammarError
from assistant.language.sentence_graph import WordGraph

UNKNOWN = "[unk]"


@dataclass(frozen=True, slots=True)
class GraphOptions:
    """Costs are natural logarithms, added to a path.

    silence_cost: of a pause between words. word_cost: of each word. choice_scale: share of the
    logarithm of the number of ways to go on, charged at each state of the word graph.
    unknown_cost: of beginning a stretch of other speech (None: no such branch); sound_scale: share
    of the phone bigram's costs inside it. unfinished_cost: of stopping after any word, although the
    sentence may not end there (None: it cannot): without it a sentence that was broken off is
    heard as a whole one, its end made up.
    """

    silence_cost: float = 0.7
    word_cost: float = 0.0
    choice_scale: float = 1.0
    unknown_cost: float | None = None
    sound_scale: float = 1.0
    unfinished_cost: float | None = None


def compile_graph(
    graph: WordGraph,
    lexicon: Lexicon,
    *,
    options: GraphOptions | None = None,
    phone_costs: Sequence[Sequence[float]] = (),
) -> dict[str, bytes]:
    """Files of a model's graph folder: ``HCLG.fst``, ``words.txt``, ``phones/word_boundary.int``.

    phone_costs: [40][40] cost of a sound unit after another (0 = quiet, then PHONES), for the
    branch of other speech. Raises GrammarError if a word has no pronunciation.
    """
    chosen = options or GraphOptions()
    known = lexicon.with_entries(graph.pronunciations)
    words = ["<eps>", *graph.vocabulary, UNKNOWN]
    numbers = {word: number for number, word in enumerate(words)}
    spoken = spell(graph, known, numbers, chosen)
    if chosen.unknown_cost is not None:
        _add_unknown(spoken, numbers[UNKNOWN], chosen, phone_costs)
    else:
        spoken = spoken.merged()
    hclg = expand(spoken.connected())
    return {
        "HCLG.fst": hclg.to_bytes(),
        "words.txt": "".join(f"{w} {n}\n" for n, w in enumerate(words)).encode(),
        "phones/word_boundary.int": word_boundary_file().encode(),
    }


def compile_loop(phone_costs: Sequence[Sequence[float]]) -> dict[str, bytes]:
    """Files of a graph folder that holds any string of sounds and no words.

    Decoded beside a grammar, it says how well the sound could be explained by other speech.
    phone_costs: as for ``compile_graph``.
    """
    fst = Fst()
    fst.start = fst.state()
    _add_unknown(fst, 1, GraphOptions(unknown_cost=0.0), phone_costs)
    return {
        "HCLG.fst": expand(fst.connected()).to_bytes(),
        "words.txt": f"<eps> 0\n{UNKNOWN} 1\n".encode(),
        "phones/word_boundary.int": word_boundary_file().encode(),
    }


def spell(
    graph: WordGraph, lexicon: Lexicon, numbers: Mapping[str, int], options: GraphOptions
) -> Fst:
    """The word graph spelled in phones: input phones with their places, output words."""
    if not graph.arcs:
        raise GrammarError("The grammar has no sentences: nothing can be compiled.")
    leaving: list[list[tuple[str, int]]] = [[] for _ in range(graph.states)]
    for source, word, target in graph.arcs:
        leaving[source].append((word, target))
    fst = Fst()
    quiet = PHONE_NUMBER[SILENCE]
    # Two states for each state of the word graph: a pause may still come, or has come.
    before = [fst.state() for _ in leaving]
    after = [fst.state() for _ in leaving]
    fst.start = before[graph.start]
    for state, arcs in enumerate(leaving):
        ways = len(arcs) + (state in graph.finals)
        cost = options.choice_scale * math.log(max(ways, 1)) + options.word_cost
        fst.arc(before[state], quiet, 0, options.silence_cost, after[state])
        if state in graph.finals:
            end = options.choice_scale * math.log(ways)
            fst.finals[before[state]] = fst.finals[after[state]] = end
        elif options.unfinished_cost is not None and state != graph.start:
            fst.finals[before[state]] = fst.finals[after[state]] = options.unfinished_cost
        entries = [
            (placed(way), numbers[word], before[target])
            for word, target in arcs
            for way in lexicon.ways(word)
        ]
        for root in (before[state], after[state]):
            _tree(fst, root, entries, 0, cost)
            if root == before[state]:
                shared = [a for a in fst.arcs[root] if a[0] != quiet]
                fst.arcs[after[state]].extend(shared)
                break
    return fst.connected().merged()


def _tree(
    fst: Fst, root: int, entries: list[tuple[tuple[int, ...], int, int]], depth: int, cost: float
) -> None:
    """Add entries (phones, word, target) below ``root``; a word is told as soon as it is sure."""
    groups: dict[int, list[tuple[tuple[int, ...], int, int]]] = {}
    for entry in entries:
        groups.setdefault(entry[0][depth], []).append(entry)
    for phone, group in groups.items():
        ending = [e for e in group if len(e[0]) == depth + 1]
        for _, word, target in ending:  # more than one: words that sound alike
            fst.arc(root, phone, word, cost, target)
        longer = [e for e in group if len(e[0]) > depth + 1]
        if longer:
            told = {e[1] for e in longer}
            node = fst.state()
            sure = len(told) == 1
            fst.arc(root, phone, told.pop() if sure else 0, cost, node)
            _tree(fst, node, [(p, 0 if sure else w, t) for p, w, t in longer], depth + 1, 0.0)


def _add_unknown(
    fst: Fst, word: int, options: GraphOptions, phone_costs: Sequence[Sequence[float]]
) -> None:
    """Beside the grammar: any string of sounds, told as unknown words, from start to end."""
    quiet = PHONE_NUMBER[SILENCE]
    cost = float(options.unknown_cost or 0.0)

    def price(before: int, now: int) -> float:
        return options.sound_scale * float(phone_costs[before][now]) if phone_costs else 0.0

    inside = [fst.state() for _ in PHONES]
    ended, paused, quiet_first = fst.state(), fst.state(), fst.state()
    fst.arc(fst.start, quiet, 0, options.silence_cost, quiet_first)
    for unit, phone in enumerate(PHONES, 1):
        begin, middle, end = (PHONE_NUMBER[f"{phone}_{place}"] for place in "BIE")
        for root in (fst.start, quiet_first, ended, paused):
            fst.arc(root, begin, word, cost + price(0, unit), inside[unit - 1])
        for other in range(1, len(PHONES) + 1):
            fst.arc(inside[other - 1], middle, 0, price(other, unit), inside[unit - 1])
            fst.arc(inside[other - 1], end, 0, price(other, unit), ended)
    fst.arc(ended, quiet, 0, options.silence_cost, paused)
    fst.finals[ended] = fst.finals[paused] = 0.0


def expand(spoken: Fst) -> Fst:
    """Phones replaced by transition-ids, with the repeating arcs of the units."""
    fst = Fst(start=spoken.start)
    for _ in spoken.arcs:
        fst.state()
    fst.finals = dict(spoken.finals)
    arriving: list[dict[int, int]] = [{} for _ in spoken.arcs]
    for arcs in spoken.arcs:
        for phone, _, _, target in arcs:
            arriving[target][phone] = -1
    for state, phones in enumerate(arriving):
        # One kind of arrival: the state itself repeats. Else each phone has a state of its own.
        alone = len(phones) == 1 and state != spoken.start
        for phone in phones:
            place = state if alone else fst.state()
            phones[phone] = place
            fst.arc(place, 2 * phone - 1, 0, 0.0, place)
            if not alone:
                fst.arc(place, 0, 0, 0.0, state)
    for state, arcs in enumerate(spoken.arcs):
        for phone, output, cost, target in arcs:
            fst.arc(state, 2 * phone, output, cost, arriving[target][phone])
    return fst
