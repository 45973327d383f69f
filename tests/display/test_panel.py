"""The read-out as text: golden screens looked over by eye, and what must hold at any size."""

import unicodedata
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from assistant.bench.gap_words import NOT_MEASURED
from assistant.bench.job import LimitsRule, RingSpec
from assistant.bench.ports import Mode
from assistant.bench.ring_status import RingStatus, Standing, verdict_of
from assistant.bench.wording import Wording
from assistant.display.large_text import SCALES, block_letters
from assistant.display.panel import MARKS, Row, clip_text, meter_word, panel
from assistant.display.panel_model import LiveFacts, PanelFacts, facts_of
from assistant.language.grammar import Grammar
from tests.fakes import SECOND, THOU, TOP, UPPER, Bench, small_job

FIXTURES = Path(__file__).parents[1] / "fixtures"
LIVE = LiveFacts(Mode.LISTENING, level_db=-32.0, noise_db=-58.0)
SHOWN = {
    (1, TOP): RingStatus.TO_DO, (2, TOP): RingStatus.INSIDE,
    (1, SECOND): RingStatus.ACCEPTED, (2, SECOND): RingStatus.IN_WORK,
    (1, UPPER): RingStatus.SPOILED, (2, UPPER): RingStatus.ACCEPTED_UNDER,
}  # fmt: skip
FACTS = PanelFacts(
    job="bench test", verdict=verdict_of({key: Standing(s) for key, s in SHOWN.items()}),
    ring=(2, SECOND), told=NOT_MEASURED, place="cylinder 2 second ring",
    big_ring="2 second", big_gap="gap 11", big_step="grind 6",
    gap="11 thou (10 to 12 thou)", window="18 to 20 thou", more="8 thou",
    says="10 goes. 11 snug. About 11 thou. 8 thou to go. Grind 6 thou.", question="",
    heard="ten goes eleven snug", sure=0.95, effect="",
    rows=tuple((name, tuple(Standing(SHOWN[c, p]) for c in (1, 2)))
               for name, p in (("top", TOP), ("second", SECOND), ("upper", UPPER))),
    here=(1, 1), figures="thou",
)  # fmt: skip
SESSION = (
    "fifteen goes sixteen snug", "accept it", "skip this ring", "cylinder two second ring",
    "ten goes eleven snug",
)  # fmt: skip


def row_text(row: Row) -> str:
    """The text of a row without its styles and the space at its end."""
    return "".join(text for text, _ in row).rstrip()


def text_of(rows: list[Row]) -> str:
    return "".join(f"{row_text(row)}\n" for row in rows)


def changed(**changes: Any) -> PanelFacts:
    return replace(FACTS, **changes)


@pytest.fixture(scope="module")
def session_facts(grammar: Grammar, wording: Wording) -> PanelFacts:
    bench = Bench(small_job(cylinders=6, name="Heron six"), grammar, wording).through(*SESSION)
    return facts_of(bench.last, wording)


# --- facts of a turn --------------------------------------------------------------------------


def test_facts_of_a_session(session_facts: PanelFacts) -> None:
    # Window of the second ring: 0.0045 x 4 in = 18 thou, 2 thou over (tests/fakes.py).
    assert session_facts.big_ring == "2 second"
    assert session_facts.place == "cylinder 2 second ring"
    assert session_facts.window == "18 to 20 thou"
    assert session_facts.heard == "ten goes eleven snug"
    assert session_facts.sure == 0.95
    assert session_facts.big_gap == "gap 11"
    assert session_facts.big_step.startswith("grind ")
    assert session_facts.verdict.words() == "NOT DONE YET: 1 skipped, 16 open"
    assert session_facts.verdict.progress == "1 of 18 rings accepted inside"
    assert session_facts.here == (1, 1)
    marks = {name: [one.status for one in row] for name, row in session_facts.rows}
    assert list(marks) == ["top", "second", "upper"]
    assert marks["upper"][0] is RingStatus.ACCEPTED
    assert marks["second"][:2] == [RingStatus.SKIPPED, RingStatus.IN_WORK]
    assert set(marks["top"]) == {RingStatus.TO_DO}


