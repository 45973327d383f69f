"""The build sheet, pure: a page of HTML, a table of CSV and a record of JSON from one ``Sheet``.

The page needs nothing but itself: no script, no network, no font file. Everything that people typed
is escaped. The template is data (pages/sheet.html) and is handed in as text. Each form is sealed
(seal.py), so that it can be traced to its log.
"""

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import groupby

from assistant.bench.gap_words import NOT_MEASURED, GapKind, ToldGap, figure, window_figures
from assistant.bench.job import RingPosition
from assistant.bench.plan import RingKey
from assistant.bench.ring_status import Standing, Verdict, verdict_of
from assistant.fitting.targets import Window
from assistant.record.gaps_picture import GapOfRing, gaps_pictures
from assistant.record.page_parts import compiled, ring_ident, shown_verdict
from assistant.record.review_plots import ring_sign
from assistant.record.seal import BLANK, sealed_page, sealed_record, sealed_rows
from assistant.units import Unit, show_bore, to_file


@dataclass(frozen=True, slots=True)
class RingRow:
    """One ring of the sheet; lengths in nm.

    window: most_nm None = a least only. standing: how it stands. told: the gap as far as it was
    measured. passes: cuts made. replaced: rings spoiled in this place before this one. history:
    readings and cuts in words, oldest first. checks, notes: in words, may be empty.
    """

    cylinder: int
    position: RingPosition
    bore_nm: int
    window: Window
    standing: Standing
    told: ToldGap = NOT_MEASURED
    passes: int = 0
    replaced: int = 0
    history: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def key(self) -> RingKey:
        """Its place."""
        return self.cylinder, self.position


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
    0..1. cautions: sentences. started, ended, last_call: with the offset of the shop's
    clock, None where unknown; ended is None while the session is unfinished.
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
    last_call: datetime | None = None
    bores_nm: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    kept_notes: tuple[KeptNote, ...] = ()
    damage: tuple[str, ...] = ()
    log_events: int = 0
    log_check: str = ""

    @property
    def verdict(self) -> Verdict:
        """The verdict on all rings."""
        return verdict_of({ring.key: ring.standing for ring in self.rings})


RECORD_FORM = "leafcall build sheet 1"

CSV_COLUMNS = (
    "job", "person", "cylinder", "ring", "unit", "bore", "least", "most", "target", "gap",
    "gap_low", "gap_high", "gap_told", "state", "inside_chance", "replaced", "passes", "readings",
    "checks", "notes", "started", "ended", "last_call", "software", "damage", "log",
    "log_events",    "log_check", "sheet_check",
)  # fmt: skip


