"""Making a job by question and answer."""

from collections.abc import Iterator
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.job_file import job_text, parse_job
from assistant.bench.job import (
    FactorRule,
    GrinderKind,
    Job,
    LimitsRule,
    RingPosition,
    usual_leaves_nm,
)  # fmt: skip
from assistant.bench.new_job import (
    AGREE,
    BACK,
    Ask,
    Question,
    check,
    interview,
    questions,
    summary,
    take_default,
)  # fmt: skip
from assistant.errors import JobError
from assistant.units import NM_PER_THOU, Unit

NEEDED = {"name": "lathe engine", "cylinders": "4", "bore": "3.2755"}


def answering(*answers: str) -> tuple[Ask, list[tuple[str, str]]]:
    """An Ask that gives ``answers`` one after the other, then empty ones, and what it was asked."""
    asked: list[tuple[str, str]] = []
    left: Iterator[str] = iter(answers)

    def ask(question: Question, reason: str) -> str:
        asked.append((question.key, reason))
        return next(left, "")

    return ask, asked


def test_empty_answers_take_the_usual_values() -> None:
    ask, asked = answering("lathe  engine ", "", "", "4", "3.2755")
    job = interview(ask)
    assert [key for key, _ in asked] == [
        "name", "person", "unit", "cylinders", "bore", "bores", "rings", "upper-rail",
        "lower-rail", "second", "top", "order", "leaves", "grinder", "step", "largest-cut",
        "butting-cut",
    ]  # fmt: skip
    assert all(reason == "" for _, reason in asked)
    assert (job.name, job.unit, job.cylinders) == ("lathe engine", Unit.INCH, 4)
    assert job.leaves_nm == usual_leaves_nm(Unit.INCH)
    # Rule-of-thumb factors and the least gap of rails: common practice, no source.
    assert job.ring(RingPosition.TOP).rule == FactorRule(
        factor=Decimal("0.0055"), over_nm=2 * NM_PER_THOU
    )
    assert job.ring(RingPosition.LOWER_RAIL).rule == LimitsRule(least_nm=15 * NM_PER_THOU)
    assert parse_job(job_text(job)) == job


def test_a_wrong_answer_is_asked_again_with_the_reason() -> None:
    ask, asked = answering("", "lathe", "", "feet", "inch", "four", "40", "4", "83.2", "3.2755")
    assert interview(ask).cylinders == 4
    reasons = [reason for _, reason in asked if reason]
    assert reasons == [
        "This needs an answer.",
        "'feet' is no unit: write inch or metric.",
        "'four' is no number of cylinders: write a whole number, like 4.",
        "'40' will not do: cylinders is 1 to 16.",
        "'83.2' will not do: a bore is 20 to 600 mm (0.7874 to 23.62205 in): smaller is a toy, "
        "larger is not hand work.",
    ]


def test_options_are_not_asked_again() -> None:
    ask, asked = answering("metric job")
    job = interview(
        ask,
        options={
            "unit": "metric", "cylinders": "2", "bore": "83.2", "bores": "2: 83.22 83.21",
            "rings": "top, oil", "top": "least 0.40 most 0.50", "oil": "factor 0.004",
            "order": "top, oil", "leaves": "0.05, 0.40 to 0.50 by 0.05", "grinder": "file",
            "step": "0.008", "largest-cut": "0.1", "risk": "0.002", "notes": "old sleeves",
        },
    )  # fmt: skip
    assert [key for key, _ in asked] == ["name", "person", "butting-cut"]
    assert job.bore_for(2) == 83_210_000
    assert job.leaves_nm == (50_000, 400_000, 450_000, 500_000)
    assert job.ring(RingPosition.TOP).rule == LimitsRule(least_nm=400_000, most_nm=500_000)
    assert job.order == (RingPosition.TOP, RingPosition.OIL)
    assert (job.grinder.kind, job.grinder.butting_cut_nm) == (GrinderKind.FILE, 100_000)
    assert (job.risk, job.notes) == (Decimal("0.002"), "old sleeves")


