"""Hears the kept calls of an old session again, with today's ear and grammar."""

from collections.abc import Callable, Iterator
from pathlib import Path

from assistant.adapters.files.session_log import read_log
from assistant.adapters.sound.wav_file import WavFile
from assistant.bench.session import replay
from assistant.build.ears import DEFAULT_EAR, Ear, open_ear
from assistant.build.sessions import SessionFolder
from assistant.build.words import load_grammar
from assistant.ear.utterance import Heard, Hypothesis
from assistant.errors import AudioError, LogError
from assistant.record.rehearing import HeardAgain, heard_again, kept_calls


def hear_again(
    folder: SessionFolder,
    *,
    ear: str = DEFAULT_EAR,
    grammar_folder: Path | None = None,
    lost: Callable[[str], None] = lambda _: None,
) -> Iterator[HeardAgain]:
    """Every kept call of the session, heard again. lost: told of each clip that is gone, and why.

    grammar_folder: None = the bench's own. Nothing is written. Raises LogError if no call was
    kept, RecognizerError, GrammarError.
    """
    envelopes = read_log(folder.log)
    if not kept_calls(envelopes):
        raise LogError(
            f"{folder.log} names no kept call: 'leafcall fit --keep-calls' keeps them from then on."
        )
    grammar = load_grammar(grammar_folder, unit=replay(envelopes).the_job.unit)
    with open_ear(grammar, ear=ear) as opened:

        def hear(name: str) -> Heard | None:
            # A name out of a log is not trusted to stay within the folder.
            if Path(name).name != name or "\\" in name:
                lost(f"{name!r} is no name of a clip")
                return None
            try:
                return _heard(opened, WavFile(folder.clips / name))
            except AudioError as error:
                lost(str(error))
                return None

        yield from heard_again(envelopes, grammar, hear)


def _heard(ear: Ear, sound: WavFile) -> Heard:
    """What is heard in one clip; what comes as several parts is taken as one call, surely so."""
    parts = [heard for _, heard in ear.listener(sound).calls() if heard.words]
    if len(parts) == 1:
        return parts[0]
    words = tuple(word for part in parts for word in part.words)
    if not words:
        return Heard((), 0.0)
    return Heard((Hypothesis(words, 1.0),), min(part.score for part in parts))