@pytest.mark.parametrize(
    ("calls", "step", "gap"),
    [
        ((), "try ", ""),
        (("butts",), "grind 10", "butts"),
        (("fifteen goes sixteen snug",), "accept it", "gap 16"),
        (("wrap up",), "try ", ""),
    ],
)
def test_the_step_and_the_gap_in_large_letters(
    bench: Bench, wording: Wording, calls: tuple[str, ...], step: str, gap: str
) -> None:
    bench.say("where am i")
    facts = facts_of(bench.through(*calls).last, wording)
    assert facts.big_step.startswith(step)
    assert facts.big_gap == gap


def test_a_question_waits_on_screen_until_it_is_answered(bench: Bench, wording: Wording) -> None:
    bench.through("cylinder one top ring", "ten goes eleven snug", "ground four", "nine snug")
    asked = facts_of(bench.last, wording)
    assert asked.big_step == "yes or no?"
    assert asked.question.endswith("Yes or no?")
    text = text_of(panel(asked, LIVE, width=80, height=24))
    assert " ".join(text.split()).count("Yes or no?") == 1
    bench.say("no")
    assert facts_of(bench.last, wording).question == ""


def test_a_turn_without_words_leaves_the_last_call_on_screen(
    bench: Bench, wording: Wording
) -> None:
    before = facts_of(bench.through("fifteen goes").last, wording)
    bench.dialogue.tell("microphone lost")
    after = facts_of(bench.last, wording, before=before)
    assert (after.heard, after.sure) == (before.heard, before.sure)
    assert after.says == bench.last.reply.shown != before.says


def test_after_a_cut_the_old_gap_is_not_shown(bench: Bench, wording: Wording) -> None:
    bench.through("cylinder one top ring", "ten goes eleven snug", "ground four")
    facts = facts_of(bench.last, wording)
    assert (facts.gap, facts.big_gap) == ("not measured since the cut", "")
    assert facts.big_step.startswith("try ")


def test_a_refused_call_says_why(bench: Bench, wording: Wording) -> None:
    bench.say("take that back")
    facts = facts_of(bench.last, wording)
    assert facts.effect
    assert "no effect: " in text_of(panel(facts, LIVE, width=100, height=30))


def test_a_metric_job_shows_large_figures_as_called(metric_bench: Bench, wording: Wording) -> None:
    metric_bench.through("thirty goes thirty five snug")
    facts = facts_of(metric_bench.last, wording)
    assert facts.big_step.startswith("file ")
    assert facts.figures == "hundredths of a mm"
    assert facts.gap.count("mm") == 2
    assert float(facts.big_gap.removeprefix("gap ")) == pytest.approx(
        100 * float(facts.gap.split()[0]), abs=0.051
    )


TOP_ONLY = (RingSpec(position=TOP, rule=LimitsRule(least_nm=16 * THOU, most_nm=18 * THOU)),)


@pytest.mark.parametrize(
    ("calls", "ring", "step", "verdict"),
    [
        (["sixteen goes seventeen snug", "accept it"], "all done", "wrap up",
         "= ALL RIGHT: 1 of 1 rings accepted inside"),
        (["spoiled ring"], "1 top", "new ring", "! NOT RIGHT YET: 1 to replace (cylinder 1 top)"),
        (["twelve goes thirteen snug", "accept it", "yes"], "1 top", "not right",
         "! NOT RIGHT YET: 1 under the least (cylinder 1 top)"),
    ],
)  # fmt: skip
def test_at_the_end_it_is_all_done_only_if_it_is_right(
    grammar: Grammar, wording: Wording, calls: list[str], ring: str, step: str, verdict: str
) -> None:
    job = small_job(rings=TOP_ONLY, cylinders=1)
    facts = facts_of(Bench(job, grammar, wording).through(*calls).last, wording)
    assert (facts.big_ring, facts.big_step, facts.here) == (ring, step, None)
    drawn = text_of(panel(facts, LIVE, width=80, height=24)).splitlines()
    assert drawn[0].startswith(verdict)


