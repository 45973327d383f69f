"""Options of commands that hear sound; apart, because they load the recogniser."""

from typing import Annotated

import typer

from assistant.build.ears import EARS

EarName = Annotated[
    str, typer.Option("--ear", help=f"{', '.join(EARS)}, or the folder of a Vosk model.")
]
Denoise = Annotated[
    bool | None,
    typer.Option("--denoise/--no-denoise", help="The denoiser in front of the recogniser."),
]
