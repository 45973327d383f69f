"""Reads many old logs, on several cores where there are many.

Imports little, because every worker process begins with it.
"""

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from assistant.adapters.files.history_files import expect, read_bytes
from assistant.errors import LogError
from assistant.history.past_session import PastSession, past_session

Found = tuple[str, PastSession | str]
"""(path, the session, or why there is none)."""

_AT_A_TIME = 100
_MANY = 600  # logs from which starting other processes pays


def read_past(
    paths: Sequence[Path],
    *,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
    workers: int | None = None,
) -> Iterator[Found]:
    """What each log holds, in any order. progress: told (logs done, all logs).

    workers: processes; None = as many as there are cores if there are many logs, else this one.
    """
    names = [str(path) for path in paths]
    parts = [names[n : n + _AT_A_TIME] for n in range(0, len(names), _AT_A_TIME)]
    if workers is None:
        workers = min(os.cpu_count() or 1, 8) if len(names) >= _MANY else 1
    done = 0
    for part in _shared_out(parts, workers) if workers > 1 else map(_read_some, parts):
        yield from part
        done += len(part)
        progress(done, len(names))


def _shared_out(parts: Sequence[list[str]], workers: int) -> Iterator[list[Found]]:
    # spawn: the same on every system, and no thread of this process is copied half-way.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        running = [pool.submit(_read_some, part) for part in parts]
        try:
            for one in as_completed(running):
                yield one.result()
        finally:
            pool.shutdown(cancel_futures=True)


def _read_some(paths: list[str]) -> list[Found]:
    expect(paths)
    return [(path, _read(path)) for path in paths]


def _read(path: str) -> PastSession | str:
    try:
        return past_session(read_bytes(path)) or "it holds no session"
    except LogError as error:
        return str(error)
