"""The disk under a folder: room, and how long it takes until a line is safe."""

import os
import shutil
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from assistant.errors import LogError

_TRIES = 5


@dataclass(frozen=True, slots=True)
class DiskFigures:
    """free_bytes: room for this user. fsync_s: seconds, middle of a few tries."""

    free_bytes: int
    fsync_s: float


def try_disk(folder: Path) -> DiskFigures:
    """Write, force to disk and remove a small file in ``folder``, or where it would be made.

    Raises LogError if nothing can be written there.
    """
    there = folder
    while not there.exists() and there != there.parent:
        there = there.parent
    try:
        free_bytes = shutil.disk_usage(there).free
        took = []
        with tempfile.NamedTemporaryFile(dir=there, prefix=".leafcall-check-") as file:
            for _ in range(_TRIES):
                began = time.perf_counter()
                file.write(b"x" * 200 + b"\n")
                file.flush()
                os.fsync(file.fileno())
                took.append(time.perf_counter() - began)
    except OSError as error:
        raise LogError(
            f"Nothing can be written in {there} ({error.strerror}): choose another folder for the "
            "job, or ask for the right to write there."
        ) from error
    return DiskFigures(free_bytes, median(took))


def newest_file_s(folder: Path) -> float:
    """When the newest file in ``folder`` was changed, seconds since 1970; 0 if there is none."""
    times = []
    for path in folder.glob("*") if folder.is_dir() else ():
        try:
            times.append(path.stat().st_mtime)
        except OSError:  # gone meanwhile, or not ours to look at
            continue
    return max(times, default=0.0)
