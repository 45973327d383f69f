"""The history as one page of HTML: numbers and plots, from a ``History``. Pure.

The page needs nothing but itself: no script, no network. Everything that people typed is escaped.
The template is data (pages/history.html) and is handed in as text; plots are SVG made here.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, floor, log10

import jinja2

from assistant.bench.learned import Learned
from assistant.display.turn_lines import learned_lines
from assistant.history.summary import (
    WORDS,
    History,
    Period,
    Worker,
    told_mean,
    told_share,
)
from assistant.history.tally import Tally, change
from assistant.units import NM_PER_THOU

_LEAST_POINTS = 3  # fewer are told in figures
_EDGE = 0.03  # room beside the first and the last mark, as a share of the width
_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 440, 190, 54, 12, 12, 34


@dataclass(frozen=True, slots=True)
class Mark:
    """One period in a plot, in units of the picture. low, high: its bounds, None for none."""

    x: float
    y: float
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
                "passes": told_mean(worker.all.passes),
                "readings": told_mean(worker.all.readings),
                "spoiled": told_share(worker.all.spoiled),
                "refused": told_share(Tally(worker.all.calls, worker.all.refused)),
                "corrected": told_share(Tally(worker.all.calls, worker.all.corrections)),
            }
            for worker in history.workers
        ],
        share=lambda share: "-" if share is None else f"{share * 100:.1f} %",
        mean=lambda value: "-" if value is None else f"{value:.1f}",
        size={"width": _WIDTH, "height": _HEIGHT, "left": _LEFT, "right": _WIDTH - _RIGHT,
              "base": _HEIGHT - _BOTTOM},
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Point:
    """A value of one period and its bounds, as shown; n: of how many, 0 where that has no sense."""

    key: str
    value: float
    low: float
    high: float
    n: int = 0

    @property
    def told(self) -> str:
        """``2.1 (1.9 to 2.4)``."""
        if self.low == self.high:
            return f"{self.value:.3g}"
        return f"{self.value:.3g} ({self.low:.3g} to {self.high:.3g})"


def plots_of(worker: Worker) -> tuple[Plot, ...]:
    """The plots of one person with a tool, over time; none of fewer than three values."""
    counted: tuple[tuple[str, str, float, Callable[[Period], Tally]], ...] = (
        ("Passes a ring", "rings", 1.0, lambda one: one.passes),
        ("Readings a ring", "rings", 1.0, lambda one: one.readings),
        ("Spoiled, of 100 rings that ended", "rings", 100.0, lambda one: one.spoiled),
        ("Refused, of 100 calls", "calls", 100.0, lambda one: Tally(one.calls, one.refused)),
        ("Taken back, of 100 calls", "calls", 100.0, lambda one: Tally(one.calls, one.corrections)),
    )
    plots = [_counted(worker, *wanted) for wanted in counted]
    if worker.by_stroke:
        plots.append(_learned(
            worker, "One stroke takes, thou", lambda known: known.per_stroke_nm / NM_PER_THOU,
            lambda known: known.per_stroke_nm / NM_PER_THOU * known.per_stroke_sd,
        ))  # fmt: skip
    else:
        plots.append(_learned(
            worker, "The grinder takes, share of its feed", lambda known: known.rate,
            lambda known: known.rate * known.rate_sd,
        ))  # fmt: skip
    plots.append(_learned(
        worker, "Feel spreads by, thou", lambda known: known.spread_nm / NM_PER_THOU,
        lambda _: 0.0,
    ))  # fmt: skip
    return tuple(plot for plot in plots if plot is not None)


def _counted(
    worker: Worker, title: str, of: str, times: float, tally: Callable[[Period], Tally]
) -> Plot | None:
    points, tallies = [], []
    for one in worker.periods:
        found = tally(one)
        if found.n:
            low, high = found.interval or (found.value, found.value)
            tallies.append(found)
            points.append(
                _Point(one.key, found.value * times, max(0.0, low * times), high * times, found.n)
            )
    return _plot(title, points, of=of, about=change(tallies))


def _learned(
    worker: Worker, title: str, value: Callable[[Learned], float], sd: Callable[[Learned], float]
) -> Plot | None:
    points = [
        _Point(one.key, value(known), value(known) - sd(known), value(known) + sd(known))
        for one in worker.periods
        if (known := one.start) is not None
    ]
    return _plot(title, points, zoomed=True)


def _plot(
    title: str, points: Sequence[_Point], *, of: str = "", about: str = "", zoomed: bool = False
) -> Plot | None:
    """of: what was counted. about: the change, in words. zoomed: the scale begins near the values,
    not at 0."""
    if len(points) < _LEAST_POINTS:
        return None
    least = min(point.low for point in points)
    ticks = _scale(least if zoomed else min(0.0, least), max(point.high for point in points))
    bottom, top = ticks[0], ticks[-1]
    base, wide = _HEIGHT - _BOTTOM, _WIDTH - _LEFT - _RIGHT
    days = [_day(point.key) for point in points]

    def y(value: float) -> float:
        return round(base - (value - bottom) / (top - bottom) * (base - _TOP), 1)

    def x(day: int) -> float:
        share = (day - days[0]) / (days[-1] - days[0])
        return round(_LEFT + wide * (_EDGE + share * (1 - 2 * _EDGE)), 1)

    marks = tuple(
        Mark(
            x(day), y(point.value),
            f"{point.key}: {point.told}" + (f", {point.n} {of}" if of else ""),
            *((y(point.low), y(point.high)) if point.low < point.high else (None, None)),
        )
        for day, point in zip(days, points, strict=True)
    )  # fmt: skip
    first, last = points[0], points[-1]
    told = f"{first.key}: {first.told}. {last.key}: {last.told}."
    if of:
        told += f" {sum(point.n for point in points)} {of} in all; {about}."
    return Plot(
        title,
        told,
        marks,
        " ".join(f"{mark.x},{mark.y}" for mark in marks),
        tuple((y(tick), f"{tick:.4g}") for tick in ticks),
        first.key,
        last.key,
    )


def _day(key: str) -> int:
    """A day, or the middle of a month or year, counted in days."""
    year, month, day = (*map(int, key.split("-")), 0, 0)[:3]
    return date(year, month or 7, day or (15 if month else 1)).toordinal()


def _scale(low: float, high: float) -> tuple[float, ...]:
    """Ticks from below ``low`` to above ``high``, four to eight steps of 1, 2 or 5 times ten^n."""
    span = max(high - low, abs(high) * 0.01) or 1.0
    power = 10.0 ** floor(log10(span))
    step = next(power * part for part in (0.2, 0.5, 1.0, 2.0, 5.0) if span / (power * part) <= 5)
    first = floor(low / step + 1e-9)
    last = max(ceil(high / step - 1e-9), first + 1)
    return tuple(n * step for n in range(first, last + 1))
