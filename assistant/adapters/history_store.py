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
_SESSION = (
    "path", "mark", "who", "person", "tool", "unit", "job", "software", "began", "ended", "events",
    "calls", "refused", "corrections", "questions", "notes",
)  # fmt: skip
_RING = (
    "cylinder", "position", "piece", "first_at", "last_at", "readings", "passes", "fed_nm",
    "strokes", "outcome",
)  # fmt: skip

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
    SELECT {key} AS key, count(*) AS sessions, sum(events) AS events, sum(calls) AS calls,
        sum(refused) AS refused, sum(corrections) AS corrections, sum(questions) AS questions,
        sum(notes) AS notes, min(began) AS began, max(ended) AS ended
    FROM sessions WHERE who = :who GROUP BY key
), fitted AS (
    SELECT {key} AS key,
        sum(outcome = 'accepted') AS accepted, sum(outcome = 'outside') AS outside,
        sum(outcome = 'spoiled') AS spoiled, sum(outcome = 'skipped') AS skipped,
        sum(outcome = 'open') AS open,
        avg(passes) FILTER (WHERE outcome IN ('accepted', 'outside', 'spoiled'))
            AS passes_per_ring,
        avg(readings) FILTER (WHERE outcome IN ('accepted', 'outside', 'spoiled'))
            AS readings_per_ring
    FROM rings JOIN sessions ON sessions.id = rings.session WHERE who = :who GROUP BY key
), newest AS (
    SELECT {key} AS key, max(began), start FROM sessions
    WHERE who = :who AND start IS NOT NULL GROUP BY key
)
SELECT called.*, coalesce(accepted, 0) AS accepted, coalesce(outside, 0) AS outside,
    coalesce(spoiled, 0) AS spoiled, coalesce(skipped, 0) AS skipped, coalesce(open, 0) AS open,
    passes_per_ring, readings_per_ring, newest.start AS start
FROM called LEFT JOIN fitted USING (key) LEFT JOIN newest USING (key) ORDER BY key
"""

_DAY, _MONTH, _YEAR = 10, 7, 4
_MOST_POINTS = 36


class HistoryStore:
    """Rows of past sessions; close it when done."""

    def __init__(self) -> None:
        self._db = sqlite3.connect(":memory:")
        self._db.row_factory = sqlite3.Row
        self._db.executescript(_SCHEMA)

    def add(
        self, session: Mapping[str, Any], start: Mapping[str, float] | None,
        rings: Iterable[Mapping[str, Any]],
    ) -> None:  # fmt: skip
        """One session and its rings, by the names of the columns. start: learned values."""
        row = [session[name] for name in _SESSION]
        marks = ", ".join("?" * (len(row) + 1))
        added = self._db.execute(
            f"INSERT INTO sessions ({', '.join(_SESSION)}, start) VALUES ({marks})",  # noqa: S608 own names
            [*row, None if start is None else json.dumps(start)],
        )
        marks = ", ".join("?" * (len(_RING) + 1))
        self._db.executemany(
            f"INSERT INTO rings VALUES ({marks})",  # noqa: S608 own names
            ([added.lastrowid, *(ring[name] for name in _RING)] for ring in rings),
        )

    def drop_copies(self) -> int:
        """Keep the longest of all copies of one session; how many were dropped."""
        dropped = self._db.execute(_COPIES).rowcount
        self._db.execute("DELETE FROM rings WHERE session NOT IN (SELECT id FROM sessions)")
        return dropped

    def whos(self) -> Sequence[str]:
        """Every person with a tool, in order."""
        return [
            row[0] for row in self._db.execute("SELECT DISTINCT who FROM sessions ORDER BY who")
        ]

    def sums(self, who: str) -> dict[str, Any]:
        """Sums over all sessions of ``who``; means are None where no ring came to an end."""
        return self._rows("'all'", who)[0]

    def periods(self, who: str) -> Sequence[dict[str, Any]]:
        """The same by the day, month or year (``key``) on which sessions began, oldest first.

        Days if there are few of them, else months, else years.
        """
        for length in (_DAY, _MONTH, _YEAR):
            key = f"substr(began, 1, {length})"
            rows = self._rows(key, who)
            if len(rows) <= _MOST_POINTS:
                break
        return rows

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

    def _rows(self, key: str, who: str) -> list[dict[str, Any]]:
        found = [dict(row) for row in self._db.execute(_SUMS.format(key=key), {"who": who})]
        for row in found:
            row["start"] = None if row["start"] is None else json.loads(row["start"])
        return found
