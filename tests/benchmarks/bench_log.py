"""The log in figures: fold, opening, memory, bytes, growth with length, time to write a call.

    python -m tests.benchmarks.bench_log [--folder DIR] [--quick]

DIR is where the logs are written: its disk is what is measured by the writing part. Sessions are
typed by a simulated builder (tests/past_sessions.py) through the real dialogue.
"""

import argparse
import gc
import statistics
import subprocess
import sys
import tempfile
import tracemalloc
from collections.abc import Callable
from itertools import cycle
from pathlib import Path
from random import Random
from time import perf_counter

from assistant.adapters.files.data_files import grammar_texts
from assistant.adapters.files.session_log import SessionLog
from assistant.bench.dialogue import Call, Dialogue
from assistant.bench.events import Envelope, to_lines
from assistant.bench.job import Job
from assistant.bench.log_chain import scan
from assistant.bench.session import State, replay
from assistant.bench.wording import Wording
from assistant.ear.utterance import Heard, Hypothesis
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from tests.fakes import Bench, FakeClock, FakeSpeaker, MemoryStore, small_job
from tests.past_sessions import play

ROOT = Path(__file__).resolve().parents[2]
TEXTS = grammar_texts(ROOT / "grammar")
GRAMMAR = Grammar(TEXTS)
WORDING = Wording(TEXTS[REPLIES_FILE], GRAMMAR.numbers)


def session(job: Job, seed: int, *, events: int) -> list[Envelope]:
    """A typed session."""
    return play(Bench(job, GRAMMAR, WORDING), Random(seed), events=events).store.events


def long_session(events: int) -> tuple[list[Envelope], list[float]]:
    """A session that never ends: (its events, seconds that each call took).

    All 48 rings in turn, each tried, ground and corrected, over and over.
    """
    job = small_job(cylinders=16)
    bench = Bench(job, GRAMMAR, WORDING)
    took: list[float] = []
    names = [(c, p) for c in range(1, 17) for p in ("upper rail", "second ring", "top ring")]
    assert GRAMMAR.numbers is not None
    rings = cycle(names)
    while len(bench.store.events) < events:
        cylinder, name = next(rings)
        for call in (
            f"cylinder {GRAMMAR.numbers.say(cylinder)} {name}", "nine goes ten no go",
            "ground one", "take that back", "what now", "nine goes ten no go", "take that back",
        ):  # fmt: skip
            start = perf_counter()
            bench.type(call)
            took.append(perf_counter() - start)
    return bench.store.events, took


def best_s(work: Callable[[], object], times: int = 3) -> float:
    """The shortest of a few runs, seconds."""
    found = []
    for _ in range(times):
        start = perf_counter()
        work()
        found.append(perf_counter() - start)
    return min(found)


def peak_mb(work: Callable[[], object]) -> tuple[float, float]:
    """(memory at its peak, memory that the result keeps), MB over what was there before."""
    gc.collect()
    tracemalloc.start()
    kept = work()
    now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    del kept
    return peak / 1e6, now / 1e6


def report_reading(natural: list[Envelope]) -> None:
    """Reading and folding of logs of several lengths."""
    print("events   bytes     bytes/event  read ev/s  fold ev/s  open s   peak MB  state MB")
    long, _ = long_session(10_000)
    for events in ([natural[0]], natural[:100], natural, long[:2_500], long[:5_000], long[:10_000]):
        data = to_lines(events)[0].encode()
        read_s, fold_s = best_s(lambda data=data: scan(data)), best_s(lambda e=events: replay(e))
        peak, _ = peak_mb(lambda data=data: replay(scan(data).events))
        _, state = peak_mb(lambda e=events: replay(e))
        print(
            f"{len(events):6}  {len(data):9}  {len(data) / len(events):8.0f}  "
            f"{len(events) / read_s:11.0f} {len(events) / fold_s:10.0f}  {read_s + fold_s:7.3f}  "
            f"{peak:7.2f}  {state:7.2f}"
        )


