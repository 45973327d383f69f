"""The review page on disk: the sound beside it, and a browser to show it."""

import base64
import os
import re
import sys
import webbrowser
from collections.abc import Iterable
from pathlib import Path
from urllib.parse import quote

from assistant.errors import LogError

_KINDS = {"wav": "audio/wav", "flac": "audio/flac", "ogg": "audio/ogg", "opus": "audio/ogg"}
# A log is only a file: a name in it may be anything, a path out of the folder too.
_PLAIN = re.compile(rf"[A-Za-z0-9][A-Za-z0-9_-]*\.({'|'.join(_KINDS)})", re.ASCII)


def clip_addresses(folder: Path, names: Iterable[str], *, inside: bool = False) -> dict[str, str]:
    """Where a page beside ``folder`` finds each clip; a clip that is not there is left out.

    Only plain names of sound files in the folder itself count, never a path or a link.
    inside: the sound itself as a data: address, a third longer than its file, instead of a
    relative one. Raises LogError if a clip is there but cannot be read.
    """
    found = {}
    for name in names:
        path = folder / name if _PLAIN.fullmatch(name) else None
        if path is None or path.is_symlink() or not path.is_file():
            continue
        found[name] = _data(path) if inside else f"{quote(folder.name)}/{name}"
    return found


def _data(path: Path) -> str:
    try:
        sound = base64.b64encode(path.read_bytes()).decode("ascii")
    except OSError as error:
        raise LogError(
            f"The clip {path} cannot be read: {error.strerror}. Without --embed it is only linked."
        ) from error
    return f"data:{_KINDS[path.suffix[1:]]};base64,{sound}"


def show_page(path: Path) -> bool:
    """Open a page in the browser; False if there is no display, no terminal or no browser."""
    return open_in_browser(path.resolve().as_uri())


def open_in_browser(address: str) -> bool:
    """The same for any address."""
    if not sys.stdout.isatty():  # a script or a test wants the page, not a window
        return False
    if sys.platform not in ("win32", "darwin") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    ):
        return False
    try:
        return webbrowser.open(address)
    except webbrowser.Error:
        return False
