"""Whatever unit is said or typed, the length in the log is that length, or nothing is noted."""

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.bench import events as ev
from assistant.bench.job import Grinder, GrinderKind, Job
from assistant.units import Unit
from tests.examples import MANY
from tests.fakes import Bench, metric_job, small_job
from tests.properties.test_bench import GRAMMARS, WORDING

JOBS: dict[Unit, Job] = {
    Unit.INCH: small_job(),
    Unit.METRIC: metric_job().model_copy(
        update={
            "grinder": Grinder(
                kind=GrinderKind.DIAL, step_nm=5_000, largest_cut_nm=100_000, butting_cut_nm=50_000
            )
        }
    ),
}
NM_OF = {
    "": None, "thou": 25_400, "thousandths": 25_400, "mil": 25_400, "in": 25_400_000,
    "inch": 25_400_000, "inches": 25_400_000, "hundredths": 10_000, "hundredth": 10_000,
    "mm": 1_000_000, "millimetres": 1_000_000, "microns": 1_000,
}  # fmt: skip
FORMS = {
    "{n} {u} goes": "leaf", "{n} {u} snug": "leaf", "top ring {n} {u} no go": "leaf",
    "{n} goes {n} {u} snug": "leaf", "{n} plus {n} {u} goes": "two",
    "ground {n} {u}": "feed", "took {n} {u}": "feed", "make that {n} {u}": "leaf",
}  # fmt: skip


PLAIN = [1, 2, 3, 4, 6, 7, 8, 10, 11, 12, 20, 21, 22, 24, 26, 28]
"""Numbers that no sound-alike is put in for: this is about units."""


def lengths(bench: Bench) -> list[int]:
    """Every length in the log, in waiting questions too."""
    text, _ = ev.to_lines(bench.store.events[2:])  # behind the job
    return [int(found) for found in re.findall(r'"(?:leaf_nm|feed_nm)":(\d+)', text)]


@MANY
@given(
    unit=st.sampled_from(Unit),
    said=st.sampled_from(sorted(NM_OF)),
    form=st.sampled_from(sorted(FORMS)),
    n=st.sampled_from(PLAIN),
    half=st.booleans(),
    typed=st.booleans(),
    before=st.booleans(),
)
def test_a_length_is_noted_as_it_was_said_or_not_at_all(
    unit: Unit, said: str, form: str, n: int, half: bool, typed: bool, before: bool
) -> None:
    bench = Bench(JOBS[unit], GRAMMARS[unit], WORDING)
    if before:
        bench.type("ground 1" if FORMS[form] == "feed" else "20 goes")
    held = len(lengths(bench))
    number = Decimal(n) + (Decimal("0.5") if half else 0)
    line = " ".join(form.format(n=number, u=said).split())
    if typed:
        bench.type(line)
    else:
        bench.say(" ".join(bench.grammar.words_of(line)))
    wanted = number * (NM_OF[said] or unit.call_nm)
    times = 2 if FORMS[form] == "two" else 1
    assert all(found == wanted * times for found in lengths(bench)[held:]), line


@pytest.mark.parametrize("unit", Unit)
@pytest.mark.parametrize("line", ["ground 3 {}", "took 3 {}", "make that 3 {}", "15 {} goes"])
def test_the_other_unit_is_refused_with_the_way_out(unit: Unit, line: str) -> None:
    """Three hundredths are 1.2 thou: taken for three thou, that is 2.5 times the metal."""
    other = Unit.METRIC if unit is Unit.INCH else Unit.INCH
    for call in ("type", "say"):
        bench = Bench(JOBS[unit], GRAMMARS[unit], WORDING)
        bench.type("10 goes")
        before = bench.state.last_entry, bench.state.pending
        words = " ".join(bench.grammar.words_of(line.format(other.call_symbol)))
        reply = getattr(bench, call)(words)
        assert reply == f"This job is in {unit.call_symbol}. Nothing is noted. Say it in " \
                        f"{unit.call_symbol}."  # fmt: skip
        assert (bench.state.last_entry, bench.state.pending) == before
        assert bench.last.refused == "other unit"


def test_the_own_unit_may_be_said_with_a_cut_and_its_correction() -> None:
    bench = Bench(JOBS[Unit.INCH], GRAMMARS[Unit.INCH], WORDING)
    bench.through("ten goes", "ground three thou", "make that two thou")
    assert lengths(bench)[-1] == 2 * 25_400


def test_where_the_ear_is_in_doubt_of_the_unit_nothing_is_noted() -> None:
    """The other unit is a rival of the plain number, not another way to say it."""
    bench = Bench(JOBS[Unit.INCH], GRAMMARS[Unit.INCH], WORDING)
    bench.say("ground three", ("ground three hundredths", 0.6))
    assert bench.last.refused == "close race"
    bench.say("ground three hundredths", ("ground three", 0.2))
    assert bench.last.refused == "other unit"
    meaning = bench.grammar.meaning
    three = ["ground", "three"]
    assert meaning(three) == meaning([*three, "thou"]) != meaning([*three, "hundredths"])
    assert not bench.grammar.may_go_on(["ground", "two", "and", "a", "half"])
