"""The build sheet, pure: a page of HTML, a table of CSV and a record of JSON from one ``Sheet``.

The page needs nothing but itself: no script, no network, no font file. Everything that people typed
is escaped. The template is data (pages/sheet.html) and is handed in as text. Each form is sealed
(seal.py), so that it can be traced to its log.
"""

import csv
import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import ROUND_HALF_EVEN, Decimal
from enum import StrEnum
from functools import lru_cache
from itertools import groupby

import jinja2

from assistant.record.seal import BLANK, sealed_page, sealed_record, sealed_rows
from assistant.units import Unit, show_bore, show_gap, to_file


class RingState(StrEnum):
    """How a ring stands on the sheet; the words are what is printed."""

    ACCEPTED = "accepted"
    OUTSIDE = "accepted, not known to be in the window"
    SKIPPED = "skipped"
    SPOILED = "spoiled"
    TO_DO = "to do"


@dataclass(frozen=True, slots=True)
class RingRow:
    """One ring of the sheet; lengths in nm.

    most_nm: None = a least only. gap_nm, low_nm, high_nm: best estimate of the final gap and the
    band that holds it, None where it was not measured. passes: cuts made. history: readings and
    cuts in words, oldest first. checks, notes: in words, may be empty.
    """

    cylinder: int
    position: str
    bore_nm: int
    least_nm: int
    most_nm: int | None
    target_nm: int
    state: RingState
    gap_nm: int | None = None
    low_nm: int | None = None
    high_nm: int | None = None
    passes: int = 0
    history: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptNote:
    """A note of the session. text: as typed; clip: file name of its sound; either may be None.

    ring: cylinder and position of the ring that was at hand, None if there was none.
    """

    at: datetime
    text: str | None = None
    clip: str | None = None
    ring: tuple[int, str] | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything that stands on a build sheet.

    rings: in the order of work. grinder: in words. band_share: how sure the band of a gap is,
    0..1. cautions: sentences. started, ended: time-zone aware, None where unknown.
    software: name and version. log_name: file name of the session log that the sheet came from.
    bores_nm: measured bores by cylinder. kept_notes: oldest first. damage: sentences that a reader
    must see first, none for a sound log. log_events, log_check: how many events of the log the
    sheet was made from, and the check of the last (chain.py).
    """

    job_name: str
    person: str
    unit: Unit
    cylinders: int
    bore_nm: int
    grinder: str
    leaves_nm: tuple[int, ...]
    rings: tuple[RingRow, ...]
    cautions: tuple[str, ...]
    software: str
    log_name: str
    band_share: float = 0.95
    notes: str = ""
    started: datetime | None = None
    ended: datetime | None = None
    bores_nm: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    kept_notes: tuple[KeptNote, ...] = ()
    damage: tuple[str, ...] = ()
    log_events: int = 0
    log_check: str = ""


RECORD_FORM = "leafcall build sheet 1"

CSV_COLUMNS = (
    "job", "person", "cylinder", "ring", "unit", "bore", "least", "most", "target", "gap",
    "gap_low", "gap_high", "state", "passes", "readings", "checks", "notes", "started", "ended",
    "software", "damage", "log", "log_events", "log_check", "sheet_check",
)  # fmt: skip


def sheet_table(sheet: Sheet) -> str:
    """The sheet as CSV (RFC 4180), one row a ring, lengths in inches or millimetres.

    Limits are exact; gaps are rounded half-even to 0.0001 in or 0.001 mm, as on the page. Text that
    a spreadsheet would run as a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    rows: list[list[object]] = [list(CSV_COLUMNS[:-1])]
    for ring in sheet.rings:
        rows.append(
            [
                _harmless(sheet.job_name),
                _harmless(sheet.person),
                ring.cylinder,
                _harmless(ring.position),
                sheet.unit.file_symbol,
                _exact(ring.bore_nm, sheet.unit),
                _exact(ring.least_nm, sheet.unit),
                "" if ring.most_nm is None else _exact(ring.most_nm, sheet.unit),
                _exact(ring.target_nm, sheet.unit),
                *(_rounded(nm, sheet.unit) for nm in (ring.gap_nm, ring.low_nm, ring.high_nm)),
                ring.state.value,
                ring.passes,
                _harmless("; ".join(ring.history)),
                _harmless("; ".join(ring.checks)),
                _harmless("; ".join(ring.notes)),
                _stamp(sheet.started),
                _stamp(sheet.ended),
                _harmless(sheet.software),
                _harmless(" ".join(sheet.damage)),
                _harmless(sheet.log_name),
                sheet.log_events,
                sheet.log_check,
            ]
        )
    csv.writer(out).writerows(sealed_rows(rows))
    return out.getvalue()


