"""The command ``review``: a session to read, to look at and to listen to."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.review_file import clip_addresses, show_page
from assistant.adapters.files.sheet_file import save_sheet
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.events import SessionOpened
from assistant.bench.log_chain import told_damage
from assistant.build.sessions import SessionFolder, folder_of, memory_of
from assistant.build.words import load_grammar, load_wording
from assistant.cli.options import LogOrJob
from assistant.errors import LogDamaged
from assistant.record.review_page import review_page
from assistant.record.review_text import review_lines
from assistant.record.session_story import story_of


def review(
    log: LogOrJob,
    as_text: Annotated[
        bool, typer.Option("--text", help="Print the spoken log here; write no page.")
    ] = False,
    embed: Annotated[
        bool, typer.Option("--embed", help="Put the kept sound into the page: one file to send.")
    ] = False,
    browse: Annotated[
        bool, typer.Option("--open/--no-open", help="Open the page in the browser.")
    ] = True,
) -> None:
    """Write a review page and open it: engine, rings and spoken log of a session."""
    terminal = Terminal()
    folder = folder_of(log, told=terminal.warn)
    found = memory_of(folder).scan()
    envelopes = found.events
    if found.damages and not any(isinstance(one.event, SessionOpened) for one in envelopes):
        raise LogDamaged(
            f"{folder.log}: {found.damages[0].reason} The line with the job cannot be read, so "
            "there is nothing to show."
        )
    warnings = told_damage(envelopes, found.damages)
    for sentence in warnings:
        terminal.warn(sentence)
    wording = load_wording(load_grammar())
    if as_text:
        for line in review_lines(envelopes, wording, local=datetime.astimezone):
            terminal.show(line)
        return
    story = story_of(envelopes, wording)
    names = dict.fromkeys(clip for turn in story.turns for clip in turn.clips)
    page = review_page(
        story,
        template=page_template("review"),
        log_name=f"{folder.path.resolve().name}/{folder.log.name}",
        sounds=clip_addresses(folder.clips, names, inside=embed),
        warnings=warnings,
        local=datetime.astimezone,
    )
    path = _page_of(folder)
    save_sheet(path, page)
    terminal.show(str(path))
    if browse:
        show_page(path)


def _page_of(folder: SessionFolder) -> Path:
    """Beside the log; a copy of a log with another name does not overwrite the review of the
    first."""
    usual = folder.log_name == SessionFolder(folder.path).log_name
    return folder.path / ("review.html" if usual else f"{folder.log.stem}-review.html")
