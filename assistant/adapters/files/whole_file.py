"""A file that is written whole or not at all; the one helper that adapters share."""

import os
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, data: bytes, *, private: bool = False) -> None:
    """Put ``data`` at ``path``, on disk when this returns; an older file stays until then.

    private: readable by its user only, where the system knows such a thing.
    Raises OSError; nothing half written is left where it can be removed.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        if private:  # one that was left by a crash may be open to all
            part.unlink(missing_ok=True)
            part.touch(mode=0o600, exist_ok=False)
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError:
        with suppress(OSError):  # a folder that cannot be written cannot be tidied either
            part.unlink(missing_ok=True)
        raise
