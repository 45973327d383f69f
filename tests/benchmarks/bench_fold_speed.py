"""How fast a stored session comes back, in processor time.

    python -m tests.benchmarks.bench_fold_speed --events 3000

Plays an engine of sixteen cylinders by typed calls, then times: folding its events without advice;
taking it up again with nothing remembered (fold, advice, what it has taught); and one more reading
of a ring that was cut a hundred times.
"""

import argparse
import time
from pathlib import Path
from random import Random

from assistant.adapters.files.data_files import grammar_texts
from assistant.bench import plan
from assistant.bench.advice import advise
from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.fitting import belief, fold, leaves
from assistant.fitting.belief import believe
from assistant.fitting.bench import Bench as FittingBench
from assistant.fitting.facts import Cut, Fact, Feel, Reading
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from assistant.units import NM_PER_THOU
from tests.fakes import Bench, small_job
from tests.past_sessions import play

_FOLDED = 20_000


def forget() -> None:
    """Drop all that the program remembers of rings."""
    plan.taught_bench.cache_clear()
    fold._closed_state.cache_clear()
    belief._believe.cache_clear()
    leaves.next_leaf.cache_clear()


def main() -> None:
    """Play, time, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--events", type=int, default=3000)
    options = parser.parse_args()
    texts = grammar_texts(Path(__file__).parents[2] / "grammar")
    grammar = Grammar(texts)
    wording = Wording(texts[REPLIES_FILE], grammar.numbers)
    bench = play(Bench(small_job(cylinders=16), grammar, wording), Random(1), events=options.events)
    events = list(bench.store.events)
    done = sum(ring.outcome is not None for ring in bench.state.rings.values())

    start, folded = time.process_time(), 0
    while folded < _FOLDED:
        replay(events)
        folded += len(events)
    each_s = folded / (time.process_time() - start)
    print(f"fold without advice: {each_s:.0f} events a second ({len(events)} events)")

    forget()
    start = time.process_time()
    state = replay(events)
    advise(state)
    taught = state.learned
    used_s = time.process_time() - start
    print(f"resume of {done} finished rings ({taught.rings} taught): {used_s:.3f} s")

    facts: list[Fact] = []
    for number in range(100):
        leaf_nm = 10 * NM_PER_THOU + number * NM_PER_THOU // 20
        facts += [Reading(leaf_nm, Feel.SNUG), Cut(feed_nm=NM_PER_THOU // 20)]
    used_ms = []
    for number in range(6):
        start = time.process_time()
        believe(facts, FittingBench())
        used_ms.append((time.process_time() - start) * 1e3)
        facts.append(Reading((14 + number) * NM_PER_THOU, Feel.GOES))
    print(
        f"ring of 100 cuts, cold: {used_ms[0]:.1f} ms; each reading more: {max(used_ms[1:]):.1f} ms"
    )


if __name__ == "__main__":
    main()
