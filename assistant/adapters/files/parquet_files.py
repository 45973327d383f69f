"""Writes events, rings and sessions of old logs as Parquet, through DuckDB (extra ``history``)."""

import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from assistant.errors import InstallationError, LogError

_EVENT = (
    "STRUCT(kind VARCHAR, cylinder INTEGER, position VARCHAR, leaf_nm BIGINT, leaves INTEGER, "
    'feel VARCHAR, feed_nm BIGINT, strokes INTEGER, "check" VARCHAR, outside BOOLEAN, '
    "fresh BOOLEAN, source VARCHAR, words VARCHAR, command VARCHAR, refused VARCHAR, "
    "score DOUBLE, start_s DOUBLE, end_s DOUBLE, clip VARCHAR, text VARCHAR, about VARCHAR, "
    "yes BOOLEAN, retracted_turn INTEGER, detail VARCHAR)"
)
_EVENTS = f"""(
    WITH lines AS (
        SELECT filename AS log, v, seq, "at", turn, event FROM read_json(
            getvariable('logs'), format = 'newline_delimited', filename = true,
            ignore_errors = true, maximum_object_size = 16777216,
            columns = {{'v': 'INTEGER', 'seq': 'BIGINT', 'at': 'VARCHAR', 'turn': 'BIGINT',
                        'event': '{_EVENT}'}})
        -- What lies behind the counted events was not written to its end.
        WHERE seq < (SELECT events FROM sessions WHERE sessions.log = filename)
    ), taken_back AS (
        SELECT DISTINCT log, event.retracted_turn AS turn FROM lines
        WHERE event.kind = 'entry retracted'
    )
    SELECT lines.log, v AS form, seq, CAST("at" AS TIMESTAMPTZ) AS at_utc, lines.turn, event.kind,
        taken_back.turn IS NOT NULL AS taken_back, event.* EXCLUDE (kind)
    FROM lines LEFT JOIN taken_back ON lines.log = taken_back.log AND lines.turn = taken_back.turn
    ORDER BY lines.log, seq
)"""  # noqa: S608 own names
_TABLES = {
    "sessions": {
        "log": "VARCHAR", "person": "VARCHAR", "tool": "VARCHAR", "unit": "VARCHAR",
        "job": "VARCHAR", "software": "VARCHAR", "began_utc": "TIMESTAMPTZ",
        "ended_utc": "TIMESTAMPTZ", "events": "INTEGER", "calls": "INTEGER", "refused": "INTEGER",
        "corrections": "INTEGER", "questions": "INTEGER", "notes": "INTEGER",
    },
    "rings": {
        "log": "VARCHAR", "cylinder": "INTEGER", "position": "VARCHAR", "piece": "INTEGER",
        "first_at_utc": "TIMESTAMPTZ", "last_at_utc": "TIMESTAMPTZ", "readings": "INTEGER",
        "passes": "INTEGER", "fed_nm": "BIGINT", "strokes": "INTEGER", "outcome": "VARCHAR",
    },
}  # fmt: skip
_NAMED = {"path": "log", "began": "began_utc", "ended": "ended_utc", "first_at": "first_at_utc",
          "last_at": "last_at_utc"}  # fmt: skip


def write_parquet(
    folder: Path, sessions: Iterable[Mapping[str, Any]], rings: Iterable[Mapping[str, Any]]
) -> None:
    """Write events, rings and sessions into ``folder``, one file each, whole or not at all.

    sessions, rings: rows of HistoryStore; the logs of the sessions are read again for the events.
    Raises InstallationError without DuckDB, LogError if a file cannot be written.
    """
    try:
        import duckdb
    except ImportError as error:
        raise InstallationError(
            "Parquet is written by DuckDB, which is not installed: pip install 'leafcall[history]'"
        ) from error
    files = {name: folder / f"{name}.parquet" for name in ("events", *_TABLES)}
    parts = {name: folder / f".{name}.part" for name in files}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with duckdb.connect() as db:
            db.execute("SET autoinstall_known_extensions = false; SET TimeZone = 'UTC'")
            for name, rows in (("sessions", sessions), ("rings", rings)):
                _load(db, name, rows, parts[name])
            db.execute("SET VARIABLE logs = (SELECT list(log) FROM sessions)")
            for name, query in (("events", _EVENTS), *((table, table) for table in _TABLES)):
                out = str(parts[name]).replace("'", "''")
                db.execute(f"COPY {query} TO '{out}' (FORMAT parquet, COMPRESSION zstd)")
            for name, part in parts.items():
                part.replace(files[name])
    except OSError as error:
        raise LogError(f"{folder} cannot be written: {error.strerror}. Choose another.") from error
    except duckdb.Error as error:
        raise LogError(f"{folder}: {error}") from error
    finally:
        for part in parts.values():
            with suppress(OSError):
                part.unlink()


def _load(db: Any, name: str, rows: Iterable[Mapping[str, Any]], part: Path) -> None:
    """Rows into a table of their own; by way of a file, row by row is slow."""
    columns = _TABLES[name]
    with part.open("w", encoding="utf-8") as file:
        for row in rows:
            named = {_NAMED.get(key, key): value for key, value in row.items()}
            file.write(f"{json.dumps({key: named[key] for key in columns})}\n")
    types = ", ".join(f"'{key}': '{kind}'" for key, kind in columns.items())
    db.execute(
        f"CREATE TABLE {name} AS SELECT * FROM read_json("  # noqa: S608 own names
        f"$part, format = 'newline_delimited', columns = {{{types}}})",
        {"part": str(part)},
    )