@pytest.mark.parametrize(
    ("key", "answer", "reason"),
    [
        ("bores", "1 3.2757", "write cylinder: bores"),
        ("bores", "5: 3.2757", "cylinders 1 to 4"),
        ("bores", "1: 3.2757, 1: 3.2756", "given twice"),
        ("bores", "1: 3.5", "more than 2 % off"),
        ("rings", "top, middle", "'middle' is no ring"),
        ("rings", "top, top", "given twice"),
        ("rings", ",", "at least one ring"),
        ("top", "0.016", "no rule"),
        ("top", "least 0.020 most 0.016", "must be larger than the least"),
        ("top", "least 0.0.1", "no plain number"),
        ("top", "factor 0.5", "0.001 to 0.02"),
        ("top", "factor 1.2.3", "no plain number"),
        ("order", "top", "each ring of the job once"),
        ("leaves", "thin ones", "no plain number"),
        ("leaves", "1e999999", "no plain number"),
        ("leaves", "0.010 to 0.020 by 0", "no run of leaves"),
        ("leaves", "0.001 to 9 by 0.0001", "no run of leaves"),
        ("leaves", "0.0001", "a leaf is"),
        ("grinder", "belt", "write dial or file"),
        ("step", "0.1", "a dial step"),
        ("largest-cut", "1", "a single cut is"),
        ("butting-cut", "0.011", "must not pass the largest"),
        ("risk", "1", "0.0001 to 0.2"),
        ("rail", "least 0.1", "not asked for this job. Its questions are name, person, unit"),
    ],
)
def test_a_wrong_option_is_refused_with_its_key_and_reason(
    key: str, answer: str, reason: str
) -> None:
    with pytest.raises(JobError) as caught:
        interview(take_default, options={**NEEDED, key: answer})
    assert str(caught.value).startswith(key)
    assert reason in str(caught.value)


@pytest.mark.parametrize("key", NEEDED)
def test_without_anyone_to_ask_a_needed_answer_is_named(key: str) -> None:
    options = {other: text for other, text in NEEDED.items() if other != key}
    with pytest.raises(JobError, match=f"{key} is missing: .* Give it as an option"):
        interview(take_default, options=options)


@pytest.mark.parametrize("unit", Unit)
@pytest.mark.parametrize("grinder", GrinderKind)
@pytest.mark.parametrize(
    "rings", ["top", "oil, second, top", "top, second, oil, upper rail, lower rail"]
)
def test_all_defaults_agree_with_each_other(unit: Unit, grinder: GrinderKind, rings: str) -> None:
    bore = "3.2755" if unit is Unit.INCH else "83.2"
    options = {**NEEDED, "bore": bore, "unit": unit, "grinder": grinder, "rings": rings}
    job = interview(take_default, options=options)
    assert job.doubts() == ()
    assert parse_job(job_text(job)) == job


@given(st.lists(st.text(max_size=12), max_size=40), st.sampled_from(Unit))
def test_no_answer_breaks_the_interview(typed: list[str], unit: Unit) -> None:
    answers = {"name": "n", "person": "", "unit": str(unit), "cylinders": "2"}
    for text in typed:
        question = next((q for q in questions(answers) if q.key not in answers), None)
        if question is None:
            break
        try:
            answers[question.key] = check(question, text, answers)
        except JobError as error:
            answers.setdefault("bore", "3.3" if unit is Unit.INCH else "84")
            assert str(error)  # noqa: PT017


# --- a step back, the last look, answers of before ----------------------------------------------


def test_back_goes_to_the_question_before_and_offers_its_answer() -> None:
    ask, asked = answering("lathe", "", "inch", "4", BACK, BACK, "metric", "2", "83.2")
    job = interview(ask)
    assert (job.unit, job.cylinders, job.bore_nm) == (Unit.METRIC, 2, 83_200_000)
    keys = [key for key, _ in asked[:9]]
    assert keys == [
        "name", "person", "unit", "cylinders", "bore", "cylinders", "unit", "cylinders", "bore",
    ]  # fmt: skip


