"""The whole terminal as a read-out that is drawn anew as it changes (rich Live).

What is drawn is asked for by a function, so this knows nothing of rings. It is drawn at most
``most_per_s`` times a second, and only when it changed, so that it costs next to nothing.
"""

import os
import signal
import threading
import time
from collections.abc import Callable, Sequence
from functools import lru_cache
from types import FrameType, TracebackType
from typing import Any, Self

from rich.console import Console, ConsoleOptions, RenderResult
from rich.live import Live
from rich.segment import Segment
from rich.style import Style

Row = Sequence[tuple[str, str]]
"""(text, style name) from left to right."""
Draw = Callable[[int, int, bool], Sequence[Row]]
"""width, height, whether only ASCII can be shown -> rows."""

STYLES = {
    "plain": "", "label": "color(243)", "dim": "color(243)", "big": "bold",
    "step": "bold color(130)", "alert": "bold color(160)", "good": "color(28)",
}  # fmt: skip
"""Colours that can be read on a light and on a dark terminal alike; the rest is the terminal's own
ink."""
_SUSPEND = getattr(signal, "SIGTSTP", None)  # Windows has none
_ANEW_S = 2.0  # drawn whole so often even unchanged: what else was written to the terminal goes


def can_draw(console: Console | None = None) -> bool:
    """Whether standard output is a terminal on which a read-out can be drawn."""
    console = console or Console()
    return console.is_terminal and not console.is_dumb_terminal


class LiveScreen:
    """A read-out over the whole terminal; the terminal is as before afterwards.

    draw: gives the rows. most_per_s: drawn so often at most. now: seconds that never go back.
    """

    def __init__(
        self,
        draw: Draw,
        *,
        console: Console | None = None,
        most_per_s: float = 8.0,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._draw = draw
        self._console = console or Console(highlight=False)
        self._least_s = 1.0 / most_per_s
        self._now = now
        self._drawn_s = -_ANEW_S
        self._shown: tuple[object, ...] = ()
        self._live = Live(
            _Rows(()), console=self._console, screen=True, auto_refresh=False,
            vertical_overflow="crop",
        )  # fmt: skip
        self._open = False
        self._before_suspend: Any = None

    def __enter__(self) -> Self:
        self._live.start()
        self._open = True
        self._watch_suspend()
        self.refresh(at_once=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self.close()

    def close(self) -> None:
        """Give the terminal back; calling it twice does no harm."""
        if self._open:
            self._open = False
            self._live.stop()
            if _SUSPEND is not None and self._before_suspend is not None:
                signal.signal(_SUSPEND, self._before_suspend)
                self._before_suspend = None

    def refresh(self, *, at_once: bool = False) -> bool:
        """Draw if it is time and something changed; whether it was drawn.

        at_once: something happened that must not wait. Does nothing before it is entered or after
        ``close``.
        """
        now = self._now()
        if not self._open or (not at_once and now - self._drawn_s < self._least_s):
            return False
        size = self._console.size
        ascii_only = self._console.options.ascii_only
        rows = tuple(tuple(row) for row in self._draw(size.width, size.height, ascii_only))
        shown = (size, rows)
        if shown == self._shown and now - self._drawn_s < _ANEW_S:
            return False
        self._shown, self._drawn_s = shown, now
        self._live.update(_Rows(rows), refresh=True)
        return True

    def _watch_suspend(self) -> None:
        """Ctrl-Z gives the terminal back to the shell until the program goes on."""
        if _SUSPEND is None or threading.current_thread() is not threading.main_thread():
            return
        before = signal.getsignal(_SUSPEND)
        if before is not signal.SIG_IGN:
            self._before_suspend = before
            signal.signal(_SUSPEND, self._suspend)

    def _suspend(self, number: int, frame: FrameType | None) -> None:
        self._console.set_alt_screen(False)
        self._console.show_cursor(True)
        if callable(self._before_suspend):
            self._before_suspend(number, frame)  # the keyboard's own, which stops the program
        else:
            signal.signal(number, signal.SIG_DFL)
            os.kill(os.getpid(), number)  # stops here until the shell says go on
            signal.signal(number, self._suspend)
        self._console.set_alt_screen(True)
        self._console.show_cursor(False)
        self._shown = ()


class _Rows:
    """Rows as rich draws them; no layout of rich's own, which would cost more than all the rest."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self._rows = rows

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for row in self._rows:
            yield from (Segment(text, _style(names)) for text, names in row)
            yield Segment.line()


@lru_cache
def _style(names: str) -> Style:
    name, _, inverse = names.partition(" ")
    return Style.parse(STYLES.get(name, "")) + Style(reverse=bool(inverse))
