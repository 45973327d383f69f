"""What many sessions tell of a person with a tool: numbers, trends, and how they are told."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from assistant.bench.learned import Learned
from assistant.bench.ring_status import RingStatus
from assistant.display.turn_lines import learned_lines
from assistant.fitting.bench import GrinderKind, PersonAndTool
from assistant.history.past_session import (
    ACCEPTED,
    OPEN,
    OUTCOMES,
    OUTSIDE,
    SKIPPED,
    SPOILED,
)
from assistant.history.tally import Tally

WORDS = {
    ACCEPTED: RingStatus.ACCEPTED.value,
    OUTSIDE: "accepted, not surely inside",
    SPOILED: RingStatus.SPOILED.value,
    SKIPPED: RingStatus.SKIPPED.value,
    OPEN: RingStatus.IN_WORK.value,
}
"""Outcomes as they are shown. A log tells of an acceptance only whether it was surely inside, so
the kinds of doubt of RingStatus are one here."""

FORM = 1
"""Of the JSON; raised when a name in it changes its meaning or goes."""


@dataclass(frozen=True, slots=True)
class Period:
    """Sums over the sessions that began in one day, month or year (``key``, UTC), or over all.

    events, calls, refused, corrections, questions, notes: counts; corrections are entries taken
    back. rings: how many ended each way, by the names of ``history.OUTCOMES``. passes_per_ring,
    readings_per_ring: means over rings that were accepted or spoiled, None where there was none;
    passes_squares, readings_squares: sums of the squares over them.
    start: what the newest of the sessions had begun with, None if with the usual values.
    """

    key: str
    began: str
    ended: str
    sessions: int
    events: int
    calls: int
    refused: int
    corrections: int
    questions: int
    notes: int
    rings: Mapping[str, int]
    passes_per_ring: float | None
    readings_per_ring: float | None
    passes_squares: int
    readings_squares: int
    start: Learned | None

    @property
    def rings_ended(self) -> int:
        """Rings that were accepted or spoiled."""
        return sum(self.rings[name] for name in (ACCEPTED, OUTSIDE, SPOILED))

    @property
    def passes(self) -> Tally:
        """Passes of the rings that ended."""
        return self._mean(self.passes_per_ring, self.passes_squares)

    @property
    def readings(self) -> Tally:
        """Readings of the rings that ended."""
        return self._mean(self.readings_per_ring, self.readings_squares)

    def _mean(self, mean: float | None, squares: int) -> Tally:
        return Tally(self.rings_ended, (mean or 0.0) * self.rings_ended, squares)

    @property
    def spoiled(self) -> Tally:
        """Spoiled among the rings that ended."""
        return Tally(self.rings_ended, self.rings[SPOILED])

    @property
    def refused_share(self) -> float | None:
        """Refused calls as a share of all calls, None without a call."""
        return self.refused / self.calls if self.calls else None

    @property
    def corrected_share(self) -> float | None:
        """Entries taken back as a share of all calls, None without a call."""
        return self.corrections / self.calls if self.calls else None


@dataclass(frozen=True, slots=True)
class Worker:
    """One person with one kind of tool, and what their sessions tell.

    now: learned values that the next job starts from, None where nothing is kept.
    """

    who: PersonAndTool
    all: Period
    periods: tuple[Period, ...]
    now: Learned | None

    @property
    def by_stroke(self) -> bool:
        """Whether the tool is a file, so that its rate is of a stroke."""
        return self.who.tool is GrinderKind.FILE


@dataclass(frozen=True, slots=True)
class History:
    """All sessions that were read. left_out: (path, why) of logs that could not be counted.

    copies: logs of a session that is counted already.
    """

    workers: tuple[Worker, ...]
    logs: int
    left_out: tuple[tuple[str, str], ...] = ()
    copies: int = 0


def period(row: Mapping[str, Any]) -> Period:
    """A period from a row of sums, by the names of its fields; outcomes are columns of the row."""
    start = row["start"]
    return Period(
        **{
            name: row[name]
            for name in Period.__dataclass_fields__
            if name not in ("rings", "start")
        },
        rings={outcome: row[outcome] for outcome in OUTCOMES},
        start=None if start is None else Learned.model_validate(start),
    )


def history_lines(history: History) -> Iterator[str]:
    """The history as lines to read; times are as stored, in UTC."""
    counted = sum(worker.all.sessions for worker in history.workers)
    events = sum(worker.all.events for worker in history.workers)
    yield f"{counted} sessions, {events} events, from {history.logs} logs"
    if history.copies:
        yield f"{history.copies} logs are copies of others, counted once"
    for worker in history.workers:
        yield ""
        yield str(worker.who)
        yield from (f"  {line}" for line in _worker_lines(worker))
    if history.left_out:
        yield ""
        yield f"Not counted, {len(history.left_out)}:"
        for path, why in history.left_out:
            yield f"  {path}: {why}"


def _worker_lines(worker: Worker) -> Iterator[str]:
    whole = worker.all
    yield f"sessions  {whole.sessions}, {whole.began[:10]} to {whole.ended[:10]}"
    rings = "; ".join(f"{count} {WORDS[name]}" for name, count in whole.rings.items() if count)
    yield f"rings     {rings or 'none'}"
    yield (
        f"a ring    {told_mean(whole.passes)} passes, {told_mean(whole.readings)} readings, "
        f"{told_share(whole.spoiled)} spoiled"
    )
    yield (
        f"calls     {whole.calls}: {told_share(Tally(whole.calls, whole.refused))} refused, "
        f"{told_share(Tally(whole.calls, whole.corrections))} taken back, "
        f"{whole.questions} asked back, {whole.notes} notes"
    )
    yield "          in brackets: the 95 % confidence interval"
    if worker.now is not None:
        yield f"learned   from {worker.now.rings} rings"
        yield from (f"          {line}" for line in learned_lines(worker.who.tool, worker.now))
    else:
        yield "learned   nothing is kept; 'leafcall learned --rebuild FOLDER' learns it anew"
    if len(worker.periods) < 2:
        return
    rate = "nm/stroke" if worker.by_stroke else "rate"
    heads = ("began", "rings", "spoiled", "passes", "readings", "refused", "taken back", rate,
             "feel nm")  # fmt: skip
    yield "".join(f"{head:>{_WIDTH}}" for head in heads)
    for one in worker.periods:
        cells = (
            one.key, str(sum(one.rings.values())), str(one.rings["spoiled"]),
            _mean(one.passes_per_ring), _mean(one.readings_per_ring), _percent(one.refused_share),
            _percent(one.corrected_share), rate_of(worker, one.start),
            "-" if one.start is None else f"{one.start.spread_nm:.0f}",
        )  # fmt: skip
        yield "".join(f"{cell:>{_WIDTH}}" for cell in cells)


_WIDTH = 12


def rate_of(worker: Worker, learned: Learned | None) -> str:
    """What the tool takes off, as it was learned: share of the feed, or nm a stroke; "-" if not."""
    if learned is None:
        return "-"
    return f"{learned.per_stroke_nm:.0f}" if worker.by_stroke else f"{learned.rate:.3f}"


def _mean(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def told_mean(tally: Tally) -> str:
    """A mean with its interval: ``2.1 (1.9 to 2.4)``, ``-`` where nothing was counted."""
    return _told(tally, 1.0, "")


def told_share(tally: Tally) -> str:
    """A share with its interval: ``4.2 % (2.0 to 8.5)``, ``-`` where nothing was counted."""
    return _told(tally, 100.0, " %")


def _told(tally: Tally, times: float, unit: str) -> str:
    if not tally.n:
        return "-"
    bounds = tally.interval
    words = f"{tally.value * times:.1f}{unit}"
    if bounds is None:
        return words
    return f"{words} ({bounds[0] * times:.1f} to {bounds[1] * times:.1f})"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{share * 100:.1f} %"


def history_json(history: History) -> str:
    """The history as one JSON object for other programs: fields of History, with ``form``.

    Lengths are nm, shares 0..1, times UTC; ``learned_now`` and ``learned_at_start`` are as in
    ``learned.Learned`` or null.
    """

    def told(one: Period) -> dict[str, Any]:
        facts = {**asdict(one), "learned_at_start": _dumped(one.start)}
        del facts["start"]
        return facts

    return json.dumps(
        {
            "form": FORM,
            "logs": history.logs,
            "copies": history.copies,
            "left_out": [{"log": path, "why": why} for path, why in history.left_out],
            "workers": [
                {
                    "who": str(worker.who),
                    "learned_now": _dumped(worker.now),
                    "all": told(worker.all),
                    "periods": [told(one) for one in worker.periods],
                }
                for worker in history.workers
            ],
        },
        ensure_ascii=False,
    )


def _dumped(learned: Learned | None) -> dict[str, Any] | None:
    return None if learned is None else learned.model_dump()
