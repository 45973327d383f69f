"""The build sheet: page and table say the same, escape everything, need nothing from outside."""

import csv
import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jinja2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.sheet_file import save_sheet
from assistant.bench.gap_words import GapKind, ToldGap
from assistant.bench.job import RingPosition
from assistant.bench.ring_status import RingStatus, Standing
from assistant.errors import LeafcallError, SheetError
from assistant.fitting.targets import Window
from assistant.record.seal import Form, Seal, Verdict, judge, read_seal
from assistant.record.sheet_forms import (
    CSV_COLUMNS,
    KeptNote,
    RingRow,
    Sheet,
    sheet_page,
    sheet_record,
    sheet_table,
)
from assistant.units import NM_PER_THOU, Unit

TEMPLATE = page_template("sheet")
HALF_NM = NM_PER_THOU // 2


def thou(halves: int) -> int:
    return halves * HALF_NM


SECOND = RingRow(
    cylinder=1,
    position=RingPosition.SECOND,
    bore_nm=83_197_700,
    window=Window(thou(30), thou(34), thou(32)),
    standing=Standing(RingStatus.ACCEPTED, 0.98),
    told=ToldGap(GapKind.FIGURE, thou(32), thou(31), thou(33)),
    passes=3,
    history=("butts", "ground 10 thou", "16 snug"),
    checks=("deburred", "ends square"),
)
RAIL = RingRow(
    cylinder=2,
    position=RingPosition.UPPER_RAIL,
    bore_nm=83_200_240,
    window=Window(thou(30), None, thou(30)),
    standing=Standing(RingStatus.TO_DO),
)
SHEET = Sheet(
    job_name="Harbour launch",
    person="A. Filer",
    unit=Unit.INCH,
    cylinders=2,
    bore_nm=83_197_700,
    grinder="dial, steps of 0.5 thou",
    leaves_nm=tuple(thou(2 * n) for n in range(2, 5)),
    rings=(SECOND, RAIL),
    cautions=("Ring ends cut.",),
    software="Leafcall 0.1.0",
    log_name="log.jsonl",
    started=datetime(2026, 11, 25, 9, 5, tzinfo=UTC),
    last_call=datetime(2026, 11, 25, 9, 40, tzinfo=UTC),
    log_events=57,
    log_check="0123456789abcdef",
)

VOID = {"meta", "line", "rect", "circle"}  # line, rect, circle close themselves


