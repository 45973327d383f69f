"""How long one advice takes: belief, next leaf, next cut, with nothing of the ring remembered.

    python tests/benchmarks/bench_advice_speed.py --rings 300

Plays rings of the simulated bench once to collect real situations, then times each situation in
processor milliseconds: after a reading, as in a session (the ring's earlier facts are remembered),
and cold (nothing remembered at all, as after a restart). ``learn`` is timed too.
"""

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

from players import bench_for, play_ring, window_of
from shop import Engine, Scenario

from assistant.fitting import belief, fold, leaves
from assistant.fitting.belief import believe
from assistant.fitting.learning import FinishedRing, learn
from assistant.fitting.removal import next_cut, next_leaf


def forget() -> None:
    """Drop all that the product remembers of rings."""
    fold._closed_state.cache_clear()
    belief._believe.cache_clear()
    leaves.next_leaf.cache_clear()


def main() -> None:
    """Collect, time, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rings", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    scenario = Scenario("default", butting=0.1)
    window, bench = window_of(scenario), bench_for(scenario)
    rng = np.random.default_rng(options.seed)
    rings = []
    while len(rings) < options.rings:
        engine = Engine(scenario, rng)
        rings += [play_ring(engine, window, bench, next_cut)[1] for _ in range(4)]

    def advise(facts: tuple[object, ...]) -> float:
        start = time.process_time()
        now = believe(facts, bench, window=window)  # type: ignore[arg-type]
        next_leaf(now, window, bench)
        next_cut(now, window, bench)
        return (time.process_time() - start) * 1e3

    times: dict[str, list[float]] = {"in a session": [], "cold": [], "learn, one ring": []}
    for facts in rings:
        forget()
        times["in a session"] += [advise(facts[:end]) for end in range(1, len(facts) + 1)]
        for end in range(1, len(facts) + 1):
            forget()
            times["cold"].append(advise(facts[:end]))
        forget()
        start = time.process_time()
        learn(bench, [FinishedRing(facts, window)])
        times["learn, one ring"].append((time.process_time() - start) * 1e3)
    for name, values in times.items():
        low, high, most = np.percentile(values, [50, 95, 100])
        print(
            f"{name:16s} n {len(values):6d}  p50 {low:.2f} ms  p95 {high:.2f} ms  max {most:.2f} ms"
        )


if __name__ == "__main__":
    main()
