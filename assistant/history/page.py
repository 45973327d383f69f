"""The history as one page of HTML: numbers and plots, from a ``History``. Pure.

The page needs nothing but itself: no script, no network. Everything that people typed is escaped.
The template is data (pages/history.html) and is handed in as text; plots are SVG made here.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

import jinja2

from assistant.bench.learned import Learned
from assistant.display.turn_lines import learned_lines
from assistant.history.summary import WORDS, History, Period, Worker, trend

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 440, 190, 46, 12, 12, 34


@dataclass(frozen=True, slots=True)
class Mark:
    """One period in a plot, in units of the picture. y None: no value. low, high: its band."""

    x: float
    y: float | None
    told: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot: title, what it tells in words, marks, the line through them, ticks (y, text)."""

    title: str
    told: str
    marks: tuple[Mark, ...]
    line: str
    ticks: tuple[tuple[float, str], ...]
    first: str
    last: str


def history_page(history: History, *, template: str) -> str:
    """The page. template: text of pages/history.html."""
    page = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(template)
    return page.render(
        history=history,
        sessions=sum(worker.all.sessions for worker in history.workers),
        events=sum(worker.all.events for worker in history.workers),
        outcomes=WORDS,
        workers=[
            {
                "who": str(worker.who),
                "all": worker.all,
                "learned": []
                if worker.now is None
                else [
                    f"from {worker.now.rings} rings",
                    *learned_lines(worker.who.tool, worker.now),
                ],
                "plots": plots_of(worker),
                "periods": worker.periods,
            }
            for worker in history.workers
        ],
        share=lambda share: "-" if share is None else f"{share * 100:.1f} %",
        mean=lambda value: "-" if value is None else f"{value:.1f}",
        size={"width": _WIDTH, "height": _HEIGHT, "left": _LEFT, "right": _WIDTH - _RIGHT,
              "base": _HEIGHT - _BOTTOM},
    )  # fmt: skip


def plots_of(worker: Worker) -> tuple[Plot, ...]:
    """The plots of one person with a tool, over time; those without a value are left out."""

    def learned(part: Callable[[Learned], float]) -> Callable[[Period], float | None]:
        return lambda one: None if one.start is None else part(one.start)

    if worker.by_stroke:
        title = "One stroke takes, micrometres"
        taken = learned(lambda known: known.per_stroke_nm / 1000)
        spread = learned(lambda known: known.per_stroke_nm / 1000 * known.per_stroke_sd)
    else:
        title = "The grinder takes, share of its feed"
        taken = learned(lambda known: known.rate)
        spread = learned(lambda known: known.rate * known.rate_sd)
    wanted: tuple[tuple[str, Callable[[Period], float | None], _Spread], ...] = (
        ("Passes a ring", lambda one: one.passes_per_ring, None),
        ("Readings a ring", lambda one: one.readings_per_ring, None),
        ("Spoiled, of 100 rings that ended", _spoiled, None),
        ("Refused calls, of 100", lambda one: _hundred(one.refused_share), None),
        ("Taken back, of 100 calls", lambda one: _hundred(one.corrected_share), None),
        (title, taken, spread),
        ("Feel spreads by, micrometres", learned(lambda known: known.spread_nm / 1000), None),
    )
    plots = (
        _plot(title, worker.periods, value, spread, zoomed=spread is not None)
        for title, value, spread in wanted
    )
    return tuple(plot for plot in plots if plot is not None)


_Spread = Callable[[Period], float | None] | None


def _spoiled(one: Period) -> float | None:
    ended = one.rings["accepted"] + one.rings["outside"] + one.rings["spoiled"]
    return one.rings["spoiled"] / ended * 100 if ended else None


def _hundred(share: float | None) -> float | None:
    return None if share is None else share * 100


def _plot(
    title: str,
    periods: Sequence[Period],
    value: Callable[[Period], float | None],
    spread: _Spread,
    *,
    zoomed: bool,
) -> Plot | None:
    """zoomed: the scale begins near the values, not at 0."""
    values = [value(one) for one in periods]
    known = [v for v in values if v is not None]
    if not known:
        return None
    spreads = [(spread(one) if spread else None) or 0.0 for one in periods]
    spans = [(v - s, v + s) for v, s in zip(values, spreads, strict=True) if v is not None]
    least = min(low for low, _ in spans)
    ticks = _scale(least if zoomed else min(0.0, least), max(high for _, high in spans))
    bottom, top = ticks[0], ticks[-1]
    base, wide = _HEIGHT - _BOTTOM, _WIDTH - _LEFT - _RIGHT

    def y(v: float) -> float:
        return round(base - (v - bottom) / (top - bottom) * (base - _TOP), 1)

    def x(n: int) -> float:
        return round(_LEFT + wide * (n + 0.5) / len(periods), 1)

    marks = tuple(
        Mark(x(n), None, one.key)
        if v is None
        else Mark(
            x(n), y(v), f"{one.key}: {v:.3g}",
            low=y(v - s) if s else None, high=y(v + s) if s else None,
        )
        for n, (one, v, s) in enumerate(zip(periods, values, spreads, strict=True))
    )  # fmt: skip
    moved = trend(values)
    told = f"{title}: {known[0]:.3g} at first, {known[-1]:.3g} at last" + (
        "" if moved is None else f"; later half {moved * 100:+.0f} % against the earlier"
    )
    return Plot(
        title,
        told,
        marks,
        " ".join(f"{mark.x},{mark.y}" for mark in marks if mark.y is not None),
        tuple((y(tick), f"{tick:.4g}") for tick in ticks),
        periods[0].key,
        periods[-1].key,
    )


def _scale(low: float, high: float) -> tuple[float, ...]:
    """Ticks from below ``low`` to above ``high``, four to eight steps of 1, 2 or 5 times ten^n."""
    span = max(high - low, abs(high) * 0.01) or 1.0
    power = 10.0 ** floor(log10(span))
    step = next(power * part for part in (0.2, 0.5, 1.0, 2.0, 5.0) if span / (power * part) <= 5)
    first = floor(low / step + 1e-9)
    last = max(ceil(high / step - 1e-9), first + 1)
    return tuple(n * step for n in range(first, last + 1))