def sheet_record(sheet: Sheet) -> str:
    """The sheet as JSON text, one object.

    All lengths are whole nanometres (``_nm``), times ISO 8601 with zone; null = not known.
    ``form`` is RECORD_FORM. ``rings``: one object a ring in the order of work, with ``gap_nm`` and
    ``gap_low_nm`` to ``gap_high_nm``, the band that holds the gap with ``band_share`` (0..1);
    ``most_nm`` null = a least only; ``state`` one of RingState. ``bores_nm``: measured bores by
    cylinder number. ``kept_notes``: ``at``, ``text`` or ``clip``, a file beside the log, and
    ``cylinder`` and ``ring`` that were at hand, null where none was.
    ``damage``: sentences, empty for a sound log. ``log``, ``log_events``, ``log_check``,
    ``sheet_check``: seal.py.
    """
    record = {
        "form": RECORD_FORM,
        "job": sheet.job_name,
        "person": sheet.person,
        "unit": sheet.unit.file_symbol,
        "cylinders": sheet.cylinders,
        "bore_nm": sheet.bore_nm,
        "bores_nm": {str(cylinder): list(nm) for cylinder, nm in sorted(sheet.bores_nm.items())},
        "grinder": sheet.grinder,
        "leaves_nm": list(sheet.leaves_nm),
        "notes": sheet.notes,
        "started": _iso(sheet.started),
        "ended": _iso(sheet.ended),
        "band_share": sheet.band_share,
        "rings": [_ring_record(ring) for ring in sheet.rings],
        "kept_notes": [
            {
                "at": _iso(note.at),
                "text": note.text,
                "clip": note.clip,
                "cylinder": note.ring[0] if note.ring is not None else None,
                "ring": note.ring[1] if note.ring is not None else None,
            }
            for note in sheet.kept_notes
        ],
        "cautions": list(sheet.cautions),
        "damage": list(sheet.damage),
        "software": sheet.software,
        "log": sheet.log_name,
        "log_events": sheet.log_events,
        "log_check": sheet.log_check,
    }
    return json.dumps(sealed_record(record), indent=2) + "\n"


def _ring_record(ring: RingRow) -> dict[str, object]:
    return {
        "cylinder": ring.cylinder,
        "ring": ring.position,
        "bore_nm": ring.bore_nm,
        "least_nm": ring.least_nm,
        "most_nm": ring.most_nm,
        "target_nm": ring.target_nm,
        "gap_nm": ring.gap_nm,
        "gap_low_nm": ring.low_nm,
        "gap_high_nm": ring.high_nm,
        "state": ring.state.value,
        "passes": ring.passes,
        "readings": list(ring.history),
        "checks": list(ring.checks),
        "notes": list(ring.notes),
    }


def sheet_page(sheet: Sheet, *, template: str) -> str:
    """The sheet as one self-contained HTML page.

    template: text of pages/sheet.html. Raises jinja2.TemplateError if the template is broken,
    SheetError if it has no place for the check.
    """
    unit = sheet.unit
    by_cylinder = sorted(sheet.rings, key=lambda ring: ring.cylinder)  # stable: order of work stays
    page = _compiled(template).render(
        sheet=sheet,
        blank=BLANK,
        kept_notes=[
            {
                "at": _stamp(note.at),
                "ring": f"cylinder {note.ring[0]} {note.ring[1]}" if note.ring is not None else "",
                "text": note.text or "",
                "clip": f"sound {note.clip}" if note.clip else "",
            }
            for note in sheet.kept_notes
        ],
        bore=show_bore(sheet.bore_nm, unit),
        leaves=", ".join(show_gap(nm, unit).split()[0] for nm in sheet.leaves_nm),
        call_unit="thou" if unit is Unit.INCH else "mm",
        band_percent=f"{sheet.band_share * 100:g}",
        started=_stamp(sheet.started),
        ended=_stamp(sheet.ended),
        tally=_tally(sheet.rings),
        cylinders=[
            {
                "number": number,
                "bore": show_bore(rows[0].bore_nm, unit),
                "measured": ", ".join(show_bore(nm, unit) for nm in sheet.bores_nm.get(number, ())),
                "rings": [_shown(ring, unit) for ring in rows],
            }
            for number, rows in _grouped(by_cylinder)
        ],
    )
    return sealed_page(page)


