"""Sessions as a builder would have typed them, for tests and the benchmark of the history.

A simulated builder follows the bench's own advice on a simulated ring (gap, rate and feel are drawn
here, apart from the product's own model), misspeaks now and then, takes back, talks to a neighbour
and spoils a ring now and then. Every event comes from the real dialogue.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import groupby
from pathlib import Path
from random import Random

from assistant.bench.advice import Step, advise
from assistant.bench.events import Envelope, SessionOpened, to_lines
from assistant.bench.learned import Learned
from assistant.fitting.facts import Feel
from assistant.units import to_called
from tests.fakes import Bench

LEARNED = Learned(
    rate=1.05, rate_sd=0.04, cut_sd_nm=6000, cut_sd_doubt=0.3, per_stroke_nm=7600,
    per_stroke_sd=0.4, offset_nm=0, offset_sd_nm=2000, spread_nm=6000, spread_doubt=0.3,
    only_goes=0.1, rings=9,
)  # fmt: skip
"""Values as a session may have begun with."""


def play(bench: Bench, rng: Random, *, events: int) -> Bench:
    """Type calls until the log holds ``events`` events or the engine is done; the bench."""
    rate = rng.gauss(1.05, 0.05)
    gaps: dict[object, float] = {}
    numbers = bench.grammar.numbers
    assert numbers is not None
    while len(bench.store.events) < events and not bench.state.closed:
        if bench.state.pending is not None:
            bench.type("yes")
            continue
        advice = advise(bench.state)
        key = advice.key
        if key is None:
            bench.type("wrap up")
            break
        whim = rng.random()
        if whim < 0.04:
            bench.type("pass me the kettle please")
            continue
        if whim < 0.06:
            bench.type("take that back")
            continue
        gap_nm = gaps.setdefault(key, rng.uniform(5, 17) * 25_400)
        match advice.step:
            case Step.PICK:
                ring = key[1].value if "rail" in key[1].value else f"{key[1].value} ring"
                bench.type(f"cylinder {numbers.say(Decimal(key[0]))} {ring}")
                if bench.last.refused is not None:
                    bench.type("next ring")
            case Step.SEAT | Step.AFTER_CUT | Step.MEASURE if advice.stack_nm:
                play_nm = gap_nm - sum(advice.stack_nm) + rng.gauss(0, 6_000)
                feel = next(
                    word
                    for word, least in (
                        (Feel.GOES, 6_000), (Feel.SNUG, -6_000), (Feel.ALMOST, -19_000),
                        (Feel.NO_GO, -10**9),
                    )
                    if play_nm >= least
                )  # fmt: skip
                said = [numbers.say(to_called(nm, bench.job.unit)) for nm in advice.stack_nm]
                bench.type(f"{' plus '.join(said)} {feel.value}")
            case Step.CUT | Step.CUT_BUTTING:
                if advice.strokes:
                    gaps[key] = gap_nm + advice.strokes * bench.job.grinder.step_nm * rate
                    bench.type(f"{numbers.say(Decimal(advice.strokes))} strokes")
                else:
                    gaps[key] = gap_nm + advice.feed_nm * rate + rng.gauss(0, 6_000)
                    bench.type(f"ground {numbers.say(to_called(advice.feed_nm, bench.job.unit))}")
            case Step.DRESS:
                bench.type("deburred")
                bench.type("ends are square")
            case _:
                bench.type("spoiled ring" if whim < 0.12 else "accept it")
                gaps.pop(key, None)
    return bench


def log_lines(envelopes: Iterable[Envelope], *, before: str = "") -> str:
    """The events as the lines of a log, each turn written together."""
    text = ""
    for _, turn in groupby(envelopes, key=lambda envelope: envelope.turn):
        lines, before = to_lines(turn, before=before)
        text += lines
    return text


def write_log(
    path: Path, envelopes: Sequence[Envelope], *, began: datetime | None = None, person: str = ""
) -> Path:
    """The events as a log file; moved in time to ``began`` and given to ``person`` if wanted."""
    moved = timedelta() if began is None else began - envelopes[0].at
    made = [one.model_copy(update={"at": one.at + moved}) for one in envelopes]
    if person:
        opened = made[0].event
        assert isinstance(opened, SessionOpened)
        theirs = opened.model_copy(update={"job": opened.job.model_copy(update={"person": person})})
        made[0] = made[0].model_copy(update={"event": theirs})
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(log_lines(made), encoding="utf-8")
    return path
