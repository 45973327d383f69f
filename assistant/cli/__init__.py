"""The command line: reads options, builds the parts, prints, sets the exit code.

A command's module is imported when that command runs: most of them load numpy, scipy and pages.
"""

import sys
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup
from typer.main import get_command

from assistant import __version__
from assistant.adapters.terminal.terminal import Terminal
from assistant.errors import LeafcallError

_WHERE = {
    "new": "job", "fit": "fit", "type": "keyboard", "hear": "fit", "review": "review",
    "sheet": "sheet", "forget": "sheet", "mend": "sheet", "history": "history", "again": "rehear",
    "learned": "job", "slot": "job", "phrases": "job", "models": "job", "check": "check",
    "practice": "check", "demo": "fit",
}  # fmt: skip
"""Command -> its module in this package; in the order of the help."""


class Commands(TyperGroup):
    """The commands of ``_WHERE``, each loaded when it is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002
        """All names, in the order of the help."""
        return list(_WHERE)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002
        """The command of that name, None if there is none."""
        if cmd_name not in _WHERE:
            return None
        module = import_module(f"assistant.cli.{_WHERE[cmd_name]}")
        alone = typer.Typer(
            add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None
        )
        function = getattr(module, cmd_name, None) or getattr(module, f"{cmd_name}_")
        alone.command(name=cmd_name)(function)
        return get_command(alone)


app = typer.Typer(
    name="leafcall",
    cls=Commands,
    help="Fit piston rings by voice: call out what the leaves say, hear how much more to grind.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

_KEEP_A_LOG = ("fit", "type", "hear")
_KEPT = " What was confirmed is in the log."
_STOPPED = 130  # by Ctrl-C; typer ends with this code as well


def main() -> None:
    """Run; an error that Leafcall raises on purpose is one sentence and exit code 1."""
    terminal = Terminal()
    try:
        app()
    except LeafcallError as error:
        terminal.warn(f"leafcall: {error}")
        sys.exit(1)
    except (KeyboardInterrupt, SystemExit) as stop:
        if isinstance(stop, SystemExit) and stop.code != _STOPPED:
            raise
        command = next((word for word in sys.argv[1:] if word in _WHERE), "")
        terminal.warn(f"leafcall: stopped.{_KEPT if command in _KEEP_A_LOG else ''}")
        sys.exit(_STOPPED)
    except BrokenPipeError:
        sys.exit(1)
    except OSError as error:  # a file or folder that no command thought of
        if error.filename is None:
            raise
        terminal.warn(f"leafcall: {error.filename} cannot be used: {error.strerror}.")
        sys.exit(1)


def _version(wanted: bool) -> None:
    if wanted:
        Terminal().show(f"leafcall {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Options before the command."""
