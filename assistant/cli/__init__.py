"""The command line: reads options, builds the parts, prints, sets the exit code."""

import sys
from typing import Annotated

import typer

from assistant import __version__
from assistant.adapters.terminal.terminal import Terminal
from assistant.cli import check, history, review
from assistant.cli import fit as live
from assistant.cli import job as jobs
from assistant.cli import rehear as again
from assistant.cli import sheet as after
from assistant.errors import LeafcallError

app = typer.Typer(
    name="leafcall",
    help="Fit piston rings by voice: call out what the leaves say, hear how much more to grind.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

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
        terminal.warn("leafcall: stopped. What was confirmed is in the log.")
        sys.exit(_STOPPED)
    except BrokenPipeError:
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


for _command in (
    jobs.new, live.fit, live.type_, live.hear, review.review, after.sheet, after.forget,
    after.mend, history.history, again.again, jobs.learned, jobs.slot, jobs.phrases,
    jobs.models, check.check, check.practice, live.demo,
):  # fmt: skip
    app.command(name=_command.__name__.strip("_"))(_command)
