"""The terminal: labelled lines, progress, warnings. The only place that prints."""

import io
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.text import Text

_STYLES = {
    "heard": "", "means": "cyan", "ring": "yellow", "says": "bold green", "note": "magenta",
    "hint": "magenta",
}  # fmt: skip
_WIDTH = 7


class Terminal:
    """Shows lines on standard output and warnings on standard error.

    Colour follows the terminal (and NO_COLOR); the labels carry the meaning without it.
    """

    def __init__(self) -> None:
        self._out = Console(highlight=False, soft_wrap=True)
        self._err = Console(stderr=True, highlight=False, soft_wrap=True)

    def show(self, line: str) -> None:
        """One plain line."""
        self._out.print(Text(line))

    def show_labelled(self, lines: Iterable[tuple[str, str]]) -> None:
        """(label, text) lines, one block."""
        for label, text in lines:
            row = Text(f"  {label:<{_WIDTH}}", style="dim")
            row.append(text, style=_STYLES.get(label, ""))
            self._out.print(row)

    def show_dark_on_bright(self, lines: Iterable[str]) -> None:
        """Lines as a square code needs them, whatever the colours here; none if it is no screen."""
        if self._out.is_terminal:
            for line in lines:
                self._out.print(Text(line, style="black on bright_white"))

    def warn(self, line: str) -> None:
        """One line on standard error."""
        self._err.print(Text(line, style="bold"))

    def prompt(self, text: str) -> None:
        """A question; the answer is typed after it on the same line."""
        self._out.print(Text(text), end="")
        sys.stdout.flush()

    def lines(self, prompt: Callable[[], str]) -> Iterator[str]:
        """Lines typed, until the input ends. prompt: what to show before each at a terminal.

        A byte that is no text becomes a character of its own, not an end of the session.
        """
        if isinstance(sys.stdin, io.TextIOWrapper):
            sys.stdin.reconfigure(errors="replace")
        if not (sys.stdin.isatty() and sys.stdout.isatty()):
            yield from sys.stdin
            return
        with suppress(ImportError):  # Windows edits lines by itself
            import readline  # noqa: F401 - input() then edits lines and remembers them
        while True:
            try:
                yield input(prompt())
            except EOFError:
                self.show("")
                return

    def raw(self, line: str) -> None:
        """One line exactly as it is, for other programs to read."""
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()

    @contextmanager
    def progress(self, what: str, total: int) -> Iterator["Steps"]:
        """A bar on standard error for work of ``total`` steps; hidden if it is no terminal."""
        bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.completed}/{task.total}"),
            TimeElapsedColumn(),
            console=self._err,
            transient=True,
            disable=not self._err.is_terminal,
        )
        with bar:
            yield Steps(bar, bar.add_task(what, total=total))


@contextmanager
def libraries_silenced() -> Iterator[None]:
    """What C libraries write to standard error (ALSA does, at every hiccup) is dropped.

    Python's own standard error goes on as before; it would else be lost in the read-out's place.
    """
    try:
        shown = sys.stderr.fileno()
        kept = os.dup(shown)
    except (OSError, ValueError):  # no standard error, or one that is no file
        yield
        return
    before, nowhere = sys.stderr, os.open(os.devnull, os.O_WRONLY)
    sys.stderr.flush()
    with os.fdopen(os.dup(kept), "w", buffering=1, encoding="utf-8", errors="replace") as own:
        try:
            os.dup2(nowhere, shown)
            sys.stderr = own
            yield
        finally:
            sys.stderr = before
            os.dup2(kept, shown)
            os.close(kept)
            os.close(nowhere)


class Steps:
    """Counts the steps of a progress bar."""

    def __init__(self, bar: Progress, task: TaskID) -> None:
        self._bar = bar
        self._task = task

    def reach(self, done: int, total: int) -> None:
        """``done`` of ``total`` is done (total -1: nobody knows)."""
        self._bar.update(self._task, completed=done, total=total if total > 0 else None)
