"""What the ear needs from the world: protocols only; adapters fill them, tests fake them."""

from collections.abc import Iterator
from enum import StrEnum
from typing import Protocol

from assistant.ear.utterance import Heard, Samples


class AudioSource(Protocol):
    """A stream of sound: microphone or file."""

    @property
    def name(self) -> str:
        """What the builder would call it: a device or file name."""

    def frames(self) -> Iterator[Samples]:
        """Frames of exactly FRAME_SAMPLES; a short last frame is filled up with quiet.

        Raises AudioError when the source cannot be read.
        """

    @property
    def overflows(self) -> int:
        """How often sound was lost because the machine was too slow; 0 for a file."""

    def drop_waiting(self) -> float:
        """Drop sound that came in and was not read yet; seconds of it (0 for a file)."""

    def close(self) -> None:
        """Let go of the device or file; calling it twice does no harm."""


class SpeechDetector(Protocol):
    """Tells speech from noise."""

    def speech(self, frame: Samples) -> float:
        """Probability 0..1 that somebody speaks in the next frame of the stream."""

    def reset(self) -> None:
        """Forget the stream so far."""


class Recognizer(Protocol):
    """Says which sentences of its grammar an utterance may have been."""

    @property
    def name(self) -> str:
        """Name for people: ``vosk leafcall-en``, ``keyboard``."""

    def begin(self) -> None:
        """Start an utterance, dropping an unfinished one."""

    def feed(self, samples: Samples) -> None:
        """Take the next stretch of sound, any length."""

    def words_so_far(self) -> tuple[str, ...]:
        """Best words of the sound fed so far; may still change."""

    def end(self) -> Heard:
        """Finish the utterance; an utterance of nothing gives no hypotheses."""

    def close(self) -> None:
        """Free the model; calling it twice does no harm."""


class Standing(StrEnum):
    """How far words are towards a call: no call begins so; one begins so; one, but not surely heard
    or likely to be a part of a longer one; one that may go on; one that cannot.
    """

    NONE = "none"
    OPEN = "open"
    DOUBTFUL = "doubtful"
    MAY_GO_ON = "may go on"
    WHOLE = "whole"


class Standings(Protocol):
    """Knows what a call is, and which one would be taken."""

    def standing(self, words: tuple[str, ...], heard: Heard | None = None) -> Standing:
        """How far ``words`` are. heard: what is known of their sound, None = only the words."""
