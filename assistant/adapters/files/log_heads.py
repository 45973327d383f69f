"""Keeps how far each session log goes, apart from the logs: a small file a session.

A log whose end was cut off cleanly looks whole, so only something apart from it can tell. One
line of fixed length, written over in one write after each call: whoever kills the program leaves
the old line or the new one. It is not forced to disk, so after a loss of power it may be behind
the log, never before it: the log is on disk before it is written.
"""

import os
import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from assistant.bench.log_chain import Head

_LINE = re.compile(rb"(\d{9}) ([0-9a-f]{16})\n")
_WHERE = "this computer"


class LogHeads:
    """Heads of the sessions that one path has held. folder: of all heads; name: of that path.

    A session is known by the check of its first line, so that another stick at the same path is
    another session.
    """

    def __init__(self, folder: Path, name: str) -> None:
        self._folder = folder
        self._name = name

    def of(self, first: str) -> Sequence[Head]:
        """Head of the session whose first line has this check: one or none."""
        return _read([self._path(first)])

    def all(self) -> Sequence[Head]:
        """Heads of every session that was ever at this path."""
        try:
            return _read(sorted(self._folder.glob(f"{self._name}-*.head")))
        except OSError:  # not ours to look at
            return ()

    def keep(self, *, first: str, events: int, check: str) -> None:
        """Remember it; what cannot be written is left."""
        path = self._path(first)
        with suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
            try:
                os.write(handle, f"{events:09d} {check:0>16}\n".encode())
            finally:
                os.close(handle)

    def _path(self, first: str) -> Path:
        return self._folder / f"{self._name}-{first}.head"


def _read(paths: Sequence[Path]) -> Sequence[Head]:
    heads = []
    for path in paths:
        with suppress(OSError):
            found = _LINE.match(path.read_bytes())
            if found is not None:
                heads.append(Head(int(found[1]), found[2].decode(), _WHERE))
    return heads
