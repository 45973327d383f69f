"""Finds what ships with Leafcall: the grammar, the models, the sample sound, page templates.

In an installed wheel they lie inside the package; in a checkout (and an editable install) beside
it. Both are looked at, in this order.
"""

from pathlib import Path

from assistant.errors import GrammarError, InstallationError

_GRAMMAR_FILES = (".abnf", ".yaml", ".dict")
_SHARED_RULES = ("way.css",)  # how the way of a gap is drawn
_PACKAGE = Path(__file__).resolve().parents[2]


def shipped(name: str) -> Path:
    """The folder ``grammar``, ``models`` or ``sample_audio``. Raises InstallationError."""
    for folder in (_PACKAGE / "_data" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise InstallationError(
        f"The folder {name!r} is missing from this installation: install again."
    )


def page_template(name: str) -> str:
    """Text of the template of a page: "sheet", "review", "history".

    Raises InstallationError if it is missing.
    """
    return page_text(f"{name}.html")


def page_text(name: str) -> str:
    """Text of a file of the pages, "live/page.css"; rules that pages share stand in their places.

    Raises InstallationError if it, or what it shares, is missing.
    """
    pages = _PACKAGE / "pages"
    path = pages / name
    try:
        text = path.read_text(encoding="utf-8")
        for shared in _SHARED_RULES:
            if (place := f"/* {shared} */\n") in text:
                path = pages / shared
                text = text.replace(place, path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InstallationError(
            f"The template {path.name} is missing from this installation: install again."
        ) from error
    return text


def grammar_texts(folder: Path) -> dict[str, str]:
    """File name -> text of every file of a grammar folder: .abnf, .yaml and .dict.

    Raises GrammarError if there is no such folder or a file is not UTF-8 text.
    """
    if not folder.is_dir():
        raise GrammarError(
            f"There is no grammar folder {folder}: name a folder that holds calls.abnf."
        )
    texts = {}
    for path in sorted(one for one in folder.iterdir() if one.suffix in _GRAMMAR_FILES):
        try:
            texts[path.name] = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise GrammarError(f"{path} cannot be read as UTF-8 text: {error}.") from error
    return texts
