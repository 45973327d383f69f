"""Vosk as a recogniser, with the model in any folder.

Two kinds of model are told apart by their files. A *static* one (graph/HCLG.fst) was compiled from
a grammar and can hear nothing else. A *dynamic* one (graph/HCLr.fst and graph/Gr.fst, like the
vendor's small models) takes the grammar when it is opened, but only as pairs of words that may
follow each other; so what comes out is held against the word graph once more.

``vosk`` is never left to find a model itself: it would download one, or leave the program.
"""

import importlib
import json
import math
import os
import re
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import soxr

from assistant.ear.utterance import (
    SAMPLE_RATE_HZ,
    Evidence,
    Heard,
    Hypothesis,
    Samples,
    chance_of,
)
from assistant.errors import RecognizerError
from assistant.language.sentence_graph import WordGraph

STANDARD_MODEL = "vosk-model-small-en-us-0.15"
"""The vendor's small English model."""

_READINGS = 5  # hypotheses given back at most
_PATHS = 20  # asked of Vosk
_TEMPERATURE = 1.0  # of the log-likelihoods that Vosk calls confidence
_UNKNOWN = "[unk]"
_FRAME_S = 0.03  # of the network's output
_EVEN = 0.01  # margin a frame at which both are as likely (held-out voices, DEVELOPERS.md)
_SLOPE = 120.0

_Path = tuple[tuple[str, ...], float]


class VoskRecognizer:
    """A Vosk model on the sentences of one word graph.

    name: for people, else that of the folder. loop_folder: the same model compiled without words;
    with it, the score tells speech of the grammar from other speech.
    speeds: the sound is heard so much faster or slower, each 0.8 to 1.25, by as many decoders at
    once, and what they find is mixed: where they differ, neither is sure of itself any more. The
    margin is of the first.
    Raises RecognizerError when the folder holds no whole model, the model lacks words of the graph,
    the graph is empty, or vosk cannot be imported.
    """

    def __init__(
        self,
        graph: WordGraph,
        model_folder: Path,
        *,
        loop_folder: Path | None = None,
        name: str | None = None,
        speeds: Sequence[float] = (1.0,),
    ) -> None:
        if not graph.arcs or not graph.finals:
            raise RecognizerError("The grammar holds no sentence: give it at least one.")
        static = check_model_folder(model_folder)
        vosk = _import_vosk()
        vosk.SetLogLevel(-3)
        self._graph = graph
        self._name = name or model_folder.resolve().name
        try:
            model = vosk.Model(model_path=str(model_folder))
            self._check_words(model, model_folder)
            arguments: list[Any] = [model, SAMPLE_RATE_HZ]
            if not static:
                arguments.append(json.dumps(self._pairs(model)))
            self._decoders = [_Decoder(vosk.KaldiRecognizer(*arguments), _PATHS) for _ in speeds]
            self._loop: _Decoder | None = None
            if loop_folder is not None:
                check_model_folder(loop_folder)
                loop = vosk.Model(model_path=str(loop_folder))
                self._loop = _Decoder(vosk.KaldiRecognizer(loop, SAMPLE_RATE_HZ), 1)
        except RecognizerError:
            raise
        except Exception as error:  # vosk raises nothing more exact
            raise RecognizerError(
                f"Vosk cannot load the model in {model_folder} ({error}): fetch or build it again."
            ) from error
        # The loop hears what the first decoder hears, so that sound is made once for both.
        self._paces = [(_Pace(s), [d]) for s, d in zip(speeds, self._decoders, strict=True)]
        if self._loop is not None:
            self._paces[0][1].append(self._loop)
        self._open = False
        self._compute_s = 0.0

    @property
    def name(self) -> str:
        """Name for people: vosk and the model's folder."""
        return f"vosk {self._name}"

    def begin(self) -> None:
        """Start an utterance, dropping an unfinished one."""
        self._check_not_closed()
        for pace, decoders in self._paces:
            pace.begin()
            for decoder in decoders:
                decoder.begin()
        self._compute_s = 0.0
        self._open = True

    def feed(self, samples: Samples) -> None:
        """Take the next stretch of sound, any length. Raises RecognizerError before ``begin``."""
        self._check_begun()
        if not len(samples):
            return
        began = time.perf_counter()
        self._hand_on(samples)
        self._compute_s += time.perf_counter() - began

    def _hand_on(self, samples: Samples, *, last: bool = False) -> None:
        for pace, decoders in self._paces:
            pcm = pace.pcm(samples, last=last)
            for decoder in decoders:
                decoder.feed(pcm)

    def words_so_far(self) -> tuple[str, ...]:
        """Best words of the sound fed so far; may still change."""
        return self._decoders[0].words_so_far() if self._open else ()

    def end(self) -> Heard:
        """Finish the utterance. Raises RecognizerError before ``begin``."""
        self._check_begun()
        began = time.perf_counter()
        self._open = False
        frames = max(1.0, self._decoders[0].heard_s / _FRAME_S)
        self._hand_on(np.zeros(0, np.float32), last=True)
        found = [decoder.end() for decoder in self._decoders]
        hypotheses, score = self._judge(found)
        evidence = None
        if self._loop is not None and hypotheses:
            free = self._loop.end()
            evidence = Evidence((_best_log(found[0]) - _best_log(free)) / frames)
            score = _score(evidence.margin)
        final_s = time.perf_counter() - began
        return Heard(hypotheses, score, self._compute_s + final_s, final_s, evidence)

    def close(self) -> None:
        """Free the model; calling it twice does no harm."""
        self._open = False
        self._decoders, self._loop, self._paces = [], None, []

    def _judge(self, found: Sequence[list[_Path]]) -> tuple[tuple[Hypothesis, ...], float]:
        """Readings that are sentences or begin one, as shares of 1, and the share of all these.

        found: paths of each decoder.
        """
        shares = _mixed(found)
        allowed = [words for words in shares if words and self._graph.begins(words)]
        allowed.sort(key=lambda words: -shares[words])
        readings = tuple(Hypothesis(words, shares[words]) for words in allowed[:_READINGS])
        return readings, sum(shares[words] for words in allowed)

    def _check_words(self, model: Any, folder: Path) -> None:
        unknown = [w for w in self._graph.vocabulary if model.vosk_model_find_word(w) < 0]
        if unknown:
            raise RecognizerError(
                f"The model in {folder} does not know {', '.join(map(repr, unknown[:5]))}: "
                "use other words in the grammar, or a model that was built for it."
            )

    def _pairs(self, model: Any) -> list[str]:
        """Every pair of words that may follow each other, and single words that are sentences."""
        after: dict[int, set[str]] = {}
        for source, word, _ in self._graph.arcs:
            after.setdefault(source, set()).add(word)
        pairs = {f"{a} {b}" for _, a, here in self._graph.arcs for b in after.get(here, ())}
        single = {
            word
            for source, word, target in self._graph.arcs
            if source == self._graph.start and target in self._graph.finals
        }
        known = [_UNKNOWN] if model.vosk_model_find_word(_UNKNOWN) >= 0 else []
        return [*sorted(pairs | single), *known]

    def _check_not_closed(self) -> None:
        if not self._decoders:
            raise RecognizerError("This recogniser was closed: make a new one.")

    def _check_begun(self) -> None:
        self._check_not_closed()
        if not self._open:
            raise RecognizerError("No utterance was begun: call begin() first.")