def test_the_verdict_is_the_first_line_and_names_what_there_is_room_for() -> None:
    counts = "! NOT RIGHT YET: 1 under the least, 1 to replace, 3 open"
    assert text_of(panel(FACTS, LIVE, width=120, height=24)).startswith(
        "! NOT RIGHT YET: 1 under the least (cylinder 2 upper rail), 1 to replace "
        "(cylinder 1 upper rail), 3 open "
    )
    assert text_of(panel(FACTS, LIVE, width=80, height=24)).startswith(counts)


# --- layout -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "height", "plain"),
    [(80, 24, False), (120, 40, False), (60, 20, False), (80, 24, True)],
)
def test_golden_screens(session_facts: PanelFacts, width: int, height: int, plain: bool) -> None:
    drawn = text_of(panel(session_facts, LIVE, width=width, height=height, ascii_only=plain))
    path = FIXTURES / f"panel-{width}x{height}{'-ascii' if plain else ''}.txt"
    assert drawn == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("size", [(60, 20), (80, 24), (100, 30), (120, 40), (200, 50), (90, 60)])
@pytest.mark.parametrize("step", ["grind 6.5", "accept it", "try 10+6", "wrap up"])
def test_the_step_is_the_largest_thing_on_the_screen(size: tuple[int, int], step: str) -> None:
    width, height = size
    rows = panel(changed(big_step=step), LIVE, width=width, height=height)
    large = {
        style: [row[0][0] for row in rows if row and row[0][1] == style]
        for style in ("step", "big")
    }
    ways = [step, *step.split()]  # on one line, or broken into two
    scales = {
        style: next(
            (scale for scale in SCALES for text in texts
             if list(block_letters(text, scale)) == large[style][: scale.lines]), None,
        )
        for style, texts in (("step", ways), ("big", ["2 second"]))
    }  # fmt: skip
    assert scales["step"] is not None
    assert scales["big"] is None or not scales["step"] < scales["big"]
    assert len(large["step"]) > len(large["big"])
    filled = [row for row in rows if row]
    assert len(filled) > height / 2


NAMES = st.text(max_size=40) | st.sampled_from(
    ["\x1b[2J\x1b[31mred", "\u202eabc", "環" * 40, "e\u0301" * 60, "👩\u200d🔧 bench", "a\nb\tc"]
)


@given(
    name=NAMES, said=NAMES, question=NAMES, trouble=NAMES,
    width=st.integers(1, 200), height=st.integers(1, 60),
    mode=st.sampled_from(Mode), level=st.none() | st.floats(-200, 20),
    noise=st.none() | st.floats(-200, 20), plain=st.booleans(),
    cylinders=st.integers(1, 16),
)  # fmt: skip
def test_any_size_and_any_name_fits_and_moves_no_cursor(
    name: str, said: str, question: str, trouble: str, width: int, height: int, mode: Mode,
    level: float | None, noise: float | None, plain: bool, cylinders: int,
) -> None:  # fmt: skip
    rows = (("top", (Standing(RingStatus.TO_DO),) * cylinders),)
    facts = changed(job=name, heard=said, says=said, question=question, rows=rows, here=(0, 0))
    live = LiveFacts(mode, level, noise, (trouble,))
    drawn = panel(facts, live, width=width, height=height, ascii_only=plain)
    assert len(drawn) == height
    for row in drawn:
        text = "".join(text for text, _ in row)
        assert cell_len(text) <= width
        assert text.isprintable()


@pytest.mark.parametrize("height", range(6, 41))
def test_what_matters_most_is_there_at_any_height(height: int) -> None:
    text = text_of(panel(FACTS, LIVE, width=80, height=height))
    assert "11 thou" in text
    assert "LISTENING" in text
    assert "ten goes eleven snug" in text


