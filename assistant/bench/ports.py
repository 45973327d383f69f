"""What the bench needs from the world: protocols only; adapters fill them, tests fake them."""

from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from assistant.bench.events import Envelope, Trouble


class Tone(StrEnum):
    """Short sounds that need no words."""

    HEARD = "heard"  # a call was taken
    AGAIN = "again"  # it was meant for the bench, but not understood
    TROUBLE = "trouble"  # something of the machine is wrong


class Mode(StrEnum):
    """What the ear is doing; its value is what the screen says."""

    LISTENING = "listening"
    HEARING = "hearing you"
    SPEAKING = "speaking"
    STAND_BY = "standing by"
    NOTE = "note: speak"
    HELD = "press a key to talk"
    KEYBOARD = "keyboard"
    LOST = "no microphone"


class Display(Protocol):
    """Where levels are seen; what a turn did is shown by the dialogue itself."""

    def level(self, level_db: float, noise_db: float, mode: Mode) -> None:
        """Levels in dB of full scale; called ten times a second, and when the mode changes."""


class Speaker(Protocol):
    """Says replies aloud."""

    def say(self, text: str, *, tone: Tone | None = None) -> None:
        """Speak ``text`` after ``tone``; either may be missing.

        May return before it has been spoken (``speaking`` tells); what is asked meanwhile is
        spoken after it. Raises SpeakerError.
        """

    @property
    def speaking(self) -> bool:
        """Whether something is still to be heard."""

    def stop(self) -> None:
        """Fall silent at once; what was still to be said is dropped."""

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        """How to sound from the next reply on, within the limits of ``events``.

        Raises SpeakerError.
        """

    def close(self) -> None:
        """Finish what is being said and let go of the voice; calling it twice does no harm."""


class EventStore(Protocol):
    """The session log: append only."""

    def append(self, events: Sequence[Envelope]) -> None:
        """Write all events and force them to disk before returning. Raises LogError."""

    def read(self) -> Sequence[Envelope]:
        """All stored events, oldest first. Raises LogDamaged."""

    @property
    def only_in_memory(self) -> bool:
        """Whether some event is on no disk, so that nothing may be called safe."""

    def troubles(self) -> Sequence[tuple[Trouble, str]]:
        """What went wrong with writing, or came right, since the last look: (name, detail)."""

    def close(self) -> None:
        """Let go of the file; calling it twice does no harm."""


class Clock(Protocol):
    """Time, handed in so that the core never asks for it."""

    def now(self) -> datetime:
        """Present time, UTC, time-zone aware."""

    def elapsed_s(self) -> float:
        """Seconds from some fixed moment; never set back, and it may stand still in sleep."""

    def wait(self, seconds: float) -> None:
        """Do nothing for so long."""


class Keys(Protocol):
    """Single keys; foot pedals are keyboards."""

    def pressed(self) -> str | None:
        """A key that was pressed since the last look, None if there was none; never waits."""
