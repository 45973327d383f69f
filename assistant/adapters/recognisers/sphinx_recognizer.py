"""pocketsphinx as a recogniser: strict grammar, and a phone loop beside it that says how sure.

The grammar becomes a finite-state graph of words, so nothing outside it can come out. That alone
would turn any talk into a call. So a second decoder hears the same sound with all phones free to
follow each other: talk of the grammar fits the graph about as well as the loop, other talk fits
far worse. The gap between the two, a frame, is turned into a probability of having understood.
"""

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pocketsphinx

from assistant.ear.utterance import Heard, Hypothesis, Samples
from assistant.errors import RecognizerError
from assistant.language.sentence_graph import WordGraph

_MODEL = "en-us/en-us"
_DICTIONARY = "en-us/cmudict-en-us.dict"
_PHONE_GRAMMAR = "en-us/en-us-phone.lm.bin"
_SETTINGS = {"loglevel": "FATAL", "bestpath": False, "lm": None, "dict": None}
_READINGS = 5  # hypotheses given back at most
_PATHS = 100  # paths of the lattice looked at for them
_SCALE = 1000.0  # brings log-likelihoods as pocketsphinx tells them to handy numbers
_TEMPERATURE = 30.0  # of the n-best list, least cross-entropy on the development set
_LEAST_LOG = -1e5
_FAR_RIVAL = 100.0
# Means of the cepstra before anything was heard, from the model's own feat.params. Set anew for
# every utterance: 3 points better in noise than means drifting along, and alike each time.
_CMN = "41.00,-5.29,-0.12,5.09,2.48,-4.07,-1.37,-1.78,-5.08,-2.05,-6.45,-1.42,1.17"
_PHONE_SET = (
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW "
    "V W Y Z ZH"
)


@dataclass(frozen=True, slots=True)
class Fit:
    """How well the words explain the sound, in logs as this module keeps them (see _SCALE).

    whole: words against the free phone loop, per frame of speech. worst, mean: the same word by
    word, acoustics only. rival: next other path of the lattice against the best, -100..0.
    """

    whole: float
    worst: float
    mean: float
    rival: float

    def probability(self) -> float:
        """Chance 0..1 that every word is right.

        Logistic regression on 1022 utterances of the development set (20 synthetic voices clean
        and in noise, human talk outside the grammar; 40 % of them right), cross-checked by voice.
        """
        odds = 1.735 + 0.493 * self.whole + 0.236 * self.worst + 0.406 * self.mean
        odds -= 0.0151 * self.rival
        return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, odds))))


class SphinxRecognizer:
    """pocketsphinx with its English model, on the sentences of one word graph.

    graph: what may be said; pronunciations in it win over the dictionary of the wheel.

    Raises RecognizerError for an empty graph, a word without pronunciation, a wrong phone, or a
    broken installation.
    """

    def __init__(self, graph: WordGraph) -> None:
        if not graph.arcs or not graph.finals:
            raise RecognizerError("The grammar holds no sentence: give it at least one.")
        self._graph = graph
        self._words = _decoder()
        for word, spoken in _pronunciations(graph).items():
            for number, phones in enumerate(spoken, 1):
                self._words.add_word(word if number == 1 else f"{word}({number})", phones, False)
        end = graph.states  # one last state, since the decoder knows only one
        arcs: list[tuple[object, ...]] = [(a, b, 1.0, word) for a, word, b in graph.arcs]
        arcs += [(state, end, 1.0) for state in sorted(graph.finals)]
        self._words.add_fsg("grammar", self._words.create_fsg("grammar", graph.start, end, arcs))
        self._words.activate_search("grammar")
        self._loop = _decoder()
        self._loop.add_allphone_file("loop", pocketsphinx.get_model_path(_PHONE_GRAMMAR))
        self._loop.activate_search("loop")
        self._open = False
        self._closed = False
        self._compute_s = 0.0

    @property
    def name(self) -> str:
        """Name for people."""
        return "pocketsphinx"

    def begin(self) -> None:
        """Start an utterance, dropping an unfinished one."""
        self._check_open_for_use()
        if self._open:
            self._stop()
        self._compute_s = 0.0
        for decoder in (self._words, self._loop):
            decoder.set_cmn(_CMN)
            decoder.start_utt()
        self._open = True

    def feed(self, samples: Samples) -> None:
        """Take the next stretch of sound, any length. Raises RecognizerError before ``begin``."""
        self._check_begun()
        began = time.perf_counter()
        if len(samples):
            pcm = (np.clip(samples, -1.0, 1.0) * 32767).astype("<i2").tobytes()
            self._words.process_raw(pcm, no_search=False, full_utt=False)
            self._loop.process_raw(pcm, no_search=False, full_utt=False)
        self._compute_s += time.perf_counter() - began

    def words_so_far(self) -> tuple[str, ...]:
        """Best words of the sound fed so far; may still change."""
        hypothesis = self._words.hyp() if self._open else None
        return _split(hypothesis.hypstr) if hypothesis else ()

    def end(self) -> Heard:
        """Finish the utterance. Raises RecognizerError before ``begin``."""
        self._check_begun()
        began = time.perf_counter()
        self._stop()
        hypotheses, score = self._judge()
        final_s = time.perf_counter() - began
        return Heard(hypotheses, score, self._compute_s + final_s, final_s)

    def close(self) -> None:
        """Free the model; calling it twice does no harm."""
        self._closed = True
        self._open = False
        self._words = self._loop = None

    def _judge(self) -> tuple[tuple[Hypothesis, ...], float]:
        best = self._words.hyp()
        free = self._loop.hyp()
        if best is None or free is None or not best.hypstr:
            return (), 0.0
        words = [s for s in self._words.seg() if not s.word.startswith(("<", "[", "(", "+"))]
        frames = sum(_frames(s) for s in words)
        if not frames:
            return (), 0.0
        loop = list(self._loop.seg())
        edges = [loop[0].start_frame, *(s.end_frame + 1 for s in loop)]
        sums = np.concatenate([[0.0], np.cumsum([_log(s.ascore) for s in loop])])
        margins = [
            (_log(s.ascore) - float(np.diff(np.interp(_ends(s), edges, sums))[0])) / _frames(s)
            for s in words
        ]
        readings, rival = self._readings(best)
        fit = Fit(
            whole=(_log(best.score) - _log(free.score)) / frames,
            worst=min(margins),
            mean=sum(margins) / len(margins),
            rival=rival,
        )
        return readings, fit.probability()

    def _readings(self, best: "pocketsphinx.Hypothesis") -> tuple[tuple[Hypothesis, ...], float]:
        """The best path and its rivals as shares of 1, and how far behind the next path is.

        The next path may be no sentence: it still shows how sure the decoder is of its words.
        """
        said = _split(best.hypstr)
        logs = {said: 0.0}
        rival = -_FAR_RIVAL
        top = None
        for words, log in self._paths():
            top = log if top is None else top
            if words != said:
                rival = min(0.0, max(rival, log - top))
            if words not in logs and self._graph.accepts(words):
                logs[words] = min(0.0, log - top)
        shares = {words: math.exp(log / _TEMPERATURE) for words, log in logs.items()}
        ranked = sorted(shares, key=lambda words: -shares[words])[:_READINGS]
        total = sum(shares[words] for words in ranked)
        return tuple(Hypothesis(words, shares[words] / total) for words in ranked), rival

    def _paths(self) -> Iterator[tuple[tuple[str, ...], float]]:
        for count, path in enumerate(self._words.nbest()):
            if path is None or count == _PATHS:
                return
            if path.hypstr and path.score > 0:
                yield _split(path.hypstr), _log(path.score)

    def _stop(self) -> None:
        self._words.end_utt()
        self._loop.end_utt()
        self._open = False

    def _check_open_for_use(self) -> None:
        if self._closed:
            raise RecognizerError("This recogniser was closed: make a new one.")

    def _check_begun(self) -> None:
        self._check_open_for_use()
        if not self._open:
            raise RecognizerError("No utterance was begun: call begin() first.")