class Page(HTMLParser):
    """Reads a page strictly: tags must nest; keeps text, tags and attributes."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open_tags: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.texts: list[str] = []
        self.feed(html)
        self.close()
        assert self.open_tags == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(key, value or "") for key, value in attrs]
        if tag not in VOID:
            self.open_tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open_tags.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open_tags:
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def page(sheet: Sheet) -> Page:
    return Page(sheet_page(sheet, template=TEMPLATE))


def rows(sheet: Sheet) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(sheet_table(sheet))))


def test_the_page_says_what_the_sheet_says() -> None:
    text = page(SHEET).text
    for words in (
        "Harbour launch",
        "NOT DONE YET: 1 open: cylinder 2 upper rail 1 of 2 rings accepted inside",
        "Cyl. Second Upper rail 1 16 accepted 2 - to do",
        "Fitted by A. Filer",
        "2, 3.2755 in",
        "Begun 2026-11-25 09:05 UTC",
        "Unfinished last call 2026-11-25 09:40 UTC",
        "Leaves on hand, thou 2, 3, 4",
        "Cylinder 1 bore 3.2755 in; all gaps in thou",
        "Cylinder 2 bore 3.2756 in; all gaps in thou",
        "Second 15 to 17 16 16 15.5 to 16.5 15 17 3 accepted",
        "Readings and cuts: butts; ground 10 thou; 16 snug . Checked: deburred, ends square .",
        "Upper rail 15 or more 15 not measured no reading 0 to do",
        "95 % confidence",
        "Ring ends cut.",
        "Written by Leafcall 0.1.0 from the session log log.jsonl, events 1 to 57, check 01234567",
    ):
        assert words in text


def test_the_table_has_a_row_for_each_ring_with_exact_limits() -> None:
    first, second = rows(SHEET)
    assert tuple(first) == CSV_COLUMNS
    assert first == {
        "job": "Harbour launch", "person": "A. Filer", "cylinder": "1", "ring": "second",
        "unit": "in", "bore": "3.2755", "least": "0.015", "most": "0.017", "target": "0.016",
        "gap": "0.0160", "gap_low": "0.0155", "gap_high": "0.0165",
        "gap_told": "16 thou (15.5 to 16.5 thou)", "state": "accepted", "inside_chance": "0.980",
        "replaced": "0",
        "passes": "3", "readings": "butts; ground 10 thou; 16 snug",
        "checks": "deburred; ends square", "notes": "", "started": "2026-11-25 09:05 UTC",
        "ended": "", "last_call": "2026-11-25 09:40 UTC", "software": "Leafcall 0.1.0",
        "damage": "", "log": "log.jsonl",
        "log_events": "57", "log_check": "0123456789abcdef", "sheet_check": first["sheet_check"],
    }  # fmt: skip
    assert first["sheet_check"] == second["sheet_check"] != "0" * 16
    assert (second["most"], second["gap"], second["state"]) == ("", "", "to do")
    assert sheet_table(SHEET).count("\r\n") == 3  # RFC 4180: lines end with CRLF


def test_a_metric_sheet_is_in_millimetres() -> None:
    ring = replace(
        SECOND, bore_nm=83_200_000, window=Window(375_000, 425_000, 400_000),
        told=ToldGap(GapKind.FIGURE, 402_600, 395_000, 410_000),
    )  # fmt: skip
    sheet = replace(SHEET, unit=Unit.METRIC, bore_nm=83_200_000, rings=(ring,))
    assert "0.375 to 0.425 0.400 0.403 0.395 to 0.410" in page(sheet).text
    (row,) = rows(sheet)
    assert (row["unit"], row["bore"], row["least"], row["gap"]) == ("mm", "83.2", "0.375", "0.403")


def test_rings_are_grouped_by_cylinder_from_the_crown_down() -> None:
    mixed = tuple(
        replace(RAIL, cylinder=cylinder, position=position)
        for position in (RingPosition.SECOND, RingPosition.TOP)
        for cylinder in (2, 1)
    )
    text = page(replace(SHEET, rings=mixed)).text
    places = [text.index(words) for words in ("Cylinder 1 bore", "Cylinder 2 bore")]
    assert places == sorted(places)
    assert text.count("Second 15 or more") == text.count("Top 15 or more") == 2
    assert text.index("Top 15") < text.index("Second 15")


@pytest.mark.parametrize("status", [s for s in RingStatus if s is not RingStatus.REPLACED])
def test_each_state_is_said_in_words_and_counted(status: RingStatus) -> None:
    sheet = replace(SHEET, rings=(replace(SECOND, standing=Standing(status, 0.5)),))
    assert Standing(status, 0.5).words in page(sheet).text
    accepted = int(status is RingStatus.ACCEPTED)
    assert f"{accepted} of 1 rings accepted inside" in page(sheet).text
    assert rows(sheet)[0]["state"] == status.value
    record = json.loads(sheet_record(sheet))
    assert (record["accepted_inside"], record["rings"][0]["state"]) == (accepted, status.value)
    assert record["verdict"] in page(sheet).text


@pytest.mark.parametrize(
    ("told", "cells", "words"),
    [
        (ToldGap(GapKind.OVER, None, thou(44)), ("", "0.0220", ""), "over 22"),
        (ToldGap(GapKind.UNDER, None, None, thou(12), may_butt=True), ("", "", "0.0060"),
         "under 6"),
        (ToldGap(GapKind.BAND, None, thou(20), thou(30)), ("", "0.0100", "0.0150"), "10 to 15"),
        (ToldGap(GapKind.CUT, None, thou(20), thou(30)), ("", "", ""),
         "not measured since the cut"),
        (ToldGap(GapKind.BUTTS), ("", "", ""), "butts"),
    ],
)  # fmt: skip
def test_no_figure_stands_in_a_form_that_nobody_measured(
    told: ToldGap, cells: tuple[str, str, str], words: str
) -> None:
    sheet = replace(SHEET, rings=(replace(SECOND, told=told),))
    (row,) = rows(sheet)
    assert (row["gap"], row["gap_low"], row["gap_high"]) == cells
    assert row["gap_told"].startswith(words)
    assert words in page(sheet).text
    ring = json.loads(sheet_record(sheet))["rings"][0]
    lengths = (ring["gap_nm"], ring["gap_low_nm"], ring["gap_high_nm"])
    assert [nm is None for nm in lengths] == [cell == "" for cell in cells]
    assert ring["gap_told"] == row["gap_told"]


def test_the_page_needs_nothing_from_outside() -> None:
    html = sheet_page(SHEET, template=TEMPLATE)
    assert not re.search(r"(src|action)\s*=|url\(|@import|https?://|javascript:", html)
    found = Page(html)
    ids = {value for key, value in found.attributes if key == "id"}
    links = [value for key, value in found.attributes if key == "href"]
    assert links
    assert all(link[0] == "#" and link[1:] in ids for link in links)
    assert not {"script", "link", "img", "iframe", "form", "object"} & set(found.tags)
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'") in found.attributes


NOTES = (
    KeptNote(SHEET.started or datetime.max, text="the blue rag", ring=(2, "top")),
    KeptNote(SHEET.started or datetime.max, clip="0001.wav"),
)


def test_measured_bores_and_notes_stand_on_the_page() -> None:
    sheet = replace(SHEET, bores_nm={1: (83_197_700, 83_202_780)}, kept_notes=NOTES)
    text = page(sheet).text
    assert "Cylinder 1 bore 3.2755 in (measured 3.2755 in, 3.2757 in); all gaps in thou" in text
    assert "Cylinder 2 bore 3.2756 in; all gaps in thou" in text
    assert "Notes from the bench 2026-11-25 09:05 UTC cylinder 2 top: the blue rag" in text
    assert "2026-11-25 09:05 UTC sound 0001.wav" in text
    assert "Notes from the bench" not in page(SHEET).text


def test_damage_is_said_before_anything_else_in_every_form() -> None:
    sheet = replace(SHEET, damage=("The log is damaged.", "Line 2 is lost."))
    found = page(sheet)
    assert found.text.index("The log is damaged. Line 2 is lost.") < found.text.index("Cylinder 1")
    assert ("role", "alert") in found.attributes
    assert ("role", "alert") not in page(SHEET).attributes
    assert {row["damage"] for row in rows(sheet)} == {"The log is damaged. Line 2 is lost."}
    assert json.loads(sheet_record(sheet))["damage"] == list(sheet.damage)


# --- record -------------------------------------------------------------------------------------


def test_the_record_says_what_the_table_says() -> None:
    sheet = replace(SHEET, bores_nm={2: (83_200_240,)}, kept_notes=NOTES)
    record = json.loads(sheet_record(sheet))
    assert record["form"] == "leafcall build sheet 1"
    assert record["started"] == "2026-11-25T09:05:00+00:00"
    assert record["ended"] is None
    assert record["bores_nm"] == {"2": [83_200_240]}
    assert record["kept_notes"] == [
        {
            "at": "2026-11-25T09:05:00+00:00",
            "text": "the blue rag",
            "clip": None,
            "cylinder": 2,
            "ring": "top",
        },
        {
            "at": "2026-11-25T09:05:00+00:00",
            "text": None,
            "clip": "0001.wav",
            "cylinder": None,
            "ring": None,
        },
    ]
    assert len(record["rings"]) == 2
    for ring, row in zip(record["rings"], rows(sheet), strict=True):
        assert ring["cylinder"] == int(row["cylinder"])
        for name in ("ring", "state"):
            assert ring[name] == row[name]
        for name in ("bore", "least", "most", "target", "gap", "gap_low", "gap_high"):
            value_nm = ring[f"{name}_nm"]
            # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959).
            if value_nm is None:
                assert row[name] == ""
            else:
                there = Decimal(value_nm) / Decimal(25_400_000)
                assert abs(Decimal(row[name]) - there) <= Decimal("5e-5")
        assert "; ".join(ring["readings"]) == row["readings"]


def test_every_length_in_the_record_is_a_whole_number_of_nanometres() -> None:
    record = json.loads(sheet_record(SHEET))
    for holder in (record, *record["rings"]):
        for key, value in holder.items():
            if key.endswith("_nm") and not isinstance(value, dict | list):
                assert value is None or type(value) is int
            assert type(value) is not float or key in ("band_share", "inside_chance")


# --- the seal -----------------------------------------------------------------------------------

FORMS = {
    Form.PAGE: lambda sheet: sheet_page(sheet, template=TEMPLATE),
    Form.TABLE: sheet_table,
    Form.RECORD: sheet_record,
}


@pytest.mark.parametrize("form", Form)
def test_a_sheet_says_which_log_it_was_made_from_and_that_it_is_intact(form: Form) -> None:
    text = FORMS[form](SHEET)
    assert read_seal(text, form) == Seal(57, "0123456789abcdef", "log.jsonl", intact=True)


@pytest.mark.parametrize("form", Form)
@pytest.mark.parametrize(
    ("old", "new"),
    [("Harbour", "Harbor"), ("A. Filer", "B. Filer"), ("16 snug", "17 snug"),
     ("accepted", "spoiled"), ("log.jsonl", "other.jsonl"),
     ("0123456789abcdef", "0123456789abcdee")],
)  # fmt: skip
def test_an_altered_sheet_is_told_in_every_form(form: Form, old: str, new: str) -> None:
    text = FORMS[form](SHEET)
    assert old in text
    for altered in (text.replace(old, new, 1), new.join(text.rsplit(old, 1))):
        assert not read_seal(altered, form).intact


@pytest.mark.parametrize("form", [Form.TABLE, Form.RECORD])
def test_only_written_another_way_a_sheet_is_still_intact(form: Form) -> None:
    text = FORMS[form](SHEET)
    if form is Form.TABLE:
        out = io.StringIO()
        writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\n")
        writer.writerows(csv.reader(io.StringIO(text, newline="")))
        other = out.getvalue()
    else:
        other = json.dumps(dict(reversed(json.loads(text).items())))
    assert other != text
    assert read_seal(other, form).intact


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=30))
def test_no_name_can_pass_for_the_seal(name: str) -> None:
    seals = [
        f'{name}" data-log-events="9" data-log-check="" data-sheet-check="{"0" * 16}"',
        f"{name},sheet_check",
        f'{name}", "sheet_check": "{"0" * 16}',
    ]
    for text in seals:
        ring = replace(SECOND, notes=(text,))
        sheet = replace(SHEET, job_name=text, log_name=text, rings=(ring,))
        for form, write in FORMS.items():
            seal = read_seal(write(sheet), form)
            assert (seal.log_events, seal.intact) == (57, True)
            assert seal.log_name.lstrip("'") == text.lstrip("'")


@pytest.mark.parametrize("form", Form)
@pytest.mark.parametrize(
    "text",
    ["", "x", "a,b\r\n1,2\r\n", "{}", "[1]", "null", '"x"', "<html></html>", "\0", "[" * 10**5],
    ids=range(10),
)
def test_what_is_no_sheet_is_refused(form: Form, text: str) -> None:
    with pytest.raises(SheetError, match="no build sheet of Leafcall, or its check was taken out"):
        read_seal(text, form)


CHECKS = ("a" * 16, "b" * 16, "c" * 16)


@pytest.mark.parametrize(
    ("seal", "verdict"),
    [
        (Seal(3, "c" * 16, "", intact=True), Verdict.CURRENT),
        (Seal(2, "b" * 16, "", intact=True), Verdict.OLDER),
        (Seal(2, "a" * 16, "", intact=True), Verdict.FOREIGN),
        (Seal(4, "c" * 16, "", intact=True), Verdict.FOREIGN),
        (Seal(0, "", "", intact=True), Verdict.FOREIGN),
        (Seal(3, "c" * 16, "", intact=False), Verdict.ALTERED),
    ],
)
def test_a_sheet_is_held_against_the_log(seal: Seal, verdict: Verdict) -> None:
    assert judge(seal, CHECKS) is verdict


def test_a_template_without_a_place_for_the_check_is_refused() -> None:
    with pytest.raises(SheetError, match="no place for its check"):
        sheet_page(SHEET, template="<p>{{ sheet.job_name }}</p>")


HOSTILE = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror='alert(1)'>",
    "{{ 7 * 7 }}{% raw %}",
    "</style></title><b>",
    "&lt;b&gt; &amp; ' \"",
    '=HYPERLINK("x")',
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_as_it_was_typed(text: str) -> None:
    ring = replace(SECOND, history=(text,), checks=(text,), notes=(text,))
    sheet = replace(
        SHEET, job_name=text, person=text, grinder=text, notes=text, cautions=(text,),
        software=text, log_name=text, rings=(ring,), damage=(text,),
        kept_notes=(KeptNote(NOTES[0].at, text=text), KeptNote(NOTES[0].at, clip=text)),
    )  # fmt: skip
    found = page(sheet)
    plain = replace(
        SHEET, rings=(replace(SECOND, notes=("n",)),), notes="n", damage=("d",), kept_notes=NOTES
    )
    assert found.tags == page(plain).tags
    assert found.text.count(" ".join(text.split())) >= 12
    assert not [key for key, _ in found.attributes if key.startswith("on")]
    row = rows(sheet)[0]
    for column in ("job", "person", "notes"):
        assert row[column] in (text, f"'{text}")
        assert not row[column].startswith("=")


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=30))
def test_any_name_survives_page_and_table(name: str) -> None:
    sheet = replace(SHEET, job_name=name, rings=(replace(SECOND, notes=(name,)),))
    assert " ".join(name.split()) in page(sheet).text
    assert rows(sheet)[0]["job"].removeprefix("'") == name.removeprefix("'")


@given(
    least=st.integers(1, 200),
    width=st.none() | st.integers(1, 40),
    gap=st.integers(0, 400),
    band=st.tuples(st.integers(0, 30), st.integers(0, 30)),
)
def test_the_picture_holds_window_band_and_estimate(
    least: int, width: int | None, gap: int, band: tuple[int, int]
) -> None:
    ring = replace(
        SECOND,
        window=Window(thou(least), None if width is None else thou(least + width), thou(least)),
        told=ToldGap(GapKind.FIGURE, thou(gap), thou(max(0, gap - band[0])), thou(gap + band[1])),
    )
    found = page(replace(SHEET, rings=(ring,)))
    # Three windows wide; of a least only, a window is two thou.
    width_nm = thou(4 if width is None else width)
    there = least - width_nm // HALF_NM <= gap <= least + 2 * (width_nm // HALF_NM)
    shapes: dict[str, dict[str, Any]] = {}
    for key, value in found.attributes:
        if key == "class":
            last = shapes.setdefault(value, {})
        elif key in ("x", "width", "cx"):
            last[key] = float(value)
    window, bar = shapes["ruler-window"], shapes["ruler-band"]
    for shape in (window, bar):
        assert 2 <= shape["x"] <= shape["x"] + shape["width"] <= 102.1
    assert ("ruler-best" in shapes) == there
    assert ("ruler-on" in shapes) == (
        thou(max(0, gap - band[0])) < thou(least) - width_nm
        or thou(gap + band[1]) > thou(least) + 2 * width_nm
    )
    if not there:
        return
    best = shapes["ruler-best"]["cx"]
    assert bar["x"] - 0.1 <= best <= bar["x"] + bar["width"] + 0.1
    # The picture agrees with the numbers: inside the window exactly when the numbers say so.
    inside = gap >= least and (width is None or gap <= least + width)
    drawn = window["x"] - 0.1 <= best <= window["x"] + window["width"] + 0.1
    assert drawn or not inside
    if gap <= least - 2 or (width is not None and gap >= least + width + 2):
        assert not drawn


def luminance(colour: str) -> float:
    # Relative luminance: WCAG 2.1, definition of "relative luminance".
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("theme", [0, 1])
@pytest.mark.parametrize(
    ("front", "back"),
    [("ink", "paper"), ("soft", "paper"), ("accent", "paper"), ("ink", "panel"), ("soft", "panel")],
)
def test_text_can_be_read_light_and_dark(theme: int, front: str, back: str) -> None:
    # WCAG 2.1 success criterion 1.4.3: a contrast of 4.5 to 1 for text.
    blocks = re.findall(r":root \{(.*?)\}", TEMPLATE, re.DOTALL)
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[theme]))
    high, low = sorted((luminance(colours[front]), luminance(colours[back])), reverse=True)
    assert (high + 0.05) / (low + 0.05) >= 4.5


def test_a_template_with_an_unknown_name_is_an_error_not_a_blank() -> None:
    with pytest.raises(jinja2.UndefinedError):
        sheet_page(SHEET, template="{{ sheet.nothing }}")


def test_the_template_ships_inside_the_package() -> None:
    import assistant

    assert Path(assistant.__file__).parent.joinpath("pages", "sheet.html").is_file()


def test_a_sheet_is_written_whole_or_the_old_one_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "sheet.csv"
    save_sheet(path, sheet_table(SHEET))
    assert path.read_bytes().decode() == sheet_table(SHEET)

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(LeafcallError, match=r"cannot be written: No space left.* log is not"):
        save_sheet(path, "half")
    assert path.read_bytes().decode() == sheet_table(SHEET)
    assert list(tmp_path.iterdir()) == [path]


def test_an_unfinished_session_has_no_end_and_no_line_to_sign() -> None:
    ended = datetime(2026, 11, 25, 10, tzinfo=timezone(timedelta(hours=-5)))
    done = page(replace(SHEET, ended=ended)).text
    assert "Ended 2026-11-25 10:00 -05:00" in done
    assert "Builder's signature" in done
    assert "Unfinished" not in done
    text = page(SHEET).text
    assert "signature" not in text
    assert "Ended" not in text
    assert rows(SHEET)[0]["ended"] == ""
    assert json.loads(sheet_record(SHEET))["ended"] is None


def test_every_part_of_the_verdict_is_linked() -> None:
    spoiled = replace(SECOND, standing=Standing(RingStatus.SPOILED))
    html = sheet_page(replace(SHEET, rings=(spoiled, RAIL)), template=TEMPLATE)
    assert (
        '1 to replace:</span> <span class="whole"><a href="#ring-1-second">cylinder 1 second</a>'
        in html
    )
    assert (
        '1 open:</span> <span class="whole"><a href="#ring-2-upper-rail">cylinder 2 upper rail</a>'
        in html
    )
    assert html.index("NOT RIGHT YET") < html.index("0 of 2 rings") < html.index('id="summary"')
