"""Builds an ear: a grammar with a recogniser and a speech detector for it."""

import json
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from assistant.adapters.files.data_files import shipped
from assistant.adapters.recognisers.own_model import (
    assurance_data,
    compiled,
    detector_data,
    usual_cache,
)
from assistant.adapters.recognisers.vosk_recognizer import VoskRecognizer
from assistant.bench.interpretation import refused_by_ear
from assistant.bench.standing import CallStanding
from assistant.ear.call_confidence import Judge, Weights, weights_from
from assistant.ear.listener import Listener
from assistant.ear.ports import AudioSource, Recognizer, SpeechDetector, Standings
from assistant.ear.utterance import Heard, Utterance
from assistant.ear.voice_activity import DetectorWeights, VoiceActivity
from assistant.errors import RecognizerError
from assistant.language.grammar import Grammar
from assistant.language.sentence_graph import WordGraph

DEFAULT_EAR = "own"
EARS = (DEFAULT_EAR,)
OWN_MODEL = "leafcall-en"
SPEEDS = 0.93, 1.075
"""Two hearings of each call: a little slower and a little faster than it was said."""


def open_recognizer(ear: str, graph: WordGraph) -> Recognizer:
    """The recogniser named ``ear``: one of EARS, or the folder of a Vosk model.

    Raises RecognizerError if there is no such recogniser or model.
    """
    if ear == DEFAULT_EAR:
        grammar_model, loop_model = compiled(shipped("models") / OWN_MODEL, graph, usual_cache())
        return VoskRecognizer(
            graph, grammar_model, loop_folder=loop_model, name=OWN_MODEL, speeds=SPEEDS
        )
    if Path(ear).is_dir():
        return VoskRecognizer(graph, Path(ear))
    raise RecognizerError(
        f"There is no ear {ear!r}: write {' or '.join(EARS)}, or the folder of a Vosk model "
        "('leafcall models' explains)."
    )


def open_detector() -> VoiceActivity:
    """The speech detector of every ear. Raises RecognizerError, AudioError."""
    return VoiceActivity(DetectorWeights.of(detector_data(shipped("models") / OWN_MODEL)))


@dataclass(frozen=True, slots=True)
class Ear:
    """A grammar with a recogniser and a speech detector for it.

    weights: turn what the recogniser knows into its score; None leaves the score as it is.
    """

    grammar: Grammar
    detector: SpeechDetector
    recognizer: Recognizer
    weights: Weights | None = None

    def listener(self, source: AudioSource, standings: Standings | None = None) -> Listener:
        """Listens to one source. standings: of an open session; None = by the grammar alone."""
        self.detector.reset()
        judge = None if self.weights is None else Judge(self.weights, self.grammar.meaning)
        return Listener(
            source, self.detector, self.recognizer, standings or CallStanding(self.grammar),
            judge=judge, ahead=True,
        )  # fmt: skip


@contextmanager
def open_ear(grammar: Grammar, *, ear: str = DEFAULT_EAR) -> Iterator[Ear]:
    """An ear for ``grammar``. Raises RecognizerError, AudioError."""
    recognizer = open_recognizer(ear, grammar.graph)
    try:
        yield Ear(grammar, open_detector(), recognizer, _weights(ear))
    finally:
        recognizer.close()


def _weights(ear: str) -> Weights | None:
    data = assurance_data(shipped("models") / OWN_MODEL) if ear == DEFAULT_EAR else None
    return None if data is None else weights_from(data)


def heard_record(
    ear: Ear, file: str, utterance: Utterance | None, heard: Heard, *, audio_s: float,
    compute_s: float, warnings: Sequence[str] = (),
) -> str:  # fmt: skip
    """One line of JSON on one utterance (None: the file held no speech), for other programs.

    warnings: what may have spoiled the sound (clipped, cut short, silent, narrow).
    latency_s: from the end of speech to the result, the quiet waited for included.
    """
    parsed = ear.grammar.parse(heard.words) if heard.words else None
    refused = "no speech" if utterance is None else refused_by_ear(heard, ear.grammar)
    latency_s = None if utterance is None else utterance.decided_s - utterance.end_s + heard.final_s
    return json.dumps(
        {
            "file": file,
            "words": " ".join(heard.words),
            "command": parsed.command if parsed is not None and refused is None else None,
            "refused": refused,
            "score": round(heard.score, 4),
            "audio_s": round(audio_s, 3),
            "compute_s": round(compute_s, 4),
            "latency_s": None if latency_s is None else round(latency_s, 4),
            "start_s": None if utterance is None else round(utterance.start_s, 2),
            "end_s": None if utterance is None else round(utterance.end_s, 2),
            "warnings": list(warnings),
        },
        ensure_ascii=False,
    )


def hear_records(
    ear: Ear, source: AudioSource, *, file: str, warnings: Sequence[str] = ()
) -> Iterator[str]:
    """A JSON line for every utterance of a source, at least one.

    file: its name in the lines; warnings: what may have spoiled its sound.
    """
    listener = ear.listener(source)
    count, stream_s, began = 0, 0.0, time.perf_counter()
    for utterance, heard in listener.calls():
        now_s, now = listener.stream_s, time.perf_counter()
        yield heard_record(
            ear, file, utterance, heard, audio_s=now_s - stream_s, compute_s=now - began,
            warnings=warnings,
        )  # fmt: skip
        count, stream_s, began = count + 1, now_s, time.perf_counter()
    if not count:
        yield heard_record(
            ear, file, None, Heard((), 0.0), audio_s=listener.stream_s,
            compute_s=time.perf_counter() - began, warnings=warnings,
        )  # fmt: skip
