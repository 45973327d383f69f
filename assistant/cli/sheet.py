"""Commands on a session that is over: build sheet, forgetting its sound, mending its log."""

from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.terminal.terminal import Terminal
from assistant.build.closed_sessions import (
    forget_sound,
    mend_log,
    mend_lost,
    sound_of,
    verify_sheet,
)
from assistant.build.sessions import (
    SessionFolder,
    folder_of,
    job_of,
    lost_at,
    lost_session,
    session_folders,
    write_sheet,
)
from assistant.build.words import load_grammar, load_wording
from assistant.cli.options import LogOrJob
from assistant.record.seal import Verdict


def sheet(
    log: Annotated[
        Path,
        typer.Argument(
            metavar="JOB|LOG|SHEET",
            help="Job file (its newest session), or a session log; with --verify a build sheet.",
        ),
    ],
    against: Annotated[
        Path | None,
        typer.Argument(metavar="[LOG]", help="With --verify: the log, if not beside the sheet."),
    ] = None,
    verify: Annotated[
        bool, typer.Option("--verify", help="Check that a sheet matches its log and is unaltered.")
    ] = False,
) -> None:
    """Write the build sheet of a session again: as a page, a table and a record (JSON)."""
    if verify:
        _verify(log, against)
        return
    if against is not None:
        raise typer.BadParameter(f"{against}: a second file goes with --verify only.")
    terminal = Terminal()
    folder = folder_of(log, told=terminal.warn)
    for sentence in write_sheet(folder, load_wording(load_grammar())):
        terminal.warn(sentence)
    terminal.show(f"{folder.sheet}\n{folder.table}\n{folder.record}")


def _verify(sheet: Path, log: Path | None) -> None:
    terminal = Terminal()
    found = verify_sheet(sheet, log)
    terminal.show(f"{sheet} {found.verdict.value}.")
    terminal.show(f"Log {found.log}: {found.log_events} events; sheet: {found.seal.log_events}.")
    if found.verdict is not Verdict.CURRENT:
        raise typer.Exit(1)


def forget(
    log: LogOrJob,
    everything: Annotated[
        bool, typer.Option("--all", help="The sound of all sessions of the job.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Erase the kept sound of a session, calls and notes; the log stays and stays valid."""
    terminal = Terminal()
    if everything and log.suffix == ".jsonl":
        raise typer.BadParameter(f"--all goes with a job file; {log} is one session's log.")
    folders = session_folders(log) if everything else [folder_of(log)]
    waiting = [(folder, len(sound_of(folder))) for folder in folders]
    waiting = [(folder, count) for folder, count in waiting if count]
    if not waiting:
        terminal.show("No sound is kept: there is nothing to erase.")
        return
    for folder, count in waiting:
        terminal.show(f"{folder.path}: {count} files with sound")
    if not (yes or typer.confirm("Erase them? This cannot be taken back.")):
        terminal.show("Nothing was erased.")
        return
    wording = load_wording(load_grammar())
    for folder, _ in waiting:
        erased = forget_sound(folder)
        for sentence in write_sheet(folder, wording):
            terminal.warn(sentence)
        terminal.show(f"{folder.path}: erased {', '.join(path.name for path in erased)}")


def mend(log: LogOrJob) -> None:
    """Begin a new session from what is left of a damaged or lost log, which is not changed."""
    terminal = Terminal()
    if log.suffix == ".jsonl":
        folder = SessionFolder(log.parent, log.name)
        job, lost = job_of(folder), lost_at(folder)
    else:
        job, lost = log, lost_session(log)
    new, told = mend_lost(lost, job) if lost is not None else mend_log(folder_of(log))
    for sentence in told:
        terminal.warn(sentence)
    terminal.show(f"{new.log}\nWhat is left is there; 'leafcall fit' goes on with it.")
