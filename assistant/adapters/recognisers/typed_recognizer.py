"""The keyboard as a recogniser: a line typed is an utterance understood without doubt."""

from collections.abc import Callable, Iterable

from assistant.ear.utterance import Heard, Hypothesis, Samples
from assistant.errors import RecognizerError


class TypedRecognizer:
    """Takes text where the others take sound; sound is let pass, since a keyboard hears nothing.

    words_of: turns a line into words of the grammar (small letters, figures spelled out).

    Nothing is kept back: a line outside the grammar comes out as typed, so that the strict parse
    that follows can say what was wrong with it.
    """

    def __init__(self, words_of: Callable[[str], Iterable[str]]) -> None:
        self._words_of = words_of
        self._text = ""
        self._open = False
        self._closed = False

    @property
    def name(self) -> str:
        """Name for people."""
        return "keyboard"

    def begin(self) -> None:
        """Start a line, dropping an unfinished one. Raises RecognizerError after ``close``."""
        if self._closed:
            raise RecognizerError("This recogniser was closed: make a new one.")
        self._text = ""
        self._open = True

    def feed(self, samples: Samples) -> None:  # noqa: ARG002 - the port's name
        """Let sound pass. Raises RecognizerError before ``begin``."""
        self._check_begun()

    def type(self, text: str) -> None:
        """Take the next stretch of text. Raises RecognizerError before ``begin``."""
        self._check_begun()
        self._text += text

    def words_so_far(self) -> tuple[str, ...]:
        """Words typed so far."""
        return tuple(self._words_of(self._text)) if self._open else ()

    def end(self) -> Heard:
        """Finish the line. Raises RecognizerError before ``begin``."""
        self._check_begun()
        words = self.words_so_far()
        self._open = False
        return Heard((Hypothesis(words, 1.0),), 1.0) if words else Heard((), 0.0)

    def hear(self, line: str) -> Heard:
        """One whole line."""
        self.begin()
        self.type(line)
        return self.end()

    def close(self) -> None:
        """Refuse further lines; calling it twice does no harm."""
        self._open = False
        self._closed = True

    def _check_begun(self) -> None:
        if not self._open:
            raise RecognizerError("No utterance was begun: call begin() first.")
