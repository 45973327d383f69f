"""Command that hears an old session again."""

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from assistant.adapters.terminal.terminal import Terminal
from assistant.build.ears import DEFAULT_EAR
from assistant.build.rehearing import hear_again
from assistant.build.sessions import folder_of
from assistant.cli.ear_options import EarName
from assistant.cli.options import LogOrJob
from assistant.record.rehearing import Understood, Verdict


def again(
    log: LogOrJob,
    ear: EarName = DEFAULT_EAR,
    grammar: Annotated[
        Path | None, typer.Option("--grammar", help="Another grammar folder.")
    ] = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit with 1 if any call differs or its clip is gone.")
    ] = False,
) -> None:
    """Hear the kept calls of a session again: which would be understood differently today."""
    terminal = Terminal()
    lost: list[str] = []
    counts: Counter[Verdict] = Counter()
    for one in hear_again(folder_of(log), ear=ear, grammar_folder=grammar, lost=lost.append):
        counts[one.verdict] += 1
        if one.verdict is not Verdict.SAME:
            terminal.show(f"call {one.turn}, {one.clip}: {one.verdict.value}")
            terminal.show(f"  then  {_told(one.then)}")
            terminal.show(f"  now   {_told(one.now)}")
    for why in lost:
        terminal.warn(f"Not heard: {why}")
    heard = sum(counts.values())
    told = ", ".join(f"{counts[verdict]} {verdict.value}" for verdict in Verdict if counts[verdict])
    terminal.show(f"{heard} kept calls heard again: {told or 'none'}.")
    if strict and (lost or counts[Verdict.SAME] < heard):
        raise typer.Exit(1)


def _told(made: Understood) -> str:
    effect = f"no effect: {made.refused}" if made.refused else (made.command or "nothing")
    return f"{made.words or '(nothing)'}  ({effect})"