def report_length(natural: list[Envelope], rings: int) -> None:
    """Bytes of a ring, and whether calls get slower in a long session."""
    size = len(to_lines(natural)[0].encode())
    print(f"\na finished engine: {rings} rings, {len(natural)} events, {size} bytes, "
          f"{size / rings:.0f} bytes a ring")  # fmt: skip
    events, took = long_session(10_000)
    print(f"time of a call in a session of {len(events)} events, by tenths (median, ms):")
    part = len(took) // 10
    print("  ".join(f"{1000 * statistics.median(took[n * part:(n + 1) * part]):.2f}"
                    for n in range(10)))  # fmt: skip


def report_writing(folder: Path, calls: int) -> None:
    """What a call costs on the disk: one write and one fsync."""
    natural = session(small_job(), 3, events=300)
    log = SessionLog(folder / "writing.jsonl")
    took = []
    for n in range(calls):
        call = [one.model_copy(update={"seq": 4 * n + k}) for k, one in enumerate(natural[4:8])]
        start = perf_counter()
        log.append(call)
        took.append(1000 * (perf_counter() - start))
    log.close()
    took.sort()
    print(
        f"\nappend and fsync of a call of 4 events, {calls} calls, ms: median "
        f"{statistics.median(took):.2f}, 95 % {took[int(0.95 * calls)]:.2f}, most {took[-1]:.2f}"
    )
    memory = Dialogue(
        store=MemoryStore(), clock=FakeClock(), grammar=GRAMMAR, wording=WORDING,
        speaker=FakeSpeaker(), show=lambda _: None, state=State(),
    )  # fmt: skip
    memory.open(small_job(), software="bench")
    heard = Heard((Hypothesis(GRAMMAR.words_of("what now"), 1.0),), 1.0)
    spent = best_s(lambda: memory.take(Call(heard, source="keyboard", typed=True)), 50)
    print(f"the same call without a disk, all else: {1000 * spent:.2f} ms")


def report_many(folder: Path, counts: list[int]) -> None:
    """Opening many logs, each read and folded in a fresh process: time and memory."""
    natural = session(small_job(), 3, events=300)
    data = to_lines(natural)[0].encode()
    for n in range(max(counts)):
        path = folder / "many" / f"{n:05d}" / "log.jsonl"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    print(f"\nlogs of {len(natural)} events, read, checked and folded in one new process:")
    code = (
        "import re, sys, time; from pathlib import Path\n"
        "from assistant.adapters.files.session_log import read_log\n"
        "from assistant.bench.session import replay\n"
        "start = time.perf_counter()\n"
        "for path in sorted(Path(sys.argv[1]).glob('*/log.jsonl'))[:int(sys.argv[2])]:\n"
        "    replay(read_log(path))\n"
        "status = Path('/proc/self/status')\n"
        "kb = re.search(r'VmHWM:\\s+(\\d+)', status.read_text()) if status.exists() else None\n"
        "peak = int(kb[1]) / 1000 if kb else float('nan')\n"
        "print(f'{time.perf_counter() - start:.2f} s, {peak:.0f} MB at the peak')\n"
    )
    for count in counts:
        done = subprocess.run(
            [sys.executable, "-c", code, str(folder / "many"), str(count)], cwd=ROOT, check=True,
            capture_output=True, text=True,
        )  # fmt: skip
        print(f"{count:6} logs: {done.stdout.strip()}")


def main() -> None:
    """Run all parts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--quick", action="store_true", help="without the 10,000 logs")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        natural = session(small_job(cylinders=8), 1, events=10**6)
        report_reading(natural)
        report_length(natural, rings=24)
        report_writing(folder, 300)
        report_many(folder, [1, 100] if asked.quick else [1, 100, 10_000])


if __name__ == "__main__":
    main()
