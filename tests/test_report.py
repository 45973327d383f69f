"""The build sheet: page and table say the same, escape everything, need nothing from outside."""

import csv
import io
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jinja2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.sheet_file import save_sheet, sheet_template
from assistant.errors import LeafcallError
from assistant.record.report import (
    CSV_COLUMNS,
    RingRow,
    RingState,
    Sheet,
    sheet_page,
    sheet_table,
)
from assistant.units import NM_PER_THOU, Unit

TEMPLATE = sheet_template()
HALF_NM = NM_PER_THOU // 2


def thou(halves: int) -> int:
    return halves * HALF_NM


SECOND = RingRow(
    cylinder=1,
    position="second",
    bore_nm=83_197_700,
    least_nm=thou(30),
    most_nm=thou(34),
    target_nm=thou(32),
    state=RingState.ACCEPTED,
    gap_nm=thou(32),
    low_nm=thou(31),
    high_nm=thou(33),
    passes=3,
    history=("butts", "ground 10 thou", "16 snug"),
    checks=("deburred", "ends square"),
)
RAIL = RingRow(
    cylinder=2,
    position="upper rail",
    bore_nm=83_200_240,
    least_nm=thou(30),
    most_nm=None,
    target_nm=thou(30),
    state=RingState.TO_DO,
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
        "1 of 2 rings accepted, 1 to do",
        "Fitted by A. Filer",
        "2, 3.2755 in",
        "Begun 2026-11-25 09:05 UTC",
        "Ended not ended",
        "Leaves on hand, thou 2, 3, 4",
        "Cylinder 1 bore 3.2755 in; all gaps in thou",
        "Cylinder 2 bore 3.2756 in; all gaps in thou",
        "Second 15 to 17 16 16 15.5 to 16.5 3 accepted",
        "Readings and cuts: butts; ground 10 thou; 16 snug . Checked: deburred, ends square .",
        "Upper rail 15 or more 15 not measured no reading 0 to do",
        "95 % confidence",
        "Ring ends cut.",
        "Written by Leafcall 0.1.0 from the session log log.jsonl.",
    ):
        assert words in text


def test_the_table_has_a_row_for_each_ring_with_exact_limits() -> None:
    first, second = rows(SHEET)
    assert tuple(first) == CSV_COLUMNS
    assert first == {
        "job": "Harbour launch", "person": "A. Filer", "cylinder": "1", "ring": "second",
        "unit": "in", "bore": "3.2755", "least": "0.015", "most": "0.017", "target": "0.016",
        "gap": "0.0160", "gap_low": "0.0155", "gap_high": "0.0165", "state": "accepted",
        "passes": "3", "readings": "butts; ground 10 thou; 16 snug",
        "checks": "deburred; ends square", "notes": "", "started": "2026-11-25 09:05 UTC",
        "ended": "", "software": "Leafcall 0.1.0", "log": "log.jsonl",
    }  # fmt: skip
    assert (second["most"], second["gap"], second["state"]) == ("", "", "to do")
    assert sheet_table(SHEET).count("\r\n") == 3  # RFC 4180: lines end with CRLF


def test_a_metric_sheet_is_in_millimetres() -> None:
    ring = replace(
        SECOND, bore_nm=83_200_000, least_nm=375_000, most_nm=425_000, target_nm=400_000,
        gap_nm=402_600, low_nm=395_000, high_nm=410_000,
    )  # fmt: skip
    sheet = replace(SHEET, unit=Unit.METRIC, bore_nm=83_200_000, rings=(ring,))
    assert "0.375 to 0.425 0.400 0.403 0.395 to 0.410" in page(sheet).text
    (row,) = rows(sheet)
    assert (row["unit"], row["bore"], row["least"], row["gap"]) == ("mm", "83.2", "0.375", "0.403")


def test_rings_are_grouped_by_cylinder_in_the_order_of_work() -> None:
    mixed = tuple(
        replace(RAIL, cylinder=cylinder, position=position)
        for position in ("second", "top")
        for cylinder in (2, 1)
    )
    text = page(replace(SHEET, rings=mixed)).text
    places = [text.index(words) for words in ("Cylinder 1 bore", "Cylinder 2 bore")]
    assert places == sorted(places)
    assert text.count("Second 15 or more") == text.count("Top 15 or more") == 2
    assert text.index("Second 15") < text.index("Top 15")


@pytest.mark.parametrize("state", RingState)
def test_each_state_is_said_in_words_and_counted(state: RingState) -> None:
    sheet = replace(SHEET, rings=(replace(SECOND, state=state),))
    assert state.value in page(sheet).text
    accepted = state in (RingState.ACCEPTED, RingState.OUTSIDE)
    assert f"{int(accepted)} of 1 rings accepted" in page(sheet).text
    assert rows(sheet)[0]["state"] == state.value


def test_the_page_needs_nothing_from_outside() -> None:
    html = sheet_page(SHEET, template=TEMPLATE)
    assert not re.search(r"(src|href|action)\s*=|url\(|@import|https?://|javascript:", html)
    found = Page(html)
    assert not {"script", "link", "img", "iframe", "form", "object"} & set(found.tags)
    assert ("content", "default-src 'none'; style-src 'unsafe-inline'") in found.attributes


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
    ring = replace(SECOND, position=text, history=(text,), checks=(text,), notes=(text,))
    sheet = replace(
        SHEET, job_name=text, person=text, grinder=text, notes=text, cautions=(text,),
        software=text, log_name=text, rings=(ring,),
    )  # fmt: skip
    found = page(sheet)
    assert (
        found.tags == page(replace(SHEET, rings=(replace(SECOND, notes=("n",)),), notes="n")).tags
    )
    assert found.text.count(" ".join(text.split())) >= 10
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
        least_nm=thou(least),
        most_nm=None if width is None else thou(least + width),
        gap_nm=thou(gap),
        low_nm=thou(max(0, gap - band[0])),
        high_nm=thou(gap + band[1]),
    )
    found = page(replace(SHEET, rings=(ring,)))
    shapes: dict[str, dict[str, Any]] = {}
    for key, value in found.attributes:
        if key == "class":
            last = shapes.setdefault(value, {})
        elif key in ("x", "width", "cx"):
            last[key] = float(value)
    window, bar = shapes["ruler-window"], shapes["ruler-band"]
    best = shapes["ruler-best"]["cx"]
    for shape in (window, bar):
        assert 2 <= shape["x"] <= shape["x"] + shape["width"] <= 102.1
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