class _Pace:
    """The sound faster or slower than it is, as 16 bit samples for Vosk."""

    def __init__(self, speed: float) -> None:
        self._resampler = None
        if speed != 1.0:
            self._resampler = soxr.ResampleStream(speed, 1.0, 1, dtype="float32")

    def begin(self) -> None:
        """Start an utterance."""
        if self._resampler is not None:
            self._resampler.clear()

    def pcm(self, samples: Samples, *, last: bool = False) -> bytes:
        """The next stretch; last: with all that was held back. May be empty."""
        if self._resampler is not None:
            samples = self._resampler.resample_chunk(samples, last=last)
        return (np.clip(samples, -1.0, 1.0) * 32767).astype("<i2").tobytes()


class _Decoder:
    """One decoder of Vosk's.

    Of a model without words (a loop of free sounds): speech of the grammar is explained by it about
    as well as by the grammar, other speech far better.
    """

    def __init__(self, decoder: Any, paths: int) -> None:
        self._decoder = decoder
        self._decoder.SetMaxAlternatives(paths)
        self._samples = 0
        self._pieces: list[list[_Path]] = []

    @property
    def heard_s(self) -> float:
        """Seconds of sound so far, as it came in."""
        return self._samples / SAMPLE_RATE_HZ

    def begin(self) -> None:
        """Start an utterance."""
        if self._samples:
            self._decoder.Reset()
        self._samples = 0
        self._pieces = []

    def feed(self, pcm: bytes) -> None:
        """Take the next stretch of sound, 16 bit. Raises RecognizerError."""
        if not pcm:
            return
        self._samples += len(pcm) // 2
        try:
            ended = self._decoder.AcceptWaveform(pcm)
        except Exception as error:
            raise RecognizerError(f"Vosk could not go on ({error}): say it again.") from error
        if ended:  # Vosk heard a pause; our endpointer has not, so this is only a piece
            self._pieces.append(_paths(self._decoder.Result()))

    def words_so_far(self) -> tuple[str, ...]:
        """Best words so far."""
        if not self._samples:
            return ()
        before = tuple(word for piece in self._pieces for word in piece[0][0])
        partial = json.loads(self._decoder.PartialResult()).get("partial", "")
        return before + tuple(partial.split())

    def end(self) -> list[_Path]:
        """Readings of the utterance, best first; none where there was no sound."""
        if self._samples:
            self._pieces.append(_paths(self._decoder.FinalResult()))
        self._samples = 0
        return _joined(self._pieces) if self._pieces else []


