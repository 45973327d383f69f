"""The questions that make a job, pure: what to ask next, whether an answer will do, and why not.

Answers are plain text by key; an empty answer takes the default. ``interview`` asks through a
function that it is handed, so that the command line, a test or a file of answers can stand behind
it; options given beforehand are not asked again.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from pydantic import ValidationError

from assistant.bench.job import (
    USUAL_ORDER,
    FactorRule,
    Grinder,
    GrinderKind,
    Job,
    LimitsRule,
    RingPosition,
    RingSpec,
    refusal,
    usual_leaves_nm,
    usual_over_nm,
)
from assistant.bench.plan import window_of
from assistant.errors import JobError, LengthError
from assistant.fitting.targets import Window
from assistant.units import (
    NM_PER_MM,
    Unit,
    parse_length,
    show_bore,
    show_gap,
    show_span,
    to_file,
)  # fmt: skip

Answers = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Question:
    """One question. An empty answer means ``default``; one that is not ``asked`` is only an option.

    default: None where an answer is needed.
    """

    key: str
    text: str
    default: str | None = ""
    asked: bool = True


BACK = "back"
"""The answer that goes to the question before."""
AGREE = Question("write", f"Write it? yes, or {BACK} to change an answer", "yes")

Ask = Callable[[Question, str], str]
"""Shows a question and why the last answer would not do ("" at first); gives the answer."""


def interview(
    ask: Ask,
    *,
    options: Answers | None = None,
    earlier: Answers | None = None,
    kept: dict[str, str] | None = None,
    look: Callable[[Job], None] | None = None,
) -> Job:
    """The job that the answers of ``ask`` and the ``options`` describe.

    A wrong answer is asked again with the reason; ``BACK`` goes to the question asked before.
    earlier: answers of an interview that was broken off, offered as defaults. kept: takes what was
    asked and answered, as it is answered. look: shows the job before a last question, from which
    one can still go back; None = no such question. Raises JobError at once for an option that will
    not do or that no question of this job has.
    """
    given, offered = dict(options or {}), dict(earlier or {})
    answers: dict[str, str] = {}
    asked = kept if kept is not None else {}

    def step_back() -> None:
        if asked:
            key, answer = asked.popitem()
            del answers[key]
            offered[key] = answer

    while True:
        question = next(
            (q for q in questions(answers) if q.key not in answers and (q.asked or q.key in given)),
            None,
        )
        if question is None:
            if given:
                keys = ", ".join(q.key for q in questions(answers))
                raise JobError(
                    f"{', '.join(given)}: not asked for this job. Its questions are {keys}."
                )
            job = _job(answers)
            if look is None:
                return job
            look(job)
            if _agreed(ask):
                return job
            step_back()
        elif question.key in given:
            try:
                answers[question.key] = check(question, given.pop(question.key), answers)
            except JobError as error:
                raise JobError(f"{question.key}: {error}") from error
        else:
            answer = _answered(ask, question, answers, offered)
            if answer is None:
                step_back()
            else:
                asked[question.key] = answers[question.key] = answer


def _answered(
    ask: Ask, question: Question, answers: Answers, offered: dict[str, str]
) -> str | None:
    """An answer that will do; None for BACK."""
    reason = ""
    while True:
        shown = question
        if offered.get(question.key):
            shown = replace(question, default=offered[question.key])
        typed = ask(shown, reason)
        if typed.strip().lower() == BACK:
            return None
        try:
            return check(shown, typed, answers)
        except JobError as error:
            reason = str(error)
            offered.pop(question.key, None)  # what does not fit any more is not offered again


def _agreed(ask: Ask) -> bool:
    """Whether the job that was shown is to be written; False for BACK."""
    reason = ""
    while True:
        typed = ask(AGREE, reason).strip().lower()
        if typed in ("", "yes", "y"):
            return True
        if typed in (BACK, "no", "n"):
            return False
        reason = f"{typed!r} is no answer: write yes, or {BACK} to change an answer."


def summary(job: Job) -> Iterator[str]:
    """What a job comes to, in lines: the window of every ring in its bore, tool and leaves."""
    unit = job.unit
    yield f"{job.name}: {job.cylinders} cylinders, bore {show_bore(job.bore_nm, unit)}"
    for position in job.order:
        by_window: dict[Window, list[int]] = {}
        for cylinder in range(1, job.cylinders + 1):
            by_window.setdefault(window_of(job, (cylinder, position)), []).append(cylinder)
        for window, cylinders in by_window.items():
            told = f"{show_gap(window.least_nm, unit)} or more"
            if window.most_nm is not None:
                span = show_span(window.least_nm, window.most_nm, unit)
                told = f"{span}, aim at {show_gap(window.target_nm, unit)}"
            where = "" if len(by_window) == 1 else f" of {_cylinders(cylinders)}"
            yield f"  {f'{position} ring{where}':<28}{told}"
    step, largest = (show_gap(nm, unit) for nm in (job.grinder.step_nm, job.grinder.largest_cut_nm))
    tool = (
        f"dial, steps of {step}"
        if job.grinder.kind is GrinderKind.DIAL
        else (f"file, about {step} a stroke")
    )
    yield f"  {'grinder':<28}{tool}, largest cut {largest}"
    thin, thick = job.leaves_nm[0], job.leaves_nm[-1]
    yield f"  {'leaves':<28}{len(job.leaves_nm)}, {show_span(thin, thick, unit)}"


def _cylinders(numbers: Sequence[int]) -> str:
    word = "cylinder" if len(numbers) == 1 else "cylinders"
    return f"{word} {', '.join(map(str, numbers))}"


def take_default(question: Question, reason: str) -> str:
    """An ``Ask`` that asks nobody. Raises JobError where there is no default."""
    if question.default is None or reason:
        raise JobError(f"{question.key} is missing: {question.text}. Give it as an option.")
    return question.default


def check(question: Question, typed: str, answers: Answers) -> str:
    """The answer to keep: what was typed, spaces tidied, or the default where it is empty.

    Raises JobError, saying what is allowed, if it will not do after the earlier ``answers``.
    """
    answer = " ".join(typed.split()) or question.default
    if answer is None:
        raise JobError("This needs an answer.")
    try:
        _job({**answers, question.key: answer})
    except ValidationError as error:
        raise JobError(f"{answer!r} will not do: {refusal(error)}.") from error
    except LengthError as error:
        raise JobError(str(error)) from error
    return answer


def questions(answers: Answers) -> Iterator[Question]:
    """All questions that can be told from ``answers`` (which have passed ``check``), in order."""
    yield Question("name", "Name of the job", None)
    yield Question("person", "Your name, for the build sheet (may stay empty)")
    yield Question("unit", "inch (you call thou) or metric (you call hundredths)", "inch")
    if "unit" not in answers:
        return
    unit = _unit(answers["unit"])
    symbol = unit.file_symbol
    yield Question("cylinders", "How many cylinders", None)
    yield Question("bore", f"Nominal bore, {symbol}", None)
    example = "1: 3.2757 3.2756, 2: 3.2760" if unit is Unit.INCH else "1: 83.20 83.21, 2: 83.22"
    yield Question("bores", f"Bores as measured, {symbol}, like {example} (may stay empty)")
    yield Question("rings", "Rings of one cylinder", "upper rail, lower rail, second, top")
    if "rings" not in answers:
        return
    rings = _positions(answers["rings"])
    rule = (
        "least 0.016 most 0.020, or least 0.016, or factor 0.0045 over 0.002"
        if unit is Unit.INCH
        else "least 0.40 most 0.50, or least 0.40, or factor 0.0045 over 0.05"
    )
    for position in rings:
        yield Question(
            _key(position),
            f"End gap of the {position} ring, {symbol}, from the maker's sheet: {rule}",
            _usual_rule(position, unit),
        )
    yield Question("order", "Order of work", ", ".join(p for p in USUAL_ORDER if p in rings))
    yield Question(
        "leaves",
        f"Leaves on hand, {symbol}, like 0.004, 0.005, 0.010 to 0.025 by 0.001; or usual",
        "usual",
    )
    yield Question("grinder", "dial (a grinder with a dial) or file (strokes)", "dial")
    if "grinder" not in answers:
        return
    kind = _grinder_kind(answers["grinder"])
    usual = Grinder.usual(kind, unit)
    yield Question(
        "step",
        f"Smallest step of the dial, {symbol}"
        if kind is GrinderKind.DIAL
        else f"What one stroke takes off, first guess, {symbol}",
        _plain(usual.step_nm, unit),
    )
    yield Question(
        "largest-cut", f"Largest single cut, {symbol}", _plain(usual.largest_cut_nm, unit)
    )
    largest_nm = _length(answers, "largest-cut", usual.largest_cut_nm, unit)
    yield Question(
        "butting-cut",
        f"First cut on a ring whose ends touch, {symbol}",
        _plain(min(usual.butting_cut_nm, largest_nm), unit),
    )
    yield Question("risk", "Largest chance of spoiling one ring", "0.001", asked=False)
    yield Question("notes", "Notes", asked=False)


def _job(answers: Answers) -> Job:
    """The job of all ``answers``; places of questions still open are filled with harmless values.

    Raises ValidationError, LengthError or JobError if the answers are not allowed.
    """
    unit = _unit(answers.get("unit", "inch"))
    positions = _positions(answers.get("rings", "top"))
    usual = Grinder.usual(_grinder_kind(answers.get("grinder", "dial")), unit)
    largest_nm = _length(answers, "largest-cut", usual.largest_cut_nm, unit)
    butting_nm = min(usual.butting_cut_nm, largest_nm)
    fields: dict[str, Any] = {
        "name": answers.get("name", "job"),
        "person": answers.get("person", ""),
        "unit": unit,
        "cylinders": _count(answers.get("cylinders", "1")),
        "bore_nm": _length(answers, "bore", 100 * NM_PER_MM, unit),
        "bores_nm": _bores(answers.get("bores", ""), unit),
        "rings": tuple(
            RingSpec(
                position=position,
                rule=_rule(answers.get(_key(position), _usual_rule(position, unit)), unit),
            )
            for position in positions
        ),
        "order": _positions(answers["order"]) if "order" in answers else (),
        "leaves_nm": _leaves(answers.get("leaves", "usual"), unit),
        "grinder": Grinder(
            kind=usual.kind,
            step_nm=_length(answers, "step", min(usual.step_nm, butting_nm), unit),
            largest_cut_nm=largest_nm,
            butting_cut_nm=_length(answers, "butting-cut", butting_nm, unit),
        ),
        "notes": answers.get("notes", ""),
    }
    if "risk" in answers:
        fields["risk"] = _number(answers["risk"])
    return Job(**fields)


def _usual_rule(position: RingPosition, unit: Unit) -> str:
    # Common practice, no source: second 0.0045 and top 0.0055 of the bore, rails 15 thou at least.
    # One-piece oil ring: 0.004 of the bore (Small Gas Engines, Goodheart-Willcox 2012, ch. 19).
    if position in (RingPosition.UPPER_RAIL, RingPosition.LOWER_RAIL):
        return "least 0.015" if unit is Unit.INCH else "least 0.38"
    factor = {RingPosition.TOP: "0.0055", RingPosition.SECOND: "0.0045"}.get(position, "0.004")
    return f"factor {factor} over {_plain(usual_over_nm(unit), unit)}"


def _rule(text: str, unit: Unit) -> FactorRule | LimitsRule:
    number = r"([0-9.]+)"
    if found := re.fullmatch(rf"factor {number}(?: over {number})?", text):
        over_nm = _nm(found[2], unit) if found[2] else usual_over_nm(unit)
        return FactorRule(factor=_number(found[1]), over_nm=over_nm)
    if found := re.fullmatch(rf"least {number}(?: most {number})?", text):
        return LimitsRule(
            least_nm=_nm(found[1], unit),
            most_nm=_nm(found[2], unit) if found[2] else None,
        )
    raise JobError(
        f"{text!r} is no rule: write least and most, like least 0.016 most 0.020, "
        "or a least only, or factor and over, like factor 0.0045 over 0.002."
    )


def _leaves(text: str, unit: Unit) -> tuple[int, ...]:
    if text == "usual":
        return usual_leaves_nm(unit)
    found: set[int] = set()
    for part in filter(None, re.split(r"\s*,\s*", text)):
        if run := re.fullmatch(r"(\S+) to (\S+) by (\S+)", part):
            first_nm, last_nm, step_nm = (_nm(end, unit) for end in run.groups())
            if step_nm <= 0 or not 0 < first_nm <= last_nm or last_nm - first_nm > 100 * step_nm:
                raise JobError(
                    f"{part!r} is no run of leaves: write it like 0.010 to 0.025 by 0.001."
                )
            found.update(range(first_nm, last_nm + 1, step_nm))
        else:
            found.update(_nm(leaf, unit) for leaf in part.split())
    return tuple(sorted(found))


def _bores(text: str, unit: Unit) -> dict[int, tuple[int, ...]]:
    bores_nm: dict[int, tuple[int, ...]] = {}
    for part in filter(None, re.split(r"\s*,\s*", text)):
        found = re.fullmatch(r"([0-9]{1,2})\s*:\s*(.+)", part)
        if not found:
            raise JobError(f"{part!r} is no bore: write cylinder: bores, like 1: 3.2757 3.2756.")
        if int(found[1]) in bores_nm:
            raise JobError(f"Cylinder {int(found[1])} is given twice: put its bores in one place.")
        bores_nm[int(found[1])] = tuple(_nm(bore, unit) for bore in found[2].split())
    return bores_nm


def _positions(text: str) -> tuple[RingPosition, ...]:
    names = [name for name in re.split(r"\s*,\s*", text) if name]
    known = {str(position): position for position in RingPosition}
    for name in names:
        if name not in known:
            raise JobError(f"{name!r} is no ring: write some of {', '.join(known)}, with commas.")
    return tuple(known[name] for name in names)


def _unit(text: str) -> Unit:
    if text not in tuple(Unit):
        raise JobError(f"{text!r} is no unit: write inch or metric.")
    return Unit(text)


def _grinder_kind(text: str) -> GrinderKind:
    if text not in tuple(GrinderKind):
        raise JobError(f"{text!r} is no grinder: write dial or file.")
    return GrinderKind(text)


def _count(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,3}", text):
        raise JobError(f"{text!r} is no number of cylinders: write a whole number, like 4.")
    return int(text)


def _number(text: str) -> Decimal:
    if not re.fullmatch(r"[0-9]{1,9}(\.[0-9]{1,12})?", text):
        raise JobError(f"{text!r} is no plain number: write it like 0.0045.")
    return Decimal(text)


def _nm(text: str, unit: Unit) -> int:
    _number(text)  # plain digits only: 1e99999 would be slow, and is no bench number
    return parse_length(text, unit)


def _length(answers: Answers, key: str, default_nm: int, unit: Unit) -> int:
    return _nm(answers[key], unit) if key in answers else default_nm


def _plain(length_nm: int, unit: Unit) -> str:
    return f"{to_file(length_nm, unit):f}"


def _key(position: RingPosition) -> str:
    return position.replace(" ", "-")
