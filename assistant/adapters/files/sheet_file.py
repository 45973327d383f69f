"""The build sheet on disk: it is written whole or not at all."""

from pathlib import Path

from assistant.adapters.files.whole_file import write_whole
from assistant.errors import SheetError


def save_sheet(path: Path, text: str) -> None:
    """Write ``text`` to ``path``, replacing an older sheet; the whole text or nothing.

    Raises SheetError if it cannot be written; an older sheet is then still there.
    """
    try:
        write_whole(path, text.encode())  # as it is: CSV brings its own line ends
    except OSError as error:
        raise SheetError(
            f"The sheet {path} cannot be written: {error.strerror}. Make room or choose another "
            "folder; the session log is not touched."
        ) from error


def read_sheet(path: Path) -> str:
    """Text of a sheet. Raises SheetError if it cannot be read or is no text."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise SheetError(f"The sheet {path} cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        raise SheetError(
            f"The sheet {path} is not text: name a .html, .csv or .json file."
        ) from error
