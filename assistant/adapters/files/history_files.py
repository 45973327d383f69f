"""Finds the logs of old sessions and reads them; it writes nothing."""

import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from assistant.errors import LogError

LOG_NAME = "log.jsonl"


def find_logs(places: Iterable[Path]) -> list[Path]:
    """Logs in the order found, each once: files named, and every log.jsonl below a folder named.

    Raises LogError if there is no such file or folder.
    """
    found: dict[str, Path] = {}
    for place in places:
        if not place.exists():
            raise LogError(f"{place} is not there: name a folder, a log or a job file.")
        # No link to a folder is followed below, so one look at where the place really is will do.
        real = os.path.realpath(place)
        for below in _below(real) if place.is_dir() else ("",):
            found.setdefault(f"{real}{below}", place / below[1:])
    return list(found.values())


def _below(folder: str) -> Iterator[str]:
    """What follows the folder's name in the paths of the logs in it."""
    for inside, folders, files in os.walk(folder):
        folders.sort()
        if LOG_NAME in files:
            yield f"{inside[len(folder) :]}{os.sep}{LOG_NAME}"


def read_bytes(path: str) -> bytes:
    """The bytes of a log. Raises LogError."""
    try:
        with open(path, "rb") as file:  # noqa: PTH123 ten thousand of them: Path is slower
            return file.read()
    except OSError as error:
        raise LogError(f"it cannot be read: {error.strerror}") from error


def expect(paths: Iterable[str]) -> None:
    """Let the system fetch these logs while others are being worked on, where it can."""
    if not hasattr(os, "posix_fadvise"):
        return
    for path in paths:
        with suppress(OSError), open(path, "rb") as file:  # noqa: PTH123 as above
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_WILLNEED)
