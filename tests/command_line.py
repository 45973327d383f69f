"""Runs ``leafcall`` in this process, as the shell would: what it printed and how it ended."""

import io
import sys
from collections.abc import Callable
from typing import NamedTuple

import pytest

from assistant import cli


class Ran(NamedTuple):
    """Exit code, standard output, standard error."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


def leafcall(
    arguments: tuple[str, ...], typed: str | bytes, patch: pytest.MonkeyPatch,
    caught: pytest.CaptureFixture[str],
) -> Ran:  # fmt: skip
    """Run it with ``arguments``; ``typed`` is the keyboard."""
    data = typed.encode() if isinstance(typed, str) else typed
    patch.setattr(sys, "argv", ["leafcall", *arguments])
    patch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data), encoding="utf-8"))
    caught.readouterr()
    code = 0
    try:
        cli.main()
    except SystemExit as done:
        code = done.code if isinstance(done.code, int) else 0
    return Ran(code, *caught.readouterr())
