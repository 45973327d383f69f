"""Fuzz for as long as wanted: ``python -m tests.fuzz --minutes 60``.

With the package atheris (extra ``fuzz``) each target is led by the branches it reaches; without
it, or with --plain, input is edited at random. What breaks a target is written into the folder
--into, and the command ends with code 1.
"""

import argparse
import hashlib
import os
import subprocess
import sys
import time
import traceback
import warnings
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from random import Random

from tests.fuzz.edits import apply_edits, random_edits
from tests.fuzz.targets import TARGETS

_LONGEST_S = 20
"""Processor time of one input from which it is told: nothing of a file should take so long."""
_HANGS_S = 600
"""The same by the clock, for libFuzzer knows no other; more, because other work may be going on."""


def main() -> int:
    warnings.simplefilter("error")  # a warning would reach the builder
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60, help="for all targets together")
    parser.add_argument("--into", type=Path, default=Path("fuzz-finds"))
    parser.add_argument("--only", choices=TARGETS, action="append")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--plain", action="store_true", help="without atheris")
    parser.add_argument("--one", metavar="FILE", type=Path, help="run one input, with --only")
    given = parser.parse_args()
    names = given.only or list(TARGETS)
    if given.one is not None:
        TARGETS[names[0]][0](given.one.read_bytes())
        return 0
    given.into.mkdir(parents=True, exist_ok=True)
    seconds = given.minutes * 60 / len(names)
    led = find_spec("atheris") is not None and not given.plain
    failed = [
        name
        for name in names
        if not (_led if led else _plain)(name, seconds, given.into, given.seed)
    ]
    print(f"{'failed: ' + ', '.join(failed) if failed else 'nothing found'}; finds: {given.into}")
    return 1 if failed else 0


def _plain(name: str, seconds: float, into: Path, seed: int) -> bool:
    """Random edits for so long; whether nothing broke."""
    target, make = TARGETS[name]
    seeds, rng = make(), Random(f"{name} {seed}")
    began, cpu_s, count, longest_s, kinds = time.monotonic(), time.process_time(), 0, 0.0, set()
    while time.monotonic() - began < seconds:
        data = apply_edits(rng.choice(seeds), random_edits(rng))
        count += 1
        at_s = time.process_time()
        try:
            target(data)
        except Exception as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            kind = (type(error).__name__, place.filename, place.lineno)
            if kind not in kinds:
                kinds.add(kind)
                _keep(name, data, into, traceback.format_exc())
        took_s = time.process_time() - at_s
        if took_s > longest_s:
            longest_s = took_s
            if took_s > _LONGEST_S:
                kinds.add(("slow", "", 0))
                _keep(name, data, into, f"{took_s:.1f} s of processor")
    cpu_s = time.process_time() - cpu_s
    print(
        f"{name}: {count} inputs, {cpu_s:.0f} s of processor, longest {longest_s:.2f} s, "
        f"{len(kinds)} kinds of failure", flush=True,
    )  # fmt: skip
    return not kinds


def _keep(name: str, data: bytes, into: Path, why: str) -> None:
    stem = f"{name}-{hashlib.sha256(data).hexdigest()[:12]}"
    (into / stem).write_bytes(data)
    (into / f"{stem}.txt").write_text(why, encoding="utf-8")


def _led(name: str, seconds: float, into: Path, seed: int) -> bool:
    """Led by branches, in a process of its own, because it takes the process over."""
    corpus = into / f"{name}-corpus"
    corpus.mkdir(exist_ok=True)
    for n, data in enumerate(TARGETS[name][1]()):
        (corpus / f"seed-{n}").write_bytes(data)
    before = os.times()
    run = subprocess.run(
        [
            sys.executable, "-m", "tests.fuzz.led", name, str(corpus),
            f"-max_total_time={round(seconds)}", f"-artifact_prefix={into}/{name}-",
            f"-timeout={_HANGS_S}", "-max_len=60000", f"-seed={seed + 1}",
            "-print_final_stats=1", "-rss_limit_mb=3000",
        ],
        capture_output=True, text=True, check=False, env={**os.environ, "PYTHONHASHSEED": "0"},
    )  # fmt: skip
    (into / f"{name}.log").write_text(run.stdout + run.stderr, encoding="utf-8")
    after = os.times()
    cpu_s = sum(after[2:4]) - sum(before[2:4])
    told = _told(run.stderr.splitlines())
    print(f"{name}: {cpu_s:.0f} s of processor; {told}; code {run.returncode}", flush=True)
    return run.returncode == 0


def _told(lines: Sequence[str]) -> str:
    wanted = ("stat::number_of_executed_units", "stat::slowest_unit_time_sec", "stat::peak_rss_mb")
    found = [" ".join(line.split()) for line in lines if line.startswith(wanted)]
    covered = [line for line in lines if " cov: " in line][-1:]
    return "; ".join([*found, *(" ".join(line.split()) for line in covered)])


if __name__ == "__main__":
    sys.exit(main())