@lru_cache(maxsize=4)
def _compiled(template: str) -> jinja2.Template:
    return jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(template)


def _tally(rings: tuple[RingRow, ...]) -> str:
    count = {state: sum(ring.state is state for ring in rings) for state in RingState}
    done = count[RingState.ACCEPTED] + count[RingState.OUTSIDE]
    parts = [f"{done} of {len(rings)} rings accepted"]
    if outside := count[RingState.OUTSIDE]:
        parts.append(f"{outside} of them not known to be in the window")
    for state in (RingState.SKIPPED, RingState.SPOILED, RingState.TO_DO):
        if count[state]:
            parts.append(f"{count[state]} {state.value}")
    return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Places on a ruler of 0..100 that holds the window and the band of one ring."""

    first_nm: int
    last_nm: int

    def at(self, length_nm: int) -> float:
        span_nm = self.last_nm - self.first_nm
        return round(min(max((length_nm - self.first_nm) / span_nm, 0), 1) * 100, 1)


def _grouped(rings: list[RingRow]) -> Iterator[tuple[int, list[RingRow]]]:
    for number, rows in groupby(rings, key=lambda ring: ring.cylinder):
        yield number, list(rows)


def _shown(ring: RingRow, unit: Unit) -> dict[str, object]:
    least = _number(ring.least_nm, unit)
    window = f"{least} or more"
    if ring.most_nm is not None:
        window = f"{least} to {_number(ring.most_nm, unit)}"
    gap = "not measured" if ring.gap_nm is None else _number(ring.gap_nm, unit)
    band = ""
    if ring.low_nm is not None and ring.high_nm is not None:
        band = f"{_number(ring.low_nm, unit)} to {_number(ring.high_nm, unit)}"
    return {
        "row": ring,
        "window": window,
        "target": _number(ring.target_nm, unit),
        "gap": gap,
        "band": band,
        "state": ring.state.value,
        "mark": ring.state.name.lower().replace("_", "-"),
        "ruler": _ruler(ring),
        "told": (f"Window {window}, gap {gap}" + (f", between {band}" if band else "")),
    }


def _ruler(ring: RingRow) -> dict[str, float] | None:
    """Window, band and best estimate on a scale of 0..100; None where nothing was measured."""
    if ring.gap_nm is None:
        return None
    low_nm = ring.gap_nm if ring.low_nm is None else ring.low_nm
    high_nm = ring.gap_nm if ring.high_nm is None else ring.high_nm
    # A least only has no right edge: the window runs out of the picture.
    most_nm = ring.most_nm
    edge_nm = most_nm if most_nm is not None else max(high_nm, ring.least_nm * 5 // 4)
    room_nm = max((edge_nm - ring.least_nm) // 2, 10_000)
    scale = _Scale(
        min(ring.least_nm - room_nm, low_nm),
        max(edge_nm + (room_nm if most_nm is not None else 0), high_nm),
    )
    left, right = scale.at(ring.least_nm), scale.at(edge_nm)
    return {
        "window_x": left,
        "window_width": round(right - left, 1),
        "open_ended": float(most_nm is None),
        "band_x": scale.at(low_nm),
        "band_width": round(scale.at(high_nm) - scale.at(low_nm), 1),
        "best": scale.at(ring.gap_nm),
    }


def _number(length_nm: int, unit: Unit) -> str:
    return show_gap(length_nm, unit).split()[0]


def _exact(length_nm: int, unit: Unit) -> str:
    return f"{to_file(length_nm, unit):f}"


def _rounded(length_nm: int | None, unit: Unit) -> str:
    if length_nm is None:
        return ""
    step = Decimal("0.0001") if unit is Unit.INCH else Decimal("0.001")
    return f"{to_file(length_nm, unit).quantize(step, ROUND_HALF_EVEN):f}"


def _stamp(at: datetime | None) -> str:
    return "" if at is None else at.strftime("%Y-%m-%d %H:%M %Z").strip()


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def _harmless(text: str) -> str:
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
