"""The template of the build sheet; reading a sheet, and writing it whole or not at all."""

from pathlib import Path

from assistant.adapters.files.whole_file import write_whole
from assistant.errors import SheetError

_TEMPLATE = Path(__file__).resolve().parents[2] / "pages" / "sheet.html"


def sheet_template() -> str:
    """Text of the page's template. Raises SheetError if it is missing from the installation."""
    try:
        return _TEMPLATE.read_text(encoding="utf-8")
    except OSError as exc:
        raise SheetError(
            f"The template {_TEMPLATE.name} is missing from this installation: install again."
        ) from exc


def save_sheet(path: Path, text: str) -> None:
    """Write ``text`` to ``path``, replacing an older sheet; the whole text or nothing.

    Raises SheetError if it cannot be written; an older sheet is then still there.
    """
    try:
        write_whole(path, text.encode())  # as it is: CSV brings its own line ends
    except OSError as exc:
        raise SheetError(
            f"The sheet {path} cannot be written: {exc.strerror}. Make room or choose another "
            "folder; the session log is not touched."
        ) from exc


def read_sheet(path: Path) -> str:
    """Text of a sheet. Raises SheetError if it cannot be read or is no text."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as exc:
        raise SheetError(f"The sheet {path} cannot be read: {exc.strerror}.") from exc
    except UnicodeDecodeError as exc:
        raise SheetError(
            f"The sheet {path} is not text: name a .html, .csv or .json file."
        ) from exc
