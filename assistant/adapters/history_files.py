"""Finds the logs of old sessions and reads them; it writes nothing."""

import os
from collections.abc import Iterable, Iterator
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
        for path in _below(place) if place.is_dir() else (place,):
            found.setdefault(os.path.realpath(path), path)
    return list(found.values())


def _below(folder: Path) -> Iterator[Path]:
    for inside, folders, files in os.walk(folder):
        folders.sort()
        if LOG_NAME in files:
            yield Path(inside) / LOG_NAME


def read_bytes(path: str) -> bytes:
    """The bytes of a log. Raises LogError."""
    try:
        with open(path, "rb") as file:  # noqa: PTH123 ten thousand of them: Path is slower
            return file.read()
    except OSError as error:
        raise LogError(f"it cannot be read: {error.strerror}") from error


_TEMPLATE = Path(__file__).resolve().parent.parent / "pages" / "history.html"


def history_template() -> str:
    """Text of the page's template. Raises LogError if it is missing from the installation."""
    try:
        return _TEMPLATE.read_text(encoding="utf-8")
    except OSError as error:
        raise LogError(
            f"The template {_TEMPLATE.name} is missing from this installation: install again."
        ) from error