def sheet_table(sheet: Sheet) -> str:
    """The sheet as CSV (RFC 4180), one row a ring, lengths in inches or millimetres.

    Limits are exact; gaps are rounded half-even to 0.0001 in or 0.001 mm, as on the page. ``gap``
    is empty where leaves have not closed in on it: ``gap_low`` and ``gap_high`` hold the bounds
    that were measured, ``gap_told`` the words of the page. ``inside_chance``: 0..1. Text that a
    spreadsheet would run as a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    rows: list[list[object]] = [list(CSV_COLUMNS[:-1])]
    for ring in sheet.rings:
        rows.append(
            [
                _harmless(sheet.job_name),
                _harmless(sheet.person),
                ring.cylinder,
                ring.position.value,
                sheet.unit.file_symbol,
                _exact(ring.bore_nm, sheet.unit),
                _exact(ring.window.least_nm, sheet.unit),
                "" if ring.window.most_nm is None else _exact(ring.window.most_nm, sheet.unit),
                _exact(ring.window.target_nm, sheet.unit),
                *(_rounded(nm, sheet.unit) for nm in _measured_nm(ring.told)),
                ring.told.words(sheet.unit),
                ring.standing.status.value,
                "" if ring.standing.inside is None else f"{ring.standing.inside:.3f}",
                ring.replaced,
                ring.passes,
                _harmless("; ".join(ring.history)),
                _harmless("; ".join(ring.checks)),
                _harmless("; ".join(ring.notes)),
                _stamp(sheet.started),
                _stamp(sheet.ended),
                _stamp(sheet.last_call),
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
    ``form`` is RECORD_FORM. ``verdict``: its words; ``accepted_inside``: how many rings. ``rings``:
    one object a ring in the order of work, with ``gap_nm`` and ``gap_low_nm`` to ``gap_high_nm``,
    the band that holds the gap with ``band_share`` (0..1), each null where it was not measured
    (``gap_nm`` of a gap that is known from one side only); ``gap_told`` in words; ``most_nm`` null
    = a least only; ``state`` one of ring_status.RingStatus; ``inside_chance`` 0..1 or null;
    ``replaced``: rings spoiled before it. ``bores_nm``: measured bores by
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
        "last_call": _iso(sheet.last_call),
        "band_share": sheet.band_share,
        "verdict": sheet.verdict.words(),
        "accepted_inside": sheet.verdict.accepted,
        "rings": [_ring_record(ring, sheet.unit) for ring in sheet.rings],
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


def _measured_nm(told: ToldGap) -> tuple[int | None, int | None, int | None]:
    """Gap and its bounds, nm; None for each that nobody measured."""
    return (told.best_nm, told.low_nm, told.high_nm) if told.measured else (None, None, None)


def _ring_record(ring: RingRow, unit: Unit) -> dict[str, object]:
    gap_nm, low_nm, high_nm = _measured_nm(ring.told)
    return {
        "cylinder": ring.cylinder,
        "ring": ring.position.value,
        "bore_nm": ring.bore_nm,
        "least_nm": ring.window.least_nm,
        "most_nm": ring.window.most_nm,
        "target_nm": ring.window.target_nm,
        "gap_nm": gap_nm,
        "gap_low_nm": low_nm,
        "gap_high_nm": high_nm,
        "gap_told": ring.told.words(unit),
        "state": ring.standing.status.value,
        "inside_chance": ring.standing.inside,
        "replaced": ring.replaced,
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
    down = list(RingPosition)  # from the crown down, as on the map of screen and review
    by_cylinder = sorted(sheet.rings, key=lambda r: (r.cylinder, down.index(r.position)))
    positions = [p for p in down if any(ring.position is p for ring in sheet.rings)]
    page = compiled(template).render(
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
        leaves=", ".join(figure(nm, unit) for nm in sheet.leaves_nm),
        call_unit="thou" if unit is Unit.INCH else "mm",
        band_percent=f"{sheet.band_share * 100:g}",
        started=_stamp(sheet.started),
        ended=_stamp(sheet.ended),
        last_call=_stamp(sheet.last_call),
        verdict=shown_verdict(sheet.verdict),
        gaps=gaps_pictures(
            [
                GapOfRing(ring.cylinder, ring.position, ring.window, ring.told, ring.standing)
                for ring in sheet.rings
            ],
            unit,
        ),
        positions=[position.value.capitalize() for position in positions],
        cylinders=[
            {
                "number": number,
                "bore": show_bore(rows[0].bore_nm, unit),
                "measured": ", ".join(show_bore(nm, unit) for nm in sheet.bores_nm.get(number, ())),
                "rings": [_shown(ring, unit) for ring in rows],
                "cells": _cells(rows, positions, unit),
            }
            for number, rows in _grouped(by_cylinder)
        ],
    )
    return sealed_page(page)


def _grouped(rings: list[RingRow]) -> Iterator[tuple[int, list[RingRow]]]:
    for number, rows in groupby(rings, key=lambda ring: ring.cylinder):
        yield number, list(rows)


def _cells(
    rows: Sequence[RingRow], positions: Sequence[RingPosition], unit: Unit
) -> list[dict[str, object] | None]:
    """The rings of a cylinder for the summary, one a position; None where there is none."""
    found = {ring.position: _shown(ring, unit) for ring in rows}
    return [found.get(position) for position in positions]


def _shown(ring: RingRow, unit: Unit) -> dict[str, object]:
    window, told = window_figures(ring.window, unit), ring.told
    gap = told.short(unit) if told.measured else told.words(unit)
    band = ""
    if told.kind is GapKind.FIGURE and told.low_nm is not None and told.high_nm is not None:
        band = f"{figure(told.low_nm, unit)} to {figure(told.high_nm, unit)}"
    return {
        "row": ring,
        "position": ring.position.value.capitalize(),
        "short": told.short(unit),
        "ident": ring_ident(ring.key),
        "window": window,
        "target": figure(ring.window.target_nm, unit),
        "gap": gap,
        "band": band,
        "state": ring.standing.words,
        "mark": ring.standing.status.name_in_pages,
        "sign": ring_sign(ring.standing.status),
        "ruler": _ruler(ring, unit),
        "told": (f"Window {window}, gap {gap}" + (f", between {band}" if band else "")),
    }


def _ruler(ring: RingRow, unit: Unit) -> dict[str, object] | None:
    """Window and gap on a scale of 0..100 that is the same for all rings of one window.

    The window takes the middle third, with its figures under it; of a least only it begins at a
    third and runs out of the picture. What lies further out, and a side that no leaf bounds, is an
    arrow. None where nothing was measured.
    """
    told, window = ring.told, ring.window
    if not told.measured:
        return None
    width_nm = window.width_nm if window.width_nm else unit.call_nm * 2
    first_nm, last_nm = window.least_nm - width_nm, window.least_nm + 2 * width_nm

    def at(length_nm: int) -> float:
        share = (length_nm - first_nm) / (last_nm - first_nm)
        return round(min(max(share, 0.0), 1.0) * 100, 1)

    low_nm = first_nm - 1 if told.low_nm is None else told.low_nm
    high_nm = last_nm + 1 if told.high_nm is None else told.high_nm
    best_nm = told.best_nm
    least_x = at(window.least_nm)
    most_x = 100.0 if window.most_nm is None else at(window.most_nm)
    return {
        "window_x": least_x,
        "window_width": round(most_x - least_x, 1),
        "open_ended": window.most_nm is None,
        "least": figure(window.least_nm, unit),
        "most": "" if window.most_nm is None else figure(window.most_nm, unit),
        "band_x": min(at(low_nm), 99.0),
        "band_width": round(max(at(high_nm) - at(low_nm), 1.0), 1),
        "on_left": low_nm < first_nm,
        "on_right": high_nm > last_nm,
        "best": at(best_nm) if best_nm is not None and first_nm <= best_nm <= last_nm else None,
    }


def _exact(length_nm: int, unit: Unit) -> str:
    return f"{to_file(length_nm, unit):f}"


def _rounded(length_nm: int | None, unit: Unit) -> str:
    if length_nm is None:
        return ""
    step = Decimal("0.0001") if unit is Unit.INCH else Decimal("0.001")
    return f"{to_file(length_nm, unit).quantize(step, ROUND_HALF_EVEN):f}"


def _stamp(at: datetime | None) -> str:
    """A time with its offset from UTC: ``2026-11-25 10:05 +01:00``."""
    if at is None:
        return ""
    offset = at.strftime("%z")
    zone = f"{offset[:3]}:{offset[3:5]}" if offset.strip("+-0") else "UTC"
    return f"{at:%Y-%m-%d %H:%M} {zone}"


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def _harmless(text: str) -> str:
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
