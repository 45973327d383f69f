"""Options and arguments that several commands share."""

from pathlib import Path
from typing import Annotated

import typer

from assistant.bench.events import FASTEST_WPM, SLOWEST_WPM

JobFile = Annotated[Path, typer.Argument(metavar="JOB", help="Job file (TOML), made by 'new'.")]
Mute = Annotated[bool, typer.Option("--mute", help="Show replies, do not speak them.")]
Fresh = Annotated[
    bool, typer.Option("--new", help="Begin a new session even if one is unfinished.")
]
Speed = Annotated[
    int | None,
    typer.Option(
        "--speed", min=SLOWEST_WPM, max=FASTEST_WPM, help="Words a minute; else as before."
    ),
]
KeepCalls = Annotated[
    bool | None,
    typer.Option(
        "--keep-calls/--no-keep-calls",
        help="Keep the sound of calls beside the log, on this machine only; else as before.",
    ),
]
KeepMb = Annotated[int, typer.Option("--keep-mb", min=1, help="Room for kept calls, MB.")]
Plain = Annotated[
    bool, typer.Option("--plain", help="Lines one after the other in place of the read-out.")
]
Page = Annotated[
    bool,
    typer.Option("--page", help="Show it on any screen in the network too: a live page, paired."),
]
TalkFromPage = Annotated[
    bool,
    typer.Option(
        "--talk-from-page",
        help="A phone's page is microphone and voice in place of this machine's (with --page).",
    ),
]
USUAL_PAGE_PORT = 8470
PagePort = Annotated[
    int,
    typer.Option(
        "--page-port", min=1024, max=65534, help="Port of the page; the network takes the next one."
    ),
]
LogOrJob = Annotated[
    Path, typer.Argument(metavar="JOB|LOG", help="Job file (its newest session), or a session log.")
]
