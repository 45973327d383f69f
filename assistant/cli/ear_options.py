"""Option of commands that hear sound; apart, because it loads the recogniser."""

from typing import Annotated

import typer

from assistant.build.ears import EARS

EarName = Annotated[
    str, typer.Option("--ear", help=f"{', '.join(EARS)}, or the folder of a Vosk model.")
]
