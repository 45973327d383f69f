"""How good is the advice? A simulated bench plays whole engines against other ways of working.

    python tests/benchmarks/bench_policies.py --rings 100000 --jobs 2 --kept results.jsonl \
        --plot policies.png

Players: ours (the product as it is), the optimum of a dynamic programme with the same knowledge and
the same limit of risk for each cut, the same told the grinder's true rate, the same without the
limit (spoiling only has its price), and rules of thumb. Reported for each scenario (shop.py): share
of rings ground over the most, over it and under the least by a hair or more, passes and readings
per ring, share that ends inside the window, with 95 % confidence intervals. What is in the file of
``--kept`` already is not played again.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from functools import partial
from itertools import pairwise
from math import sqrt
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

from optimum import HAIR
from players import PLAYERS, Outcome, play
from rules import READINGS_PER_PASS, RULES, play_rule
from shop import Scenario

from assistant.fitting.removal import CutReason
from tests.benchmarks.intervals import wilson

INSIDE, LIKELY = CutReason.INSIDE, CutReason.LIKELY
ENGINES_PER_TASK = 8
WARY_FROM = 0.01
"""Believed chance of a double cut from which a ring counts as begun after a surprise."""
BINS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.995, 1.0)
"""Edges of the believed chances of being inside, for what is told "inside" or "likely inside"."""

_BASE = Scenario("default: window 1.5")
SCENARIOS = {
    "default": _BASE,
    "window-1": _BASE.named("window 1.0", most=16.0),
    "window-2": _BASE.named("window 2.0", most=17.0),
    "window-3": _BASE.named("window 3.0", most=18.0),
    "rate-high": _BASE.named("rate 30 % high", rate=1.3, rate_sd=0.0),
    "rate-low": _BASE.named("rate 30 % low", rate=0.7, rate_sd=0.0),
    "feel-2x": _BASE.named("feel noise doubled", feel_sd=0.5),
    "cut-2x": _BASE.named("cut noise doubled", cut_sd=0.5),
    "tilt": _BASE.named("5 % of seatings tilted", tilt=0.05),
    "mistakes": _BASE.named("mistakes 2 %, misheard 2 %", clumsy=0.02, misheard=0.02),
    "goes-only": _BASE.named("says goes / no go only", coarse=1.0),
    "butting": _BASE.named("30 % butt at first", butting=0.3),
    "half-leaves": _BASE.named("half-thou leaves", leaf_step=0.5),
    "double": _BASE.named("5 % of cuts take twice", double=0.05),
    "double-2": _BASE.named("the same, second engine", double=0.05, learned_rings=16),
    "double-4": _BASE.named("the same, fourth engine", double=0.05, learned_rings=48),
    "cut-2x-2": _BASE.named("cut noise doubled, second engine", cut_sd=0.5, learned_rings=16),
    "file": _BASE.named("file, steady", file=True),
    "file-10": _BASE.named("file, passes vary by 10 %", file=True, pass_sd=0.1),
    "file-25": _BASE.named("file, passes vary by 25 %", file=True, pass_sd=0.25),
    "shared-feel": _BASE.named("60 % of feel shared in a seating", feel_shared=0.6),
    "tilt-3": _BASE.named("3 % of seatings tilted", tilt=0.03),
    "misheard": _BASE.named("misheard 1 %", misheard=0.01),
    "loose": _BASE.named("feels looser by half a thou", bias=0.5),
    "tight": _BASE.named("feels tighter by half a thou", bias=-0.5),
    "loose-slot": _BASE.named("the looser one, a slot felt", bias=0.5, slot=True),
    "tight-slot": _BASE.named("the tighter one, a slot felt", bias=-0.5, slot=True),
    "fine-dial": _BASE.named("dial of 0.1 thou", step=0.1),
}


@dataclass(frozen=True)
class Result:
    """Totals of one player in one scenario."""

    scenario: str
    player: str
    rings: int
    spoiled: int
    over: int
    under: int
    inside: int
    passes: float
    passes_se: float
    readings: float
    asked: float
    seconds: float
    told: tuple[int, ...] = ()
    told_inside: tuple[int, ...] = ()
    wary: int = 0
    wary_over: int = 0

    def row(self) -> list[str]:
        """Cells of the table."""
        low, high = wilson(self.spoiled, self.rings)
        share = 100 * self.inside / self.rings
        inside_low, inside_high = wilson(self.inside, self.rings)
        return [
            self.player,
            f"{self.rings}",
            f"{1e3 * self.spoiled / self.rings:.2f} [{1e3 * low:.2f}, {1e3 * high:.2f}]",
            f"{1e3 * self.over / self.rings:.2f}",
            f"{100 * self.under / self.rings:.2f}",
            f"{self.passes:.3f} +- {1.96 * self.passes_se:.3f}",
            f"{self.readings:.2f}",
            f"{share:.1f} [{100 * inside_low:.1f}, {100 * inside_high:.1f}]",
            f"{100 * self.asked:.2f}",
            f"{1e3 * self.seconds / self.rings:.2f}",
        ]


def summarise(
    scenario: Scenario, player: str, outcomes: Sequence[Outcome], seconds: float
) -> Result:
    """Totals of played rings."""
    passes = np.array([outcome.passes for outcome in outcomes], dtype=float)
    wary = [outcome for outcome in outcomes if outcome.double_chance > WARY_FROM]
    told = [outcome for outcome in outcomes if outcome.reason in (INSIDE, LIKELY)]
    inside = [scenario.least <= outcome.gap <= scenario.most for outcome in told]
    place = np.clip(np.digitize([outcome.p_inside for outcome in told], BINS) - 1, 0, len(BINS) - 2)
    every = np.bincount(place, minlength=len(BINS) - 1)
    right = np.bincount(place, weights=inside, minlength=len(BINS) - 1)
    return Result(
        scenario.name,
        player,
        len(outcomes),
        sum(outcome.spoiled for outcome in outcomes),
        sum(outcome.gap > scenario.most + HAIR for outcome in outcomes),
        sum(outcome.gap < scenario.least - HAIR for outcome in outcomes),
        sum(scenario.least <= outcome.gap <= scenario.most for outcome in outcomes),
        float(passes.mean()),
        float(passes.std() / sqrt(len(passes))),
        float(np.mean([outcome.readings for outcome in outcomes])),
        float(np.mean([outcome.asked for outcome in outcomes])),
        seconds,
        tuple(int(count) for count in every),
        tuple(int(count) for count in right),
        len(wary),
        sum(outcome.gap > scenario.most + HAIR for outcome in wary),
    )


def rule_result(scenario: Scenario, name: str, rings: int, seed: int) -> Result:
    """Totals of a rule of thumb."""
    start = time.process_time()
    passes, spoiled, gap = play_rule(RULES[name], scenario, rings, seed)
    inside = (gap >= scenario.least) & (gap <= scenario.most)
    return Result(
        scenario.name,
        name,
        rings,
        int(spoiled.sum()),
        int((gap > scenario.most + HAIR).sum()),
        int((gap < scenario.least - HAIR).sum()),
        int(inside.sum()),
        float(passes.mean()),
        float(passes.std() / sqrt(rings)),
        float(READINGS_PER_PASS * (passes.mean() + 1)),
        0.0,
        time.process_time() - start,
    )


def timed_play(
    player: str, scenario: Scenario, engines: int, seed: int
) -> tuple[list[Outcome], float]:
    """Outcomes and processor seconds of one task."""
    start = time.process_time()
    outcomes, _ = play(player, scenario, engines, seed)
    return outcomes, time.process_time() - start


def play_many(
    player: str,
    scenario: Scenario,
    rings: int,
    pool: ProcessPoolExecutor,
    progress: Progress,
    seed: int,
) -> Result:
    """One player in one scenario, spread over the pool."""
    engines = -(-rings // scenario.rings_per_engine)
    sizes = [min(ENGINES_PER_TASK, engines - n) for n in range(0, engines, ENGINES_PER_TASK)]
    task = progress.add_task(f"{scenario.name}: {player}", total=engines)
    futures = {
        pool.submit(timed_play, player, scenario, size, 1_000_003 * seed + n): size
        for n, size in enumerate(sizes)
    }
    outcomes: list[Outcome] = []
    seconds = 0.0
    for future in as_completed(futures):
        part, used = future.result()
        outcomes += part
        seconds += used
        progress.advance(task, futures[future])
    progress.remove_task(task)
    return summarise(scenario, player, outcomes, seconds)


class Kept:
    """Results in a file of JSON lines, each with its seed: a run that was cut off goes on."""

    def __init__(self, path: Path | None, seed: int) -> None:
        self._path, self._seed = path, seed
        self._results: dict[tuple[str, str, int], Result] = {}
        if path is not None and path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                stored = json.loads(line)
                if stored.pop("seed") == seed:
                    result = Result(**stored)
                    self._results[result.scenario, result.player, result.rings] = result

    def result(
        self, scenario: Scenario, player: str, rings: int, make: Callable[[], Result]
    ) -> Result:
        """The kept result, or a new one that is kept from now on."""
        found = self._results.get((scenario.name, player, rings))
        if found is None:
            found = make()
            if self._path is not None:
                with self._path.open("a", encoding="utf-8") as file:
                    file.write(json.dumps({"seed": self._seed, **asdict(found)}) + "\n")
        return found


def show(console: Console, results: Iterable[Result]) -> None:
    """One table a scenario."""
    by_scenario: dict[str, list[Result]] = {}
    for result in results:
        by_scenario.setdefault(result.scenario, []).append(result)
    for name, rows in by_scenario.items():
        table = Table(title=name)
        for column in (
            "player",
            "rings",
            "over the most, of 1000",
            "by a hair or more",
            "under by a hair, %",
            "passes a ring",
            "readings",
            "inside, %",
            "asked back, %",
            "ms a ring",
        ):
            table.add_column(column, justify="left" if column == "player" else "right")
        for result in rows:
            table.add_row(*result.row())
        console.print(table)
        for result in rows:
            if result.wary:
                low, high = (1e3 * share for share in wilson(result.wary_over, result.wary))
                console.print(
                    f"{result.player}, begun after a surprise: {result.wary} rings, "
                    f"{1e3 * result.wary_over / result.wary:.1f} of 1000 [{low:.1f}, {high:.1f}] "
                    "over by a hair or more"
                )


def show_calibration(console: Console, results: Sequence[Result]) -> None:
    """Of rings told inside with a believed chance in a bin: how many are, all of ours together."""
    ours = [result for result in results if result.player == "ours" and result.told]
    table = Table(title=f"told inside or likely inside, {len(ours)} scenarios")
    for column in ("believed", "rings", "truly inside, %", "95 %"):
        table.add_column(column, justify="right")
    for n, (low, high) in enumerate(pairwise(BINS)):
        count = sum(result.told[n] for result in ours)
        right = sum(result.told_inside[n] for result in ours)
        least, most = (100 * share for share in wilson(right, count))
        share = f"{100 * right / count:.1f}" if count else ""
        table.add_row(f"{low} to {high}", f"{count}", share, f"{least:.1f} to {most:.1f}")
    console.print(table)


def plot(results: Sequence[Result], path: Path) -> None:
    """Passes against spoiled rings, one mark a player, one panel a scenario."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    names = list(dict.fromkeys(result.scenario for result in results))
    columns = min(4, len(names))
    lines = -(-len(names) // columns)
    figure, axes = plt.subplots(lines, columns, figsize=(4 * columns, 3.2 * lines), squeeze=False)
    for axis, name in zip(axes.flat, names, strict=False):
        for result in (result for result in results if result.scenario == name):
            low, high = (1e3 * x for x in wilson(result.spoiled, result.rings))
            axis.plot([result.passes] * 2, [max(low, 0.01), max(high, 0.01)], color="0.7")
            share = max(1e3 * result.spoiled / result.rings, 0.01)
            axis.plot(result.passes, share, "o", label=result.player)
        axis.set_yscale("log")
        axis.axhline(1.0, color="0.5", linestyle=":")
        axis.set_title(name, fontsize=9)
        axis.set_xlabel("passes a ring", fontsize=8)
        axis.set_ylabel("spoiled, of 1000", fontsize=8)
    for axis in axes.flat[len(names) :]:
        axis.axis("off")
    axes.flat[0].legend(fontsize=7)
    figure.tight_layout()
    figure.savefig(path, dpi=120)


def main() -> None:
    """Read the options, play, print, plot."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--rings", type=int, default=100_000, help="rings of ours, default scenario"
    )
    parser.add_argument("--other-rings", type=int, default=20_000, help="rings in other scenarios")
    parser.add_argument("--optimum-rings", type=int, default=10_000, help="rings of each optimum")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenarios", nargs="*", choices=list(SCENARIOS), default=list(SCENARIOS))
    parser.add_argument("--players", nargs="*", choices=PLAYERS, default=list(PLAYERS))
    parser.add_argument("--kept", type=Path, help="file of results, read and added to")
    parser.add_argument("--plot", type=Path, help="write a plot to this PNG file")
    options = parser.parse_args()
    kept = Kept(options.kept, options.seed)
    console = Console(width=120)
    results: list[Result] = []
    with ProcessPoolExecutor(options.jobs) as pool, Progress(console=console) as progress:
        for key in options.scenarios:
            scenario = SCENARIOS[key]
            own_rings = options.rings if key == "default" else options.other_rings
            players = ["ours"] if scenario.file else options.players  # others play a dial
            for player in players:
                rings = own_rings if player == "ours" else min(options.optimum_rings, own_rings)
                rings = -(-rings // scenario.rings_per_engine) * scenario.rings_per_engine
                make = partial(play_many, player, scenario, rings, pool, progress, options.seed)
                results.append(kept.result(scenario, player, rings, make))
            rings = max(own_rings, 100_000)
            results += [
                kept.result(
                    scenario, name, rings, partial(rule_result, scenario, name, rings, options.seed)
                )
                for name in ([] if scenario.file else RULES)
            ]
            show(console, [result for result in results if result.scenario == scenario.name])
    show_calibration(console, results)
    if options.plot is not None:
        plot(results, options.plot)
        console.print(f"plot: {options.plot.name}")


if __name__ == "__main__":
    main()