def _decoder() -> "pocketsphinx.Decoder":
    try:
        model = pocketsphinx.get_model_path(_MODEL)
        return pocketsphinx.Decoder(pocketsphinx.Config(hmm=model, **_SETTINGS))
    except (RuntimeError, ValueError, KeyError) as exc:
        raise RecognizerError(
            f"pocketsphinx cannot load its English model ({exc}): "
            "run 'pip install --force-reinstall pocketsphinx'."
        ) from exc


def _pronunciations(graph: WordGraph) -> dict[str, tuple[str, ...]]:
    """Phone strings of every word, from the graph or else from the dictionary of the wheel."""
    missing = {word for word in graph.vocabulary if not graph.pronunciations.get(word)}
    found: dict[str, list[str]] = {}
    if missing:
        wanted = {word.lower() for word in missing}
        path = Path(pocketsphinx.get_model_path(_DICTIONARY))
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except OSError as exc:
            raise RecognizerError(f"The dictionary {path} cannot be read: {exc}.") from exc
        for line in lines:
            entry, _, phones = line.partition(" ")
            if (word := entry.partition("(")[0]) in wanted:
                found.setdefault(word, []).append(phones.strip())
    spoken = {}
    for word in graph.vocabulary:
        given = tuple(graph.pronunciations.get(word, ()))
        spoken[word] = tuple(_clean(word, p) for p in given) or tuple(found.get(word.lower(), ()))
    unknown = sorted(word for word, ways in spoken.items() if not ways)
    if unknown:
        raise RecognizerError(
            f"No pronunciation is known for {', '.join(map(repr, unknown[:5]))}: write it in "
            "pronunciations.yaml of the grammar folder, like 'snug: [S N AH G]'."
        )
    return spoken


def _clean(word: str, phones: str) -> str:
    """Phones without stress marks. Raises RecognizerError for a phone that does not exist."""
    plain = [phone.rstrip("012").upper() for phone in phones.split()]
    wrong = [phone for phone in plain if phone not in _PHONE_SET.split()]
    if wrong or not plain:
        raise RecognizerError(
            f"The pronunciation {phones!r} of {word!r} is not made of the CMU phones "
            f"({_PHONE_SET}): correct it in pronunciations.yaml."
        )
    return " ".join(plain)


def _log(score: float) -> float:
    return _SCALE * math.log(score) if score > 0 else _LEAST_LOG


def _frames(segment: "pocketsphinx.Segment") -> int:
    return int(segment.end_frame - segment.start_frame + 1)


def _ends(segment: "pocketsphinx.Segment") -> tuple[int, int]:
    return segment.start_frame, segment.end_frame + 1


def _split(text: str) -> tuple[str, ...]:
    return tuple(word.partition("(")[0] for word in text.split())
