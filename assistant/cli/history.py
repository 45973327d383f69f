"""Commands across sessions: what many of them tell."""

from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.learned_file import LearnedFile, usual_path
from assistant.adapters.files.sheet_file import save_sheet
from assistant.adapters.terminal.terminal import Terminal
from assistant.build.histories import PastWork, logs_of
from assistant.errors import LogError
from assistant.history.page import history_page
from assistant.history.summary import history_json, history_lines


def history(
    places: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FOLDER|LOG|JOB]...",
            help="Where the sessions are; else this folder and below.",
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
    page: Annotated[
        Path | None, typer.Option("--page", metavar="OUT.html", help="Write a page with plots.")
    ] = None,
    parquet: Annotated[
        Path | None,
        typer.Option(
            "--parquet", metavar="OUT", help="Write events, rings and sessions into this folder."
        ),
    ] = None,
) -> None:
    """Summarise all your sessions: passes and readings a ring, what was learned, trends."""
    terminal = Terminal()
    named = [str(place) for place in places or [Path()]]
    logs = logs_of([Path(place) for place in named])
    if not logs:
        raise LogError(f"No log of a session is in {', '.join(named)}: name another folder.")
    with terminal.progress("Reading logs", total=len(logs)) as steps:
        past = PastWork(logs, progress=steps.reach)
    try:
        told = past.history(now=LearnedFile(usual_path()).read())
        if page is not None:
            save_sheet(page, history_page(told, template=page_template("history")))
        if parquet is not None:
            past.write_parquet(parquet)
    finally:
        past.close()
    if as_json:
        terminal.raw(history_json(told))
        return
    for line in history_lines(told):
        terminal.show(line)
    for written in (page, parquet):
        if written is not None:
            terminal.show(f"Written: {written}")
