"""The review page: sound HTML, usable without sight and without scripts, nothing hostile comes
through, nothing from outside is asked for."""

import base64
import hashlib
import re
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.data_files import grammar_texts, page_template
from assistant.adapters.files.session_log import read_log
from assistant.bench import events as ev
from assistant.bench.gap_words import GapKind, ToldGap
from assistant.bench.ring_status import RingStatus
from assistant.bench.wording import Wording
from assistant.fitting.facts import Feel
from assistant.fitting.targets import Window
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from assistant.record.review_page import review_page
from assistant.record.review_plots import gap_plot
from assistant.record.session_story import Band, Entry, story_of
from assistant.units import Unit
from tests.examples import FEW
from tests.fakes import START, THOU, TOP, Bench, small_job, stored

TEMPLATE = page_template("review")
ROOT = Path(__file__).resolve().parents[2]
VOID = {"meta", "input", "br", "hr", "img", "link", "source"}
HOSTILE = (
    "</title></style></script><script>alert(1)</script><img src=x onerror=alert(2)>"
    "\"' onmouseover=alert(3) {{ 7*7 }} &amp;\x00\x1b"
)


class Page(HTMLParser):
    """A page taken apart: every element with its attributes and text; complains of bad nesting."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None], str]] = []
        self._texts: list[list[str]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), (tag, names)
        if tag in VOID:
            self.elements.append((tag, dict(attrs), ""))
            return
        self.open.append(tag)
        self._texts.append([])
        self.elements.append((tag, dict(attrs), ""))
        self._texts[-1].append(str(len(self.elements) - 1))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs), ""))

    def handle_data(self, data: str) -> None:
        for texts in self._texts:
            texts.append(data)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag
        at, *texts = self._texts.pop()
        kind, attributes, _ = self.elements[int(at)]
        self.elements[int(at)] = (kind, attributes, "".join(texts))

    def all(self, *tags: str) -> list[tuple[str, dict[str, str | None], str]]:
        return [element for element in self.elements if element[0] in tags]

    def ids(self) -> list[str]:
        return [str(a["id"]) for _, a, _ in self.elements if a.get("id")]


@lru_cache(maxsize=1)
def _wording() -> Wording:
    folder = ROOT / "grammar"
    texts = grammar_texts(folder)
    return Wording(texts[REPLIES_FILE], Grammar(texts).numbers)


def page_of(log: Any, **options: Any) -> str:
    given_options = {"template": TEMPLATE, "log_name": "001/log.jsonl", **options}
    return review_page(story_of(log, _wording()), **given_options)


@pytest.fixture
def worked(bench: Bench) -> str:
    """The page of a session with everything in it."""
    bench.through(
        "twenty goes", "accept it", "cylinder one second ring fifteen goes sixteen snug",
        "ground two", "take that back", "ground one", "deburred", "ring is square", "what now",
        "seventeen goes eighteen almost", "banana", "twenty five goes", "no", "note",
        "remember the sleeve", "cylinder one top ring", "butts", "ground five", "spoiled ring",
        "cylinder one top ring", "yes", "ten goes", "cylinder two top ring", "skip this ring",
        "stand by", "fifteen goes", "listen up",
    )  # fmt: skip
    trouble = ev.TroubleNoted(about="microphone lost", detail="unplugged")
    last = stored(*[()] * (bench.state.turn + 1), (trouble, ev.NoteKept(clip="0003.wav")))
    log = [*bench.store.events, *last]
    return page_of(log, sounds={"0003.wav": "clips/0003.wav"}, warnings=["Line 9 is damaged."])


def hostile_log() -> list[ev.Envelope]:
    job = small_job().model_copy(
        update={"name": HOSTILE, "person": HOSTILE, "notes": HOSTILE}
    )  # as a log holds it that was written by hand
    heard = {"source": HOSTILE, "words": HOSTILE, "score": 0.5, "start_s": 0.0, "end_s": 1.0}
    where = {"cylinder": 1, "position": TOP}
    reading = ev.LeafTried(**where, leaf_nm=15 * THOU, leaves=1, feel=Feel.GOES)
    return stored(
        (ev.SessionOpened.model_construct(job=job, software=HOSTILE, start=None),),
        (ev.CallHeard(**heard, command=HOSTILE, refused=None, clip="../../secret.wav"),
         ev.ReplyGiven(text=HOSTILE)),
        (ev.CallHeard(**heard, command=None, refused=HOSTILE, clip='x.wav" onerror="alert(4)'),),
        (ev.CallHeard(**heard, command="readings", refused=None), reading),
        (ev.NoteKept(text=HOSTILE),), (ev.NoteKept(clip="javascript:alert(5)"),),
        (ev.QuestionAsked(about=HOSTILE, facts={HOSTILE: HOSTILE}, pending=(reading,)),),
        (ev.TroubleNoted(about="clip lost", detail=HOSTILE),),
    )  # fmt: skip


# --- soundness ----------------------------------------------------------------------------------


def test_the_page_is_well_formed_with_ids_that_are_unique_and_links_that_lead_somewhere(
    worked: str,
) -> None:
    page = Page(worked)
    ids = page.ids()
    assert len(ids) == len(set(ids)) > 20
    targets = [str(a["href"]) for _, a, _ in page.all("a")]
    assert targets
    assert all(target[0] == "#" and target[1:] in ids for target in targets)
    for _, attributes, _ in page.elements:
        for name in ("aria-labelledby", "aria-describedby", "for"):
            for ident in (attributes.get(name) or "").split():
                assert ident in ids


def test_every_picture_has_a_name_or_is_hidden_from_screen_readers(worked: str) -> None:
    pictures = Page(worked).all("svg", "img")
    named = [a for _, a, _ in pictures if a.get("aria-labelledby")]
    assert len(named) >= 4
    assert all(a.get("role") == "img" for a in named)
    assert all(
        a.get("aria-labelledby") or a.get("aria-label") or a.get("aria-hidden") == "true"
        for _, a, _ in pictures
    )


def test_every_control_has_a_label_and_every_sound_a_name(worked: str) -> None:
    page = Page(worked)
    controls = page.all("input", "select")
    assert len(controls) == 4
    labelled = "".join(re.findall("<label>.*?</label>", worked, re.DOTALL))
    inside = labelled.count("<input") + labelled.count("<select")
    assert inside == len(controls)
    assert [a["aria-label"] for _, a, _ in page.all("audio")] != []
    assert all(re.fullmatch(r"Sound of call \d+", str(a["aria-label"]))
               and "controls" in a for _, a, _ in page.all("audio"))  # fmt: skip
    assert page.all("html")[0][1]["lang"] == "en"


def test_headings_step_down_one_by_one_and_there_are_landmarks(worked: str) -> None:
    page = Page(worked)
    levels = [int(tag[1]) for tag, _, _ in page.all("h1", "h2", "h3", "h4")]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    for landmark in ("header", "nav", "main", "footer"):
        assert page.all(landmark)
    status = [a for _, a, _ in page.elements if a.get("aria-live")]
    assert [a["aria-live"] for a in status] == ["polite"]
    assert page.all("form")[0][1].get("role") == "search"


def test_tables_have_captions_and_headers_with_scopes(worked: str) -> None:
    page = Page(worked)
    assert len(page.all("table")) == len(page.all("caption")) >= 4
    assert all(a.get("scope") in ("col", "row") for _, a, _ in page.all("th"))


def test_nothing_comes_from_outside(worked: str) -> None:
    page = Page(worked)
    for tag, attributes, _ in page.elements:
        assert tag not in ("link", "iframe", "object", "embed", "base")
        for name in ("src", "href", "action", "poster", "srcset"):
            assert re.match(r"#|clips/[0-9]{4}\.wav$", attributes.get(name) or "#")
        assert "style" not in attributes
        assert not [name for name in attributes if name.startswith("on")]
    assert re.search(r"https?:|//[a-z]|url\(|@import", worked) is None


def test_the_policy_lets_run_only_the_script_and_style_of_the_page_itself(worked: str) -> None:
    # CSP level 3: a hash source is the base64 of the SHA-256 of the element's text.
    page = Page(worked)
    policy = next(str(a["content"]) for _, a, _ in page.all("meta")
                  if a.get("http-equiv") == "Content-Security-Policy")  # fmt: skip
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    for element in ("script", "style"):
        (found,) = page.all(element)
        digest = base64.b64encode(hashlib.sha256(found[2].encode()).digest()).decode()
        assert f"{element}-src 'sha256-{digest}'" in policy


def test_without_scripts_all_is_there_but_the_search(worked: str) -> None:
    hidden = [(tag, a.get("id")) for tag, a, _ in Page(worked).elements if "hidden" in a]
    assert hidden == [("form", "find")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_colour_is_readable_on_every_ground(scheme: str) -> None:
    # WCAG 2.2: relative luminance and contrast ratio; 4.5 for text (success criterion 1.4.3).
    blocks = re.findall(r":root \{(.*?)\}", TEMPLATE, re.DOTALL)
    colours = dict(
        re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", blocks[0 if scheme == "light" else 1])
    )
    for text in ("ink", "soft", "accent", "band", "bad", "edge"):
        for ground in ("paper", "panel", "groove"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for ground in ("metal", "metal-dark", "window"):
        assert contrast(colours["ink"], colours[ground]) >= 4.5, ground


def contrast(one: str, other: str) -> float:
    def luminance(colour: str) -> float:
        parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
        red, green, blue = (
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_of_black_on_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2, definition


# --- what it tells ------------------------------------------------------------------------------


def turns(page: Page) -> dict[str, str]:
    return {str(a["id"]): " ".join(text.split()) for _, a, text in page.all("li")
            if str(a.get("id", "")).startswith("call-")}  # fmt: skip


def test_calls_are_told_with_what_was_understood_how_sure_and_what_was_answered(
    worked: str,
) -> None:
    told = turns(Page(worked))
    line = next(t for t in told.values() if "ground one" in t)
    assert "95 % sure" in line
    assert "understood Ground 1 thou" in line
    assert "answered Ground one thou." in line
    assert any("no effect words that the bench does not know" in t for t in told.values())
    assert any("asked back" in t and "25 thou goes" in t for t in told.values())
    assert any("trouble microphone lost: unplugged" in t for t in told.values())


def test_corrections_are_struck_in_the_log_and_in_the_ring(worked: str) -> None:
    struck = [text for _, _, text in Page(worked).all("del")]
    assert struck.count("ground 2 thou") == struck.count("Ground 2 thou") == 1
    assert "ground two" in struck
    assert worked.count('class="mark-word">taken back') == 2


def test_the_engine_shows_each_ring_with_its_state_in_words(worked: str) -> None:
    page = Page(worked)
    (engine,) = [text for tag, a, text in page.all("ol") if a.get("class") == "engine"]
    for status in (RingStatus.ACCEPTED, RingStatus.IN_WORK, RingStatus.SKIPPED, RingStatus.TO_DO):
        assert status.value in engine
    assert engine.count("Top ring") == 2
    assert "Ring 2 in this place" in worked


def test_search_and_filters_have_what_they_look_for(worked: str) -> None:
    page = Page(worked)
    offered = {str(a["value"]) for _, a, _ in page.all("option")} - {""}
    rows = [a for _, a, _ in page.all("li") if "data-kinds" in a]
    used = {word for a in rows for name in ("data-kinds", "data-rings")
            for word in str(a[name]).split()}  # fmt: skip
    assert offered >= used
    assert {"refused", "trouble", "correction", "ring-1-second"} <= offered


def test_warnings_stand_at_the_top(worked: str) -> None:
    assert worked.index("Line 9 is damaged.") < worked.index('id="engine"')
    assert "Read this with care" not in page_of(stored())


def test_times_are_those_of_the_readers_clock() -> None:
    log = stored((ev.SessionOpened(job=small_job(), software="a"),))
    east = timezone(timedelta(hours=5, minutes=30))
    page = page_of(log, local=lambda at: at.astimezone(east))
    assert datetime(2026, 3, 1, 8, tzinfo=UTC) == START
    assert "13:30:00" in page
    assert 'datetime="2026-03-01T08:00:00.000+00:00"' in page
    assert "UTC+05:30" in page
    assert "Times: UTC." in page_of(log)


def test_an_empty_log_and_one_without_its_beginning_have_a_page(bench: Bench) -> None:
    assert "The log is empty: no session was opened." in page_of([])
    Page(page_of([]))
    bench.through("fifteen goes", "what now")
    page = page_of(bench.store.events[2:])
    Page(page)
    assert "A log without its beginning" in page
    assert "fifteen goes" in page


def test_a_log_of_form_1_has_a_page() -> None:
    page = page_of(read_log(ROOT / "tests" / "fixtures" / "log_v1.jsonl"))
    assert len(turns(Page(page))) > 5


def test_metric_gaps_are_shown_in_millimetres(metric_bench: Bench) -> None:
    metric_bench.through("thirty goes", "twelve strokes", "thirty five goes")
    page = page_of(metric_bench.store.events)
    assert "0.350 to 0.450" in page
    assert "12 str." in page
    assert re.search(r"\bthou\b", page.partition("</style>")[2]) is None


# --- nothing hostile comes through --------------------------------------------------------------


def test_what_is_hostile_in_a_log_stays_text() -> None:
    text = page_of(hostile_log(), warnings=[HOSTILE], log_name=HOSTILE)
    page = Page(text)
    assert len(page.all("script")) == len(page.all("style")) == 1
    assert page.all("img") == []
    for _, attributes, _ in page.elements:
        assert not [name for name in attributes if name.startswith("on")]
    assert text.count("&lt;script&gt;alert(1)") >= 12
    assert "{{ 7*7 }}" in text
    assert "\x00" not in text
    assert "\x1b" not in text


def test_only_sound_that_was_handed_in_is_played() -> None:
    page = Page(page_of(hostile_log(), sounds={}))
    assert page.all("audio") == []
    assert sum("is not beside the log" in text for _, _, text in page.all("p")) == 3


@FEW
@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=60))
def test_any_text_in_a_log_is_shown_as_it_is(text: str) -> None:
    heard = ev.CallHeard(source="s", words=text, command=None, refused="foreign", score=0.1,
                         start_s=0.0, end_s=1.0)  # fmt: skip
    log = stored((ev.SessionOpened(job=small_job(), software="a"),), (heard,),
                 (ev.NoteKept(text=text or "-"),))  # fmt: skip
    page = Page(page_of(log))
    printable = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]")
    shown = printable.sub("\ufffd", text).replace("\r\n", "\n").replace("\r", "\n")
    quotes = [t.replace("\r\n", "\n").replace("\r", "\n") for _, _, t in page.all("bdi")]
    assert quotes.count(shown) >= (2 if text else 1)


# --- the plot -----------------------------------------------------------------------------------


def entry(*events: Any, passes: int, band: Band | None) -> Entry:
    return Entry(1, events, (), passes, band)


def band_of(kind: GapKind, best: int, low: int, high: int) -> Band:
    """A band in thou."""
    lengths = (best * THOU, low * THOU, high * THOU)
    told = ToldGap(kind, lengths[0] if kind is GapKind.FIGURE else None, *lengths[1:])
    return Band(*lengths, felt=kind is not GapKind.CUT, butting=False, told=told)


def test_in_the_plot_a_larger_gap_is_higher_and_marks_point_to_the_gap() -> None:
    where = {"cylinder": 1, "position": TOP}
    tried = [ev.LeafTried(**where, leaf_nm=n * THOU, leaves=1, feel=feel)
             for n, feel in ((12, Feel.GOES), (13, Feel.NO_GO))]  # fmt: skip
    window = Window(16 * THOU, 18 * THOU, 17 * THOU)
    found = band_of(GapKind.FIGURE, 12, 12, 13)
    expected = band_of(GapKind.CUT, 15, 14, 16)
    plot = str(gap_plot(
        [entry(*tried, passes=0, band=found),
         entry(ev.MetalGround(**where, feed_nm=3 * THOU), passes=1, band=expected)],
        window, Unit.INCH, name="N", ident="i",
    ))  # fmt: skip
    page = Page(plot)
    marks = [re.search(r"translate\(([0-9.]+) ([0-9.]+)\)", str(a["transform"]))
             for _, a, _ in page.all("g")]  # fmt: skip
    goes, no_go = [(float(m[1]), float(m[2])) for m in marks if m]
    assert goes[1] > no_go[1]  # y grows downwards
    assert goes[0] < no_go[0]
    rects = {str(a["class"]): a for _, a, _ in page.all("rect")}
    known, told = rects["band"], rects["band expected"]
    assert float(str(known["y"])) > float(str(told["y"]))
    assert float(str(known["x"])) < float(str(told["x"]))
    shade = rects["window"]
    assert float(str(shade["y"])) < float(str(told["y"]))
    assert [text for _, _, text in page.all("text")][-1] == "+3"
    assert "Window 16 to 18 thou. At first: 12 thou (12 to 13 thou)." in plot
    assert "After cut 1: not measured since the cut, expected 14 to 16 thou." in plot


def test_a_band_of_one_thou_is_as_high_as_two_ticks_of_half_a_thou() -> None:
    where = {"cylinder": 1, "position": TOP}
    tried = ev.LeafTried(**where, leaf_nm=16 * THOU, leaves=1, feel=Feel.SNUG)
    band = band_of(GapKind.FIGURE, 16, 15, 17)
    window = Window(15 * THOU, 17 * THOU, 16 * THOU)
    page = Page(str(gap_plot([entry(tried, passes=0, band=band)], window, Unit.INCH, name="N",
                             ident="i")))  # fmt: skip
    rects = {str(a["class"]): a for _, a, _ in page.all("rect")}
    assert rects["band"]["height"] == rects["window"]["height"]
    assert rects["band"]["y"] == rects["window"]["y"]


def test_a_ring_that_was_only_looked_at_has_no_plot() -> None:
    checked = ev.RingChecked(cylinder=1, position=TOP, check="deburred")
    window = Window(15 * THOU, None, 15 * THOU)
    assert gap_plot([entry(checked, passes=0, band=None)], window, Unit.INCH, name="N",
                    ident="i") == ""  # fmt: skip
