"""What the builder looks at: the live read-out, or plain lines where it cannot be drawn."""

from collections.abc import Sequence
from types import TracebackType
from typing import Protocol, Self

from assistant.adapters.terminal.screen import LiveScreen, can_draw
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench import events as ev
from assistant.bench.dialogue import Turn
from assistant.bench.ports import Mode
from assistant.bench.wording import Wording
from assistant.display.panel import Row, panel
from assistant.display.panel_model import LiveFacts, PanelFacts, facts_of
from assistant.display.turn_lines import turn_lines
from assistant.ear.levels import RunningFloor

_MOST_TROUBLES = 2


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
        self._live = LiveFacts(mode, cautions=tuple(cautions))
        self._mode = mode
        self._floor = RunningFloor()
        self._stand_by = False
        self._noting = False
        self._troubles: tuple[str, ...] = ()
        self._cautions = tuple(cautions)
        self._terminal = Terminal()
        self._last: tuple[Turn, Wording] | None = None
        self._later: list[str] = []
        self._screen = live_screen or LiveScreen(self.rows)

    def rows(self, width: int, height: int, ascii_only: bool) -> list[Row]:
        """What is drawn now."""
        return panel(self._facts, self._live, width=width, height=height, ascii_only=ascii_only)

    def show(self, turn: Turn, wording: Wording) -> None:
        """The turn, drawn at once; its troubles stay until they are over or a call is taken."""
        self._facts = facts_of(turn, wording, before=self._facts)
        self._last = turn, wording
        if turn.command is not None:
            self._cautions = ()
        self._stand_by = not turn.state.listening and not turn.state.closed
        self._noting = turn.state.noting
        about = [e.about for e in turn.events if isinstance(e, ev.TroubleNoted)]
        if about and not about[-1].endswith("back"):
            self._add(turn.reply.shown)
        elif about or turn.command is not None:
            self._troubles = ()
        self._tell(self._live.level_db, self._live.noise_db, at_once=True)

    def level(self, level_db: float | None, noise_db: float | None, mode: Mode) -> None:
        """What the ear does now; drawn with the next refresh, a change of mode at once."""
        if level_db is not None and noise_db is None:
            noise_db = self._floor.take(level_db)
        changed = mode != self._mode
        self._mode = mode
        self._tell(level_db, noise_db, at_once=changed)

    def warn(self, text: str) -> None:
        """A trouble, drawn at once, and kept to be told when the read-out has gone."""
        self._add(text)
        self._later.append(text)
        self._tell(self._live.level_db, self._live.noise_db, at_once=True)

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

    def _add(self, text: str) -> None:
        if text and text not in self._troubles:
            self._troubles = (*self._troubles, text)[-_MOST_TROUBLES:]

    def _tell(self, level_db: float | None, noise_db: float | None, *, at_once: bool) -> None:
        self._live = LiveFacts(
            self._shown_mode(), level_db, noise_db, self._troubles, self._cautions
        )
        self._screen.refresh(at_once=at_once)

    def _shown_mode(self) -> Mode:
        """The mode with what the session knows: the ear listens on while it stands by."""
        if self._stand_by and self._mode in (Mode.LISTENING, Mode.HEARING, Mode.HELD):
            return Mode.STAND_BY
        if self._noting and self._mode in (Mode.LISTENING, Mode.HELD):
            return Mode.NOTE
        return self._mode