def _mixed(found: Sequence[list[_Path]]) -> dict[tuple[str, ...], float]:
    """Words of all paths with the mean of their shares; where two decoders differ, none has all."""
    mixed: dict[tuple[str, ...], float] = {}
    for paths in found:
        for words, share in _shares(paths).items():
            mixed[words] = mixed.get(words, 0.0) + share / len(found)
    return mixed


def _shares(paths: list[_Path]) -> dict[tuple[str, ...], float]:
    """Words of the paths as shares of 1, by their log-likelihoods."""
    logs: dict[tuple[str, ...], float] = {}
    for words, log in paths:
        logs[words] = max(log, logs.get(words, -math.inf))
    top = max(logs.values(), default=0.0)
    shares = {words: math.exp((log - top) / _TEMPERATURE) for words, log in logs.items()}
    total = sum(shares.values())
    return {words: share / total for words, share in shares.items()}


def _score(margin: float) -> float:
    """Rough probability 0..1 that the grammar was meant, by the margin alone."""
    return chance_of(_SLOPE * (margin - _EVEN))


def _best_log(paths: list[_Path]) -> float:
    return max((log for _, log in paths), default=0.0)


def check_model_folder(folder: Path) -> bool:
    """Whether the model in ``folder`` is static (compiled from a grammar).

    Raises RecognizerError, naming what is missing, when there is no whole model.
    """
    if not folder.is_dir():
        raise RecognizerError(
            f"There is no model folder {folder}: 'leafcall models' shows how to get one."
        )
    flat = (folder / "final.mdl").is_file()  # the vendor's older layout
    graph = folder if flat else folder / "graph"
    needed = [] if flat else [folder / "am/final.mdl", folder / "conf/model.conf"]
    sound = folder if flat else folder / "conf"
    if not (sound / "mfcc.conf").is_file() and not (sound / "fbank.conf").is_file():
        needed.append(sound / "mfcc.conf")
    static = (graph / "HCLG.fst").is_file()
    if not static:
        needed += [graph / "HCLr.fst", graph / "Gr.fst"]
    missing = [str(path.relative_to(folder)) for path in needed if not path.is_file()]
    if missing:
        raise RecognizerError(
            f"{folder} is not a whole Vosk model: {', '.join(missing)} missing. "
            "Fetch or unpack it again."
        )
    return static


def fetch_model(
    folder: Path,
    *,
    name: str = STANDARD_MODEL,
    progress: Callable[[int, int], None] = lambda done, total: None,  # noqa: ARG005
) -> Path:
    """Have the vosk package fetch a model of the vendor into ``folder``; the model's folder.

    progress: called with bytes fetched and bytes in all (-1 if unknown). Only ever called when the
    builder asked for it: nothing else in the program uses the network.

    Raises RecognizerError when there is no network, no such model, or no room on the disk.
    """
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", name):
        raise RecognizerError(f"{name!r} is not the name of a model, like {STANDARD_MODEL}.")
    target = folder / name
    if target.exists():
        check_model_folder(target)
        return target
    vosk = _import_vosk()

    class Fetcher(vosk.Model):  # type: ignore[misc, name-defined]
        """The package's own download, without loading a model."""

        def __init__(self) -> None:
            self._handle = None

        def __del__(self) -> None:
            """There is no model to free."""

        def download_progress_hook(self, _bar: object) -> Callable[[int, int, int], None]:
            return lambda blocks, size, total: progress(min(blocks * size, total), total)

    archive = folder / f"{name}.zip"
    quiet, os.environ["TQDM_DISABLE"] = os.environ.get("TQDM_DISABLE"), "1"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        Fetcher().download_model(target)
    except Exception as error:  # network, disk and zip errors of four libraries
        archive.unlink(missing_ok=True)
        code = getattr(error, "code", None)
        why = (
            f"there is no model called {name} (the server says {code})"
            if code
            else f"it could not be fetched ({error}): is there a network, and room in {folder}?"
        )
        raise RecognizerError(
            f"The model {name}: {why} Everything else works without it."
        ) from error
    finally:
        if quiet is None:
            del os.environ["TQDM_DISABLE"]
        else:
            os.environ["TQDM_DISABLE"] = quiet
    check_model_folder(target)
    return target


def _import_vosk() -> Any:
    try:
        return importlib.import_module("vosk")
    except (ImportError, OSError, TypeError) as error:  # TypeError: a system vosk does not know
        raise RecognizerError(
            f"The package vosk cannot be used here ({error}): run 'pip install vosk'."
        ) from error


def _paths(result: str) -> list[_Path]:
    """Readings in one result of Vosk, best first, with their log-likelihoods."""
    found = [
        (tuple(entry["text"].split()), float(entry["confidence"]))
        for entry in json.loads(result).get("alternatives", ())
    ]
    return found or [((), 0.0)]


def _joined(pieces: list[list[_Path]]) -> list[_Path]:
    """Readings of the whole utterance from those of its pieces, best first."""
    whole: list[_Path] = [((), 0.0)]
    for piece in pieces:
        pairs = [(words + more, log + extra) for words, log in whole for more, extra in piece]
        whole = sorted(pairs, key=lambda path: -path[1])[:_PATHS]
    return whole
