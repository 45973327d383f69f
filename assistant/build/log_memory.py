"""What is known of a session's log apart from the log: seals of its sheets, and its kept head.

So a log that lost its end is told from a whole one, and a sheet that knew more is not written over.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from assistant.adapters.files.log_heads import LogHeads
from assistant.adapters.files.session_log import scan_log
from assistant.adapters.files.sheet_file import read_sheet
from assistant.bench.log_chain import Head, Scan, held_against
from assistant.errors import SheetError
from assistant.record.seal import Form, Seal, Verdict, judge, read_seal

_SHEET = re.compile(r"sheet(-(?P<number>\d{1,6}))?\.(html|csv|json)")


class LogMemory:
    """session_log.Memory of a log. heads: those of its path."""

    def __init__(self, log: Path, heads: LogHeads) -> None:
        self._log = log
        self._heads = heads

    def held_against(self, found: Scan) -> Scan:
        """The same, and what sheets or the kept head know beyond it as damage.

        A sheet that was altered, or names another log, proves nothing and is left out.
        """
        heads = self._heads.of(found.checks[0]) if found.checks else self._heads.all()
        return held_against(found, [*heads, *self._of_sheets()])

    def fullest(self) -> Head | None:
        """The head, kept or on a sheet, that knows most events of any log that was here."""
        known = [head for head in (*self._heads.all(), *self._of_sheets()) if head.events]
        return max(known, key=lambda head: head.events, default=None)

    def _of_sheets(self) -> Iterator[Head]:
        for path, seal in _sheets(self._log.parent):
            if seal is None or not seal.intact or not seal.log_check:
                continue
            if seal.log_name.rpartition("/")[2] == self._log.name:
                yield Head(seal.log_events, seal.log_check, path.name)

    def keep(self, *, first: str, events: int, check: str) -> None:
        """Remember how far the log goes."""
        self._heads.keep(first=first, events=events, check=check)

    def scan(self) -> Scan:
        """All that can be told of the log. Raises LogError if there is no such file."""
        return self.held_against(scan_log(self._log))

    def knows_any(self) -> bool:
        """Whether a session was ever kept at this path."""
        return bool(self._heads.all())


def kept_records(folder: Path) -> Sequence[tuple[Path, Mapping[str, Any]]]:
    """The sheets of a folder as records, those that nobody altered; the fullest first."""
    found = [
        (seal.log_events, path)
        for path, seal in _sheets(folder)
        if seal is not None and seal.intact and path.suffix == ".json"
    ]
    ordered = [path for _, path in sorted(found, reverse=True)]
    return [(path, json.loads(read_sheet(path))) for path in ordered]


def keep_older_sheets(folder: Path, found: Scan) -> Sequence[Path]:
    """Move sheets aside that hold what the log does not; their new names, with one number for all.

    Raises SheetError if they cannot be moved; nothing may be written over them then.
    """
    sheets = [(path, seal) for path, seal in _sheets(folder) if path.stem == "sheet"]
    if not any(_holds_more(path, seal, found) for path, seal in sheets):
        return ()
    number = 1 + max((_number(path) for path, _ in _sheets(folder)), default=0)
    moved = []
    for path, _ in sheets:
        aside = path.with_name(f"sheet-{number}{path.suffix}")
        try:
            path.rename(aside)
        except OSError as error:
            raise SheetError(
                f"The sheet {path} holds more than the log and cannot be kept as {aside.name}: "
                f"{error.strerror}. Nothing was written; copy the sheet away first."
            ) from error
        moved.append(aside)
    return moved


def _holds_more(path: Path, seal: Seal | None, found: Scan) -> bool:
    if seal is None:  # no sheet of ours, or an older kind: whoever made it wants it
        return path.stat().st_size > 0
    if not seal.intact:
        return True
    if found.damages or not seal.log_check:
        return bool(seal.log_check) or seal.log_events > len(found.events)
    return judge(seal, found.checks) is Verdict.FOREIGN


def _sheets(folder: Path) -> Iterator[tuple[Path, Seal | None]]:
    """Every sheet in a folder, the kept ones too, and what it says of itself; None = nothing."""
    try:
        names = sorted(folder.iterdir())
    except OSError:  # not there, or not ours to look at
        return
    for path in names:
        if not _SHEET.fullmatch(path.name):
            continue
        seal = None
        with suppress(SheetError):
            seal = read_seal(read_sheet(path), Form(path.suffix[1:]))
        yield path, seal


def _number(path: Path) -> int:
    found = _SHEET.fullmatch(path.name)
    return int(found["number"] or 0) if found else 0
