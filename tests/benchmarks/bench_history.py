"""How long ``leafcall history`` takes over many logs, and how much memory.

    python -m tests.benchmarks.bench_history --logs 1,100,10000 --events 300

Plays a few sessions through the real dialogue (tests/past_sessions.py), then writes as many logs as
wanted: each is one of them, moved to another day and person and sealed anew. ``leafcall history``
runs in a process of its own; before each run the system is asked to drop the logs from its memory
("cold"). Wall clock, processor seconds of it and its workers, largest memory of one process.
"""

import argparse
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from assistant.bench.events import next_check
from assistant.build.words import load_grammar, load_wording
from tests.fakes import START, Bench, small_job
from tests.past_sessions import log_lines, play

_SEALED = re.compile(r"(?P<body>.*),\"check\":\"[0-9a-f]{16}\"\}")


def main() -> None:
    """Make logs, run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", default="1,100,10000")
    parser.add_argument("--events", type=int, default=300)
    parser.add_argument("--sessions", type=int, default=12, help="different ones that are played")
    parser.add_argument("--parquet", action="store_true", help="write Parquet too")
    parser.add_argument("--keep", type=Path, help="folder for the logs, used again if it is there")
    options = parser.parse_args()
    print("| logs | events | MB | wall s | processor s | largest process MB |")
    print("|---|---|---|---|---|---|")
    played: list[str] = []
    with tempfile.TemporaryDirectory() as temporary:
        home = options.keep or Path(temporary)
        for wanted in map(int, options.logs.split(",")):
            folder = home / str(wanted)
            if not folder.exists():
                played = played or list(_played(options.sessions, options.events))
                _write(folder, wanted, played)
            print(_measured(folder, parquet=options.parquet), flush=True)


def _played(sessions: int, events: int) -> Iterator[str]:
    grammar = load_grammar()
    for seed in range(sessions):
        job = small_job(cylinders=8, person="PERSON")
        bench = Bench(job, grammar, load_wording(grammar))
        yield log_lines(play(bench, Random(seed), events=events).store.events)


def _write(folder: Path, logs: int, played: list[str]) -> None:
    for n in range(logs):
        began = datetime(2016, 1, 1) + timedelta(hours=7 * n)
        text = played[n % len(played)].replace(f"{START:%Y-%m-%d}", f"{began:%Y-%m-%d}")
        text = text.replace(f'"{began:%Y-%m-%d}T08', f'"{began:%Y-%m-%dT%H}')
        log = folder / f"engine{n // 20}-sessions" / f"{n % 20 + 1:03d}" / "log.jsonl"
        log.parent.mkdir(parents=True)
        log.write_text(_sealed(text.replace('"PERSON"', f'"builder {n % 5}"')), encoding="utf-8")


def _sealed(text: str) -> str:
    check, lines = "", []
    for line in text.splitlines():
        found = _SEALED.fullmatch(line)
        assert found is not None
        check = next_check(check, found["body"])
        lines.append(f'{found["body"]},"check":"{check}"}}\n')
    return "".join(lines)


def _measured(folder: Path, *, parquet: bool) -> str:
    logs = list(folder.rglob("log.jsonl"))
    size = 0
    for log in logs:
        with log.open("rb+") as file:
            os.fsync(file.fileno())
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            size += log.stat().st_size
    with tempfile.TemporaryDirectory() as home:
        out = ["--parquet", f"{home}/parquet"] if parquet else []
        command = [sys.executable, "-m", "assistant", "history", str(folder), *out]
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        done = subprocess.run(
            command, capture_output=True, text=True, check=True,
            env={**os.environ, "LEAFCALL_HOME": home},
        )  # fmt: skip
        wall_s = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    processor_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    head = next(iter(done.stdout.splitlines()))
    found = re.match(r"(\d+) sessions, (\d+) events", head)
    assert found is not None
    assert int(found[1]) == len(logs), done.stdout[-500:]
    return (
        f"| {len(logs)} | {found[2]} | {size / 1e6:.1f} | {wall_s:.1f} | {processor_s:.1f} | "
        f"{after.ru_maxrss / 1024:.0f} |"
    )


if __name__ == "__main__":
    main()
