"""What the builder looks at: the live read-out, or plain lines where it cannot be drawn."""

from collections.abc import Sequence
from types import TracebackType
from typing import Protocol, Self

from assistant.adapters.terminal.screen import LiveScreen, can_draw
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.dialogue import Turn
from assistant.bench.ports import Mode
from assistant.bench.wording import Wording
from assistant.display.live_state import LiveState
from assistant.display.panel import Row, panel
from assistant.display.panel_model import PanelFacts, facts_of
from assistant.display.turn_lines import turn_lines


class Screen(Protocol):
    """Shows turns, and what the ear does meanwhile; a context manager."""

    def show(self, turn: Turn, wording: Wording) -> None:
        """A turn, as soon as it is on disk."""

    def level(self, level_db: float | None, noise_db: float | None, mode: Mode) -> None:
        """What the ear does now; cheap enough for every frame.

        level_db, noise_db: of full scale; noise_db None: the floor of the levels told so far.
        """

    def warn(self, text: str) -> None:
        """A trouble to be seen at once."""

    def __enter__(self) -> Self:
        """Begin to show."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        """Leave the terminal in order."""


def open_screen(
    *, plain: bool = False, mode: Mode = Mode.LISTENING, cautions: Sequence[str] = ()
) -> Screen:
    """The read-out, or plain lines if they are wanted or nothing else can be shown.

    It takes turns from now on and shows them once it is entered (plain lines at once). mode: before
    the first level is told. cautions: shown before the first call.
    """
    if plain or not can_draw():
        return PlainScreen(cautions=cautions)
    return PanelScreen(mode=mode, cautions=cautions)


class PlainScreen:
    """Turns as lines one after the other, as a log reads."""

    def __init__(self, *, cautions: Sequence[str] = ()) -> None:
        self._terminal = Terminal()
        for caution in cautions:
            self._terminal.show(caution)

    def show(self, turn: Turn, wording: Wording) -> None:
        """The turn as labelled lines."""
        self._terminal.show("")
        self._terminal.show_labelled(turn_lines(turn, wording))

    def level(self, level_db: float | None, noise_db: float | None, mode: Mode) -> None:
        """Nothing: lines cannot follow a level."""

    def warn(self, text: str) -> None:
        """One line on standard error."""
        self._terminal.warn(text)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to put back."""


class PanelScreen:
    """The live read-out. live_screen: draws it; None: the terminal of this process.

    When it goes, the last turn and the warnings are left on the terminal as lines.
    """

    def __init__(
        self,
        *,
        mode: Mode = Mode.LISTENING,
        cautions: Sequence[str] = (),
        live_screen: LiveScreen | None = None,
    ) -> None:
        self._facts: PanelFacts | None = None
        self._live = LiveState(mode, cautions=cautions)
        self._terminal = Terminal()
        self._last: tuple[Turn, Wording] | None = None
        self._later: list[str] = []
        self._screen = live_screen or LiveScreen(self.rows)

    def rows(self, width: int, height: int, ascii_only: bool) -> list[Row]:
        """What is drawn now."""
        return panel(
            self._facts, self._live.facts, width=width, height=height, ascii_only=ascii_only
        )

    def show(self, turn: Turn, wording: Wording) -> None:
        """The turn, drawn at once; its troubles stay until they are over or a call is taken."""
        self._facts = facts_of(turn, wording, before=self._facts)
        self._last = turn, wording
        self._live.take(turn)
        self._screen.refresh(at_once=True)

    def level(self, level_db: float | None, noise_db: float | None, mode: Mode) -> None:
        """What the ear does now; drawn with the next refresh, a change of mode at once."""
        changed = self._live.level(level_db, noise_db, mode)
        self._screen.refresh(at_once=changed)

    def warn(self, text: str) -> None:
        """A trouble, drawn at once, and kept to be told when the read-out has gone."""
        self._live.warn(text)
        self._later.append(text)
        self._screen.refresh(at_once=True)

    def __enter__(self) -> Self:
        self._screen.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._screen.close()
        if self._last is not None:
            self._terminal.show_labelled(turn_lines(*self._last))
            self._last = None
        for text in self._later:
            self._terminal.warn(text)
        self._later.clear()