@pytest.mark.parametrize("cylinders", range(1, 17))
@pytest.mark.parametrize("width", [60, 80])
def test_every_ring_is_on_the_map_with_its_letter(cylinders: int, width: int) -> None:
    marks = tuple(list(RingStatus)[n % len(RingStatus)] for n in range(cylinders))
    row = tuple(Standing(mark) for mark in marks)
    rows = panel(changed(rows=(("top", row),), here=(0, 0)), LIVE, width=width, height=24)
    line = next(row_text(row) for row in rows if row_text(row).startswith("top "))
    assert [c for c in line[8:] if c.isalpha()] == [MARKS[mark][0] for mark in marks]


def test_no_two_ways_to_stand_share_a_letter() -> None:
    assert set(MARKS) == set(RingStatus)
    assert len({letter for letter, *_ in MARKS.values()}) == len(RingStatus)


def test_signs_are_told_in_words_and_letters_not_by_colour_alone() -> None:
    text = text_of(panel(FACTS, LIVE, width=110, height=40))
    for told in (
        "> at hand",
        "t to do",
        "A accepted",
        "X spoiled",
        "w in work",
        "i inside",
        "U accepted, under the least",
    ):
        assert told in text


@pytest.mark.parametrize(("mode", "large"), [(Mode.STAND_BY, "STAND BY"), (Mode.LOST, "NO MIC")])
def test_a_bench_that_does_not_hear_says_so_instead_of_the_step(mode: Mode, large: str) -> None:
    text = text_of(panel(FACTS, LiveFacts(mode), width=40, height=10))
    assert large in text
    assert "GRIND" not in text
    rows = panel(FACTS, LiveFacts(mode), width=60, height=20)
    alerts = [row[0][0] for row in rows[1:] if row and row[0][1] == "alert"]
    assert any(list(block_letters(large, scale)) == alerts for scale in SCALES)


def test_troubles_are_shown_above_the_meter_newest_last() -> None:
    live = LiveFacts(Mode.LISTENING, -30.0, -60.0, ("first", "second", "third"))
    lines = text_of(panel(FACTS, live, width=80, height=24)).splitlines()
    assert [line.split() for line in lines[-3:-1]] == [["TROUBLE", "second"], ["TROUBLE", "third"]]


def test_the_meter_grows_with_the_level_and_marks_the_noise() -> None:
    def bar(level_db: float, noise_db: float = -70.0) -> str:
        live = LiveFacts(Mode.LISTENING, level_db, noise_db)
        return row_text(panel(None, live, width=80, height=2, ascii_only=True)[-1])

    filled = [bar(level).count("#") for level in (-90, -60, -40, -20, 0, 10)]
    assert filled == sorted(filled)
    assert filled[0] == 0 < filled[1] < filled[3]
    assert bar(-20, -70).index("|") < bar(-20, -30).index("|")
    assert bar(-20).endswith("-20 dB, noise -70")


@pytest.mark.parametrize(
    ("level", "noise", "word"),
    [(-20.0, -60.0, ""), (-1.0, -60.0, "TOO LOUD"), (-20.0, -35.0, "NOISY"), (None, None, "")],
)
def test_the_meter_says_in_words_what_is_wrong(
    level: float | None, noise: float | None, word: str
) -> None:
    assert meter_word(LiveFacts(Mode.LISTENING, level, noise)) == word


def test_before_the_first_turn_there_is_a_header_and_a_meter() -> None:
    lines = text_of(panel(None, LIVE, width=60, height=5)).splitlines()
    assert lines[0].startswith("leafcall")
    assert lines[0].endswith("o LISTENING")
    assert lines[-1].startswith("mic")


# --- columns ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "wide"), [("abc", 3), ("環a", 3), ("e\u0301", 1), ("ｱ", 1), ("Ａ", 2), ("", 0)]
)
def test_columns_by_unicode_annex_11(text: str, wide: int) -> None:
    assert clip_text(text, wide) == text
    assert clip_text(f"{text}{text}", wide) == text


@given(st.text(max_size=30), st.integers(0, 40))
def test_clipped_text_fits_and_is_whole_if_it_did_before(text: str, width: int) -> None:
    clipped = clip_text(text, width)
    assert cell_len(clipped) <= width
    if text.isprintable() and cell_len(text) <= width:
        assert clipped == text
    assert not any(unicodedata.category(c) == "Cc" for c in clipped)
