"""A Vosk model in a few lines: every word is a tone. For contract tests only; nothing is trained.

The network looks at mel-band energies and takes the band of the tone for the word, or the unknown
word [unk] when all bands are loud. Format of the files: Kaldi's and OpenFst's own sources, as far
as needed here.
"""

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import SAMPLE_RATE_HZ, Samples
from assistant.language.sentence_graph import WordGraph

_BANDS = 40
_TONE_S = 0.3
_GAP_S = 0.15
_QUIET_LOG_ENERGY = 15.0  # between room noise (about 8) and a tone (about 24)
_UNKNOWN_BONUS = 4.0  # over the mean of all bands: flat noise is no tone
_UNKNOWN = "[unk]"
_NEVER = float("inf")


def tone_hz(word: str, vocabulary: tuple[str, ...]) -> float:
    """The tone of a word: spread evenly on the mel scale between 400 and 5000 Hz."""
    low, high = _mel(400.0), _mel(5000.0)
    place = vocabulary.index(word) / max(1, len(vocabulary) - 1)
    return 700.0 * (10 ** ((low + place * (high - low)) / 2595.0) - 1.0)


def say_tones(words: tuple[str, ...], vocabulary: tuple[str, ...]) -> Samples:
    """The sound of ``words``: tones with gaps of room noise, seeded."""
    noise = np.random.default_rng(7)
    quiet = np.zeros(round(_GAP_S * SAMPLE_RATE_HZ))
    seconds = np.arange(round(_TONE_S * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    parts = [quiet, quiet]
    for word in words:
        parts += [0.3 * np.sin(2 * np.pi * tone_hz(word, vocabulary) * seconds), quiet]
    sound = np.concatenate([*parts, quiet])
    return np.asarray(sound + noise.normal(0, 1e-4, len(sound)), np.float32)


def write_tone_model(folder: Path, graph: WordGraph, *, static: bool) -> None:
    """Write a model whose words are those of ``graph``.

    static: with the graph's sentences compiled in, and quiet alone and the unknown word beside
    them; otherwise ready for a grammar at run time.
    """
    words = graph.vocabulary
    for name in ("am", "conf", "graph"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "am/final.mdl").write_bytes(_acoustic_model(words))
    (folder / "conf/mfcc.conf").write_text(
        f"--use-energy=false\n--num-mel-bins={_BANDS}\n--num-ceps={_BANDS}\n--dither=0\n"
        "--cepstral-lifter=0\n"
    )
    (folder / "conf/model.conf").write_text(
        "--frame-subsampling-factor=3\n--acoustic-scale=1.0\n--beam=13\n--max-active=3000\n"
        "--lattice-beam=2\n--endpoint.silence-phones=1\n"
        "--endpoint.rule2.min-trailing-silence=0.5\n"
    )
    names = ["<eps>", *words, _UNKNOWN]
    (folder / "graph/words.txt").write_text(
        "".join(f"{name} {number}\n" for number, name in enumerate(names))
    )
    number = {name: n for n, name in enumerate(names)}
    if static:
        (folder / "graph/HCLG.fst").write_bytes(_static_graph(graph, number))
        return
    (folder / "graph/HCLr.fst").write_bytes(_word_loop(names[1:], number))
    (folder / "graph/Gr.fst").write_bytes(_any_words(names[1:], number))
    (folder / "graph/disambig_tid.int").write_text("")


def _mel(hz: float) -> float:
    return 2595.0 * float(np.log10(1.0 + hz / 700.0))


# --- acoustic model: phone 1 quiet, phone 2 + i the tone of word i, the last one the unknown ------


def _acoustic_model(words: tuple[str, ...]) -> bytes:
    phones = list(range(1, len(words) + 3))
    pdfs = len(phones)
    topology = (
        b"<TransitionModel> <Topology> "
        + _ints(phones)
        + _ints([-1] + [0] * pdfs)
        + b"".join(map(_int, (-1, 1, 2, 0, 0, 2, 0)))
        + _float(0.5)
        + _int(1)
        + _float(0.5)
        + b"".join(map(_int, (-1, -1, 0)))
        + b"</Topology> "
    )
    tuples = b"<Tuples> " + _int(pdfs)
    for phone in phones:
        tuples += b"".join(map(_int, (phone, 0, phone - 1, phone - 1)))
    tuples += b"</Tuples> "
    log_probs = np.full(1 + 2 * pdfs, np.log(0.5))
    log_probs[0] = 0.0
    transitions = b"<LogProbs> " + _vector(log_probs) + b"</LogProbs> </TransitionModel> "
    return b"\0B" + topology + tuples + transitions + _network(words)


def _network(words: tuple[str, ...]) -> bytes:
    """Undo the cosine transform of the features, then one band a word against a fixed level."""
    cosine = np.array(
        [
            [np.cos(np.pi * k * (band + 0.5) / _BANDS) for band in range(_BANDS)]
            for k in range(_BANDS)
        ]
    ) * np.sqrt(2.0 / _BANDS)
    cosine[0] /= np.sqrt(2.0)
    edges = np.linspace(_mel(20.0), _mel(8000.0), _BANDS + 2)[1:-1]
    weights = np.zeros((len(words) + 2, _BANDS))
    bias = np.zeros(len(words) + 2)
    bias[0] = _QUIET_LOG_ENERGY
    for place, word in enumerate(words, 1):
        band = int(np.argmin(np.abs(edges - _mel(tone_hz(word, words)))))
        weights[place] = cosine.T[band]
    weights[-1] = cosine.mean(axis=1)
    bias[-1] = _UNKNOWN_BONUS
    config = (
        "input-node name=input dim=40\n"
        "component-node name=bands component=bands input=input\n"
        "component-node name=logs component=logs input=bands\n"
        "output-node name=output input=logs objective=linear\n\n"
    )
    count = len(words) + 2
    empty = _vector(np.zeros(0))
    return (
        b"<Nnet3> \n"
        + config.encode()
        + b"<NumComponents> "
        + _int(2)
        + b"<ComponentName> bands <FixedAffineComponent> <LinearParams> "
        + _matrix(weights)
        + b"<BiasParams> "
        + _vector(bias)
        + b"</FixedAffineComponent> "
        + b"<ComponentName> logs <LogSoftmaxComponent> <Dim> "
        + _int(count)
        + b"<ValueAvg> "
        + empty
        + b"<DerivAvg> "
        + empty
        + b"<Count> "
        + _double(0.0)
        + b"<OderivRms> "
        + empty
        + b"<OderivCount> "
        + _double(0.0)
        + b"<NumDimsSelfRepaired> "
        + _double(0.0)
        + b"<NumDimsProcessed> "
        + _double(0.0)
        + b"<SelfRepairScale> "
        + _float(0.0)
        + b"</LogSoftmaxComponent> </Nnet3> "
        + b"<LeftContext> "
        + _int(0)
        + b"<RightContext> "
        + _int(0)
        + b"<Priors> "
        + empty
    )


# --- graphs ---------------------------------------------------------------------------------------


def _static_graph(graph: WordGraph, number: dict[str, int]) -> bytes:
    """Transition-ids in, words out: every word is its tone, quiet may stand anywhere between."""
    arcs: list[tuple[int, int, int, int]] = []
    states = graph.states
    for state in range(graph.states):
        arcs += _phone(state, state, 1, 0, states)
        states += 1
    for source, word, target in graph.arcs:
        arcs += _phone(source, target, 1 + number[word], number[word], states)
        states += 1
    foreign = states  # a state apart, where anything is the unknown word
    arcs += _phone(graph.start, foreign, 1 + number[_UNKNOWN], number[_UNKNOWN], states + 1)
    arcs += _phone(foreign, foreign, 1 + number[_UNKNOWN], number[_UNKNOWN], states + 2)
    arcs += _phone(foreign, foreign, 1, 0, states + 3)
    finals = graph.finals | {graph.start, foreign}
    return _fst(states + 4, graph.start, arcs, finals)


def _word_loop(words: list[str], number: dict[str, int]) -> bytes:
    """Any words with quiet between: what a grammar is composed with at run time."""
    arcs = _phone(0, 0, 1, 0, 1)
    for place, word in enumerate(words, 2):
        arcs += _phone(0, 0, 1 + number[word], number[word], place)
    arcs.sort(key=lambda arc: arc[2])
    return _fst(len(words) + 2, 0, arcs, frozenset({0}))


def _any_words(words: list[str], number: dict[str, int]) -> bytes:
    return _fst(1, 0, [(0, number[w], number[w], 0) for w in words], frozenset({0}))


def _phone(source: int, target: int, phone: int, word: int, inside: int) -> list[tuple[int, ...]]:
    """In by the forward transition, stay by the self-loop, out by nothing."""
    return [
        (source, 2 * phone, word, inside),
        (inside, 2 * phone - 1, 0, inside),
        (inside, 0, 0, target),
    ]


def _fst(
    states: int, start: int, arcs: list[tuple[int, int, int, int]], finals: frozenset[int]
) -> bytes:
    """OpenFst's vector type over the tropical semiring, all weights one."""
    by_state: list[list[tuple[int, int, int]]] = [[] for _ in range(states)]
    for source, label_in, label_out, target in arcs:
        by_state[source].append((label_in, label_out, target))
    head = struct.pack("<i", 2125659606)
    head += b"".join(struct.pack("<i", len(s)) + s for s in (b"vector", b"standard"))
    head += struct.pack("<iiQqqq", 2, 0, 3, start, states, len(arcs))
    body = b""
    for state, leaving in enumerate(by_state):
        body += struct.pack("<fq", 0.0 if state in finals else _NEVER, len(leaving))
        for label_in, label_out, target in sorted(leaving, key=lambda arc: arc[1]):
            body += struct.pack("<iifi", label_in, label_out, 0.0, target)
    return head + body


# --- Kaldi's binary building blocks ---------------------------------------------------------------


def _int(value: int) -> bytes:
    return b"\x04" + struct.pack("<i", value)


def _float(value: float) -> bytes:
    return b"\x04" + struct.pack("<f", value)


def _double(value: float) -> bytes:
    return b"\x08" + struct.pack("<d", value)


def _ints(values: list[int]) -> bytes:
    return b"\x04" + struct.pack(f"<i{len(values)}i", len(values), *values)


def _vector(values: NDArray[np.float64]) -> bytes:
    return b"FV " + _int(len(values)) + values.astype("<f4").tobytes()


def _matrix(values: NDArray[np.float64]) -> bytes:
    return b"FM " + _int(values.shape[0]) + _int(values.shape[1]) + values.astype("<f4").tobytes()
