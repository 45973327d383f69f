"""What ties a build sheet to its log: from which events it was made, and that nobody changed it.

Every form of the sheet (page, table, record) carries three values: ``log_events`` (how many events
of the log), ``log_check`` (check of the last of them, chain.py) and ``sheet_check``: the first 16
hex figures of SHA-256 over the sheet itself with sheet_check left out. They find accidents and
careless hands; whoever wants to forge a sheet can compute them too.
"""

import csv
import hashlib
import html
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from assistant.errors import SheetError

BLANK = "0" * 16
"""Stands for the sheet's check while it is computed."""

SEAL_COLUMNS = ("log_events", "log_check", "sheet_check")

_IN_PAGE = re.compile(
    r'data-log-events="(?P<events>\d{1,9})" data-log-check="(?P<log>[0-9a-f]{0,16})"'
    r' data-sheet-check="(?P<sheet>[0-9a-f]{16})"'
)


class Form(StrEnum):
    """The forms of a sheet, by the ending of the file."""

    PAGE = "html"
    TABLE = "csv"
    RECORD = "json"


class Verdict(StrEnum):
    """What a sheet and a log have to do with each other; the words are what is printed."""

    CURRENT = "belongs to this log, and holds all of it"
    OLDER = "belongs to this log, but the log went on afterwards: write the sheet again"
    ALTERED = "was changed after it was written: do not rely on it"
    FOREIGN = "was not made from this log, or the log was changed or cut off"


@dataclass(frozen=True, slots=True)
class Seal:
    """What a sheet says of itself. log_name: as it names its log. intact: its check is right."""

    log_events: int
    log_check: str
    log_name: str
    intact: bool


def sealed_page(page: str) -> str:
    """The page with its check in place of BLANK. It must hold the three values once."""
    found = _IN_PAGE.search(page)
    if found is None or found["sheet"] != BLANK:
        raise SheetError("The template of the sheet has no place for its check: install again.")
    start, end = found.span("sheet")
    return page[:start] + _check(page) + page[end:]


def sealed_rows(rows: Sequence[Sequence[object]]) -> list[list[str]]:
    """The rows of a table, a check added at the end of each; the first is the head."""
    text = [[str(cell) for cell in row] for row in rows]
    check = _check(_cells(text))
    return [[*text[0], "sheet_check"], *([*row, check] for row in text[1:])]


def sealed_record(record: Mapping[str, object]) -> dict[str, object]:
    """The record with its check as ``sheet_check``."""
    return {**record, "sheet_check": _check(_plain(record))}


def read_seal(text: str, form: Form) -> Seal:
    """What the sheet says of itself. Raises SheetError if it says nothing, so is no sheet."""
    try:
        match form:
            case Form.PAGE:
                return _of_page(text)
            case Form.TABLE:
                return _of_table(text)
            case Form.RECORD:
                return _of_record(text)
    except (LookupError, ValueError, TypeError, RecursionError, csv.Error) as error:
        raise SheetError(
            "The file is no build sheet of Leafcall, or its check was taken out: name the file "
            "that 'leafcall sheet' wrote."
        ) from error


def judge(seal: Seal, checks: Sequence[str]) -> Verdict:
    """Whether a sheet belongs to a log. checks: those of the log's lines, oldest first."""
    if not seal.intact:
        return Verdict.ALTERED
    if not 0 < seal.log_events <= len(checks) or checks[seal.log_events - 1] != seal.log_check:
        return Verdict.FOREIGN
    return Verdict.CURRENT if seal.log_events == len(checks) else Verdict.OLDER


def _of_page(text: str) -> Seal:
    found = _IN_PAGE.search(text)
    if found is None:
        raise ValueError(text[:0])
    start, end = found.span("sheet")
    name = re.search(r'data-log-name="([^"]*)"', text)
    return Seal(
        int(found["events"]), found["log"], html.unescape(name[1]) if name else "",
        _check(text[:start] + BLANK + text[end:]) == found["sheet"],
    )  # fmt: skip


def _of_table(text: str) -> Seal:
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    head = rows[0]
    first = dict(zip(head, rows[1], strict=True))
    at = head.index("sheet_check")
    same = {row[at] for row in rows[1:]} == {first["sheet_check"]}
    bare = [[*row[:at], *row[at + 1 :]] for row in rows]
    intact = same and _check(_cells(bare)) == first["sheet_check"]
    return Seal(int(first["log_events"]), first["log_check"], first["log"], intact)


def _of_record(text: str) -> Seal:
    record = json.loads(text)
    if not isinstance(record, dict):
        raise TypeError(type(record))
    bare = {key: value for key, value in record.items() if key != "sheet_check"}
    intact = _check(_plain(bare)) == record["sheet_check"]
    return Seal(int(record["log_events"]), str(record["log_check"]), str(record["log"]), intact)


def _check(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _cells(rows: Sequence[Sequence[str]]) -> str:
    # JSON, so that no cell can hold what separates cells.
    return json.dumps([list(row) for row in rows])


def _plain(record: Mapping[str, object]) -> str:
    return json.dumps(record, sort_keys=True)
