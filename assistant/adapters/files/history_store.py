"""Past sessions in SQLite, in memory: one table of sessions, one of rings, and sums over them.

SQLite comes with Python. What is slow is reading the lines, not summing the rows.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

_SCHEMA = """
CREATE TABLE sessions (
    id INTEGER PRIMARY KEY, path TEXT, mark TEXT, who TEXT, person TEXT, tool TEXT,
    unit TEXT, job TEXT, software TEXT, began TEXT, ended TEXT, events INTEGER, calls INTEGER,
    refused INTEGER, corrections INTEGER, questions INTEGER, notes INTEGER, start TEXT
);
CREATE TABLE rings (
    session INTEGER, cylinder INTEGER, position TEXT, piece INTEGER, first_at TEXT, last_at TEXT,
    readings INTEGER, passes INTEGER, fed_nm INTEGER, strokes INTEGER, outcome TEXT
);
"""
SESSION = (
    "mark", "who", "person", "tool", "unit", "job", "software", "began", "ended", "events",
    "calls", "refused", "corrections", "questions", "notes",
)  # fmt: skip
RING = (
    "cylinder", "position", "piece", "first_at", "last_at", "readings", "passes", "fed_nm",
    "strokes", "outcome",
)  # fmt: skip

_ADD_SESSION = (
    f"INSERT INTO sessions (path, {', '.join(SESSION)}, start) "  # noqa: S608 own names
    f"VALUES (?, {'?, ' * len(SESSION)} ?)"
)
_ADD_RING = f"INSERT INTO rings VALUES (?{', ?' * len(RING)})"  # noqa: S608 own names

_COPIES = """
DELETE FROM sessions WHERE id NOT IN (
    SELECT id FROM (
        SELECT id, row_number() OVER (PARTITION BY mark ORDER BY events DESC, path) AS place
        FROM sessions
    ) WHERE place = 1
)
"""

# {key}: what rows are made of. Passes and readings are of rings that came to an end.
_SUMS = """
WITH called AS (
    SELECT who, {key} AS key, count(*) AS sessions, sum(events) AS events, sum(calls) AS calls,
        sum(refused) AS refused, sum(corrections) AS corrections, sum(questions) AS questions,
        sum(notes) AS notes, min(began) AS began, max(ended) AS ended
    FROM sessions GROUP BY who, key
), fitted AS (
    SELECT who, {key} AS key,
        sum(outcome = 'accepted') AS accepted, sum(outcome = 'outside') AS outside,
        sum(outcome = 'spoiled') AS spoiled, sum(outcome = 'skipped') AS skipped,
        sum(outcome = 'open') AS open,
        avg(passes) FILTER (WHERE outcome IN ('accepted', 'outside', 'spoiled'))
            AS passes_per_ring,
        avg(readings) FILTER (WHERE outcome IN ('accepted', 'outside', 'spoiled'))
            AS readings_per_ring,
        sum(passes * passes) FILTER (WHERE outcome IN ('accepted', 'outside', 'spoiled'))
            AS passes_squares,
        sum(readings * readings) FILTER (WHERE outcome IN ('accepted', 'outside', 'spoiled'))
            AS readings_squares
    FROM rings JOIN sessions ON sessions.id = rings.session GROUP BY who, key
), newest AS (
    SELECT who, {key} AS key, max(began), start FROM sessions
    WHERE start IS NOT NULL GROUP BY who, key
)
SELECT called.*, coalesce(accepted, 0) AS accepted, coalesce(outside, 0) AS outside,
    coalesce(spoiled, 0) AS spoiled, coalesce(skipped, 0) AS skipped, coalesce(open, 0) AS open,
    passes_per_ring, readings_per_ring, coalesce(passes_squares, 0) AS passes_squares,
    coalesce(readings_squares, 0) AS readings_squares, newest.start AS start
FROM called LEFT JOIN fitted USING (who, key) LEFT JOIN newest USING (who, key) ORDER BY who, key
"""

_DAY, _MONTH, _YEAR = 10, 7, 4
_MOST_POINTS = 36
_POINTS = f"""
SELECT count(DISTINCT substr(began, 1, {_DAY})), count(DISTINCT substr(began, 1, {_MONTH}))
FROM sessions WHERE who = ?
"""  # noqa: S608 own numbers


class HistoryStore:
    """Rows of past sessions; close it when done."""

    def __init__(self) -> None:
        self._db = sqlite3.connect(":memory:")
        self._db.row_factory = sqlite3.Row
        self._db.executescript(_SCHEMA)
        self._summed: dict[str, dict[str, list[dict[str, Any]]]] = {}

    def add(
        self, path: str, session: Sequence[object], start: Mapping[str, float] | None,
        rings: Iterable[Sequence[object]],
    ) -> None:  # fmt: skip
        """One session: values of SESSION, learned values it began with, values of RING for each."""
        row = [path, *session, None if start is None else json.dumps(start)]
        added = self._db.execute(_ADD_SESSION, row)
        self._db.executemany(_ADD_RING, ((added.lastrowid, *ring) for ring in rings))

    def drop_copies(self) -> int:
        """Keep the longest of all copies of one session; how many were dropped."""
        dropped = self._db.execute(_COPIES).rowcount
        self._db.execute("DELETE FROM rings WHERE session NOT IN (SELECT id FROM sessions)")
        return dropped

    def whos(self) -> Sequence[str]:
        """Every person with a tool, in order."""
        return list(self._rows("'all'"))

    def sums(self, who: str) -> dict[str, Any]:
        """Sums over all sessions of ``who``; means are None where no ring came to an end."""
        return self._rows("'all'")[who][0]

    def periods(self, who: str) -> Sequence[dict[str, Any]]:
        """The same by the day, month or year (``key``) on which sessions began, oldest first.

        Days if there are few of them, else months, else years.
        """
        days, months = self._db.execute(_POINTS, (who,)).fetchone()
        length = _DAY if days <= _MOST_POINTS else _MONTH if months <= _MOST_POINTS else _YEAR
        return self._rows(f"substr(began, 1, {length})")[who]

    def sessions(self) -> Iterator[dict[str, Any]]:
        """Every session, by the names of the columns."""
        for row in self._db.execute("SELECT * FROM sessions ORDER BY path"):
            yield dict(row)

    def rings(self) -> Iterator[dict[str, Any]]:
        """Every ring, with the columns of its session."""
        for row in self._db.execute(
            "SELECT * FROM rings JOIN sessions ON sessions.id = rings.session ORDER BY path"
        ):
            yield dict(row)

    def close(self) -> None:
        """Give the memory back; again does no harm."""
        self._db.close()

    def _rows(self, key: str) -> dict[str, list[dict[str, Any]]]:
        """Sums by who and key, made once: all sessions are in before anything is asked."""
        if key not in self._summed:
            summed: dict[str, list[dict[str, Any]]] = {}
            for row in map(dict, self._db.execute(_SUMS.format(key=key))):
                row["start"] = None if row["start"] is None else json.loads(row["start"])
                summed.setdefault(row["who"], []).append(row)
            self._summed[key] = summed
        return self._summed[key]