def test_back_at_the_first_question_stays_there() -> None:
    ask, asked = answering(BACK, BACK, "lathe", "", "", "4", "3.2755")
    assert interview(ask).name == "lathe"
    assert [key for key, _ in asked[:3]] == ["name"] * 3


def test_what_an_option_answered_is_gone_past_on_the_way_back() -> None:
    ask, asked = answering("lathe", "", "4", BACK, "2", "3.2755")
    assert interview(ask, options={"unit": "inch"}).cylinders == 2
    assert [key for key, _ in asked[:5]] == ["name", "person", "cylinders", "bore", "cylinders"]


def test_the_job_is_looked_at_before_it_is_agreed_to() -> None:
    ask, asked = answering(
        "lathe", "", "", "4", "3.2755", *[""] * 12, BACK, "0.008", "maybe", "yes"
    )
    seen: list[Job] = []
    job = interview(ask, look=seen.append)
    assert [one.grinder.butting_cut_nm for one in seen] == [254_000, 203_200]
    assert job == seen[-1]
    assert [key for key, _ in asked[-4:]] == [AGREE.key, "butting-cut", AGREE.key, AGREE.key]
    assert asked[-1][1] == "'maybe' is no answer: write yes, or back to change an answer."


def test_answers_of_before_are_offered_and_dropped_where_they_do_not_fit() -> None:
    offered: dict[str, str | None] = {}

    def ask(question: Question, reason: str) -> str:
        offered.setdefault(question.key, question.default)
        return "83.2" if reason and question.key == "bore" else ""

    kept: dict[str, str] = {}
    before = {"name": "lathe", "unit": "metric", "cylinders": "2", "bore": "3.2755"}
    job = interview(ask, earlier=before, kept=kept)
    assert (job.name, job.unit, job.bore_nm) == ("lathe", Unit.METRIC, 83_200_000)
    assert {key: offered[key] for key in before} == before
    assert kept["bore"] == "83.2"
    assert list(kept)[:3] == ["name", "person", "unit"]


@given(st.lists(st.sampled_from([BACK, "", "2", "inch", "metric"]), max_size=30))
def test_whatever_is_answered_in_whatever_order_the_job_is_whole(answers: list[str]) -> None:
    typed = iter(answers)

    def ask(question: Question, reason: str) -> str:
        need = {"name": "lathe", "cylinders": "4"}
        bores = ["83.2", "3.2755"]
        if question.key == "bore":
            return next(typed, bores[1] if "83.2" in reason else bores[0])
        return next(typed, need.get(question.key, ""))

    job = interview(ask)
    assert parse_job(job_text(job)) == job


def test_the_summary_has_the_window_of_every_ring_in_its_own_bore() -> None:
    options = {**NEEDED, "bores": "2: 3.2855", "top": "factor 0.005 over 0.002",
               "second": "least 0.016 most 0.018"}  # fmt: skip
    lines = [" ".join(line.split()) for line in summary(interview(take_default, options=options))]
    # By hand: 0.005 x 3.2755 = 16.3775 thou; x 3.2855 = 16.4275; both round to 16.5, within half a
    # thou; the second ring's figures are those of the sheet.
    assert "second ring 16 to 18 thou, aim at 17 thou" in lines
    assert "upper rail ring 15 thou or more" in lines
    assert any(line.startswith("top ring 16.5 to 18.5 thou") for line in lines)
    assert lines[0] == "lathe engine: 4 cylinders, bore 3.2755 in"
    other = summary(interview(take_default, options={**options, "bores": "2: 3.3355"}))
    # 0.005 x 3.3355 = 16.6775 thou -> 17 rounded up to the next half.
    assert any("top ring of cylinder 2" in line for line in other)
