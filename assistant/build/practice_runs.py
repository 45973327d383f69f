"""The practice with a real ear: phrases heard from the microphone or from recordings."""

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from assistant.adapters.files.kept_set import Kept, KeptSet
from assistant.adapters.sound.wav_file import WavFile
from assistant.bench.ports import Keys
from assistant.build.ears import Ear
from assistant.ear.levels import figures_of
from assistant.ear.ports import AudioSource
from assistant.ear.utterance import FRAME_S, Heard, Samples, Utterance
from assistant.tryout.practice import Tried, tried

LONGEST_WAIT_S = 15.0
SKIP, STOP = "s", "q"

Words = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Take:
    """What came of one phrase, and its sound (None if there is none)."""

    one: Tried
    samples: Samples | None


def live_takes(
    ear: Ear,
    source: AudioSource,
    wanted: Sequence[tuple[int, Words]],
    keys: Keys,
    *,
    ask: Callable[[int, Words], None],
    wait_s: float = LONGEST_WAIT_S,
) -> Iterator[Take]:
    """Ask for each (number, phrase) and listen for it; ends when STOP is pressed.

    Raises AudioError when the microphone is lost.
    """
    listener = ear.listener(source)
    frames = source.frames()
    for number, phrase in wanted:
        ask(number, phrase)
        listener.skip_waiting()  # what was said before it was asked for
        lost_before = source.overflows
        begun_s = listener.stream_s
        for frame in frames:
            key = keys.pressed()
            if key == STOP:
                return
            if key == SKIP:
                listener.skip_waiting()
                yield Take(Tried(number, phrase, skipped=True), None)
                break
            call = listener.take(frame)
            if call is not None:
                take = _take(number, phrase, call, ear)
                lost = source.overflows > lost_before
                yield Take(replace(take.one, lost=lost), take.samples)
                break
            if listener.stream_s - begun_s >= wait_s and not listener.in_speech:
                yield Take(tried(number, phrase, None, ear.grammar, figures=None), None)
                break
        else:
            return  # the source ended


def file_takes(
    ear: Ear, files: Sequence[Path], wanted: Sequence[tuple[int, Words]]
) -> Iterator[Take]:
    """The same from recordings, one for each phrase, in order; the longest call of each counts.

    Raises AudioError if a file cannot be read.
    """
    for path, (number, phrase) in zip(files, wanted, strict=False):
        source = WavFile(path)
        calls = list(ear.listener(source).calls())
        if not calls:
            yield Take(
                tried(number, phrase, None, ear.grammar, figures=None), source.sound.samples()
            )
            continue
        longest = max(calls, key=lambda call: (len(call[1].words), call[0].end_s - call[0].start_s))
        yield _take(number, phrase, longest, ear, sound=source.sound.samples())


def _take(
    number: int, phrase: Words, call: tuple[Utterance, Heard], ear: Ear,
    *, sound: Samples | None = None,
) -> Take:  # fmt: skip
    utterance, heard = call
    samples = utterance.samples if sound is None else sound
    one = tried(
        number, phrase, heard, ear.grammar, figures=figures_of(samples),
        spoken_s=utterance.end_s - utterance.start_s,
    )  # fmt: skip
    return Take(one, samples)


def score_again(ear: Ear, kept: KeptSet) -> Iterator[tuple[Kept, Tried]]:
    """Every kept phrase as today's ear hears it. Raises AudioError."""
    for phrase in kept.read():
        words = ear.grammar.words_of(phrase.said)
        take = next(file_takes(ear, [phrase.path], [(phrase.number, words)]))
        yield phrase, take.one


def seed_of_now() -> int:
    """A seed that differs from one practice to the next, short enough to be typed."""
    return int(time.time() / FRAME_S) % 10_000
