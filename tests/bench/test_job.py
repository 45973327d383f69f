"""The job model: ranges on both sides, order of work, the bore that counts."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from assistant.bench.job import (
    FactorRule,
    Grinder,
    GrinderKind,
    Heat,
    Job,
    LimitsRule,
    Relation,
    RingPosition,
    RingSpec,
    usual_leaves_nm,
)
from assistant.errors import JobError
from assistant.units import NM_PER_MM, NM_PER_THOU, Unit, from_called

TOP, SECOND, UPPER, LOWER, OIL = RingPosition


def ring(position: RingPosition, least_nm: int = 400_000, most_nm: int | None = None) -> RingSpec:
    return RingSpec(position=position, rule=LimitsRule(least_nm=least_nm, most_nm=most_nm))


def job(**changes: Any) -> Job:
    facts: dict[str, Any] = {
        "name": "bench test",
        "unit": Unit.METRIC,
        "cylinders": 2,
        "bore_nm": 83 * NM_PER_MM,
        "rings": (ring(TOP), ring(SECOND), ring(UPPER), ring(LOWER)),
        "leaves_nm": usual_leaves_nm(Unit.METRIC),
        "grinder": Grinder.usual(GrinderKind.DIAL, Unit.METRIC),
    }
    return Job(**{**facts, **changes})


def refused(**changes: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        job(**changes)
    return str(caught.value)


def test_rails_come_first_then_second_then_top_in_every_cylinder() -> None:
    # Order of work: common practice, no source.
    assert list(job().places()) == [
        (1, UPPER), (1, LOWER), (1, SECOND), (1, TOP),
        (2, UPPER), (2, LOWER), (2, SECOND), (2, TOP),
    ]  # fmt: skip


def test_a_given_order_is_kept() -> None:
    assert job(order=(TOP, SECOND, UPPER, LOWER)).order == (TOP, SECOND, UPPER, LOWER)


@pytest.mark.parametrize(
    ("field", "good", "bad", "allowed"),
    [
        ("bore_nm", 20 * NM_PER_MM, 20 * NM_PER_MM - 1, "20 to 600 mm (0.7874 to 23.62205 in)"),
        ("bore_nm", 600 * NM_PER_MM, 600 * NM_PER_MM + 1, "20 to 600 mm"),
        ("bore_nm", 83 * NM_PER_MM, 0, "20 to 600 mm"),
        ("bore_nm", 83 * NM_PER_MM, 900 * NM_PER_MM, "20 to 600 mm"),
        ("cylinders", 1, 0, "1 to 16"),
        ("cylinders", 16, 17, "1 to 16"),
        ("leaves_nm", (20_000,), (19_999,), "0.02 to 2 mm"),
        ("leaves_nm", (2 * NM_PER_MM,), (2 * NM_PER_MM + 1,), "0.02 to 2 mm"),
        ("leaves_nm", (100_000,), (), "1 to 100"),
        ("leaves_nm", (100_000, 200_000), (200_000, 100_000), "thin to thick"),
        ("leaves_nm", (100_000, 200_000), (100_000, 100_000), "given twice"),
        ("risk", Decimal("0.0001"), Decimal("0.00009"), "0.0001 to 0.2"),
        ("risk", Decimal("0.2"), Decimal("0.21"), "0.0001 to 0.2"),
        ("risk", Decimal("0.02"), Decimal("NaN"), "0.0001 to 0.2"),
        ("name", "x", "", "1 to 80 characters"),
        ("name", "x" * 80, "x" * 81, "1 to 80 characters"),
        ("name", "a b", "a\x1bb", "control characters"),
        ("notes", "one\ntwo", "one\x00two", "control characters"),
        ("bores_nm", {2: (83_020_000,)}, {3: (83_020_000,)}, "cylinders 1 to 2"),
        ("bores_nm", {1: (83_000_000,)}, {0: (83_000_000,)}, "cylinders 1 to 2"),
        ("bores_nm", {1: (84_660_000,)}, {1: (84_660_001,)}, "more than 2 % off"),
        ("bores_nm", {1: (83_000_000,)}, {1: ()}, "1 to 12"),
        ("rings", (ring(TOP),), (), "at least one ring"),
        ("rings", (ring(TOP),), (ring(TOP), ring(TOP)), "given twice"),
        ("order", (TOP, SECOND, UPPER, LOWER), (TOP, SECOND, UPPER), "each ring of the job once"),
        ("order", (TOP, SECOND, UPPER, LOWER), (TOP, SECOND, UPPER, UPPER), "each ring"),
    ],
)
def test_each_limit_is_held_on_both_sides(field: str, good: Any, bad: Any, allowed: str) -> None:
    assert getattr(job(**{field: good}), field) == good
    assert allowed in refused(**{field: bad})


@pytest.mark.parametrize(
    ("least_nm", "most_nm", "allowed"),
    [
        (400_000, 400_000, "larger than the least"),
        (400_000, 300_000, "larger than the least"),
        (19_999, None, "0.02 to 5 mm"),
        (400_000, 5 * NM_PER_MM + 1, "0.02 to 5 mm"),
    ],
)
def test_a_window_that_no_ring_can_have_is_refused(
    least_nm: int, most_nm: int | None, allowed: str
) -> None:
    with pytest.raises(ValidationError, match=allowed):
        LimitsRule(least_nm=least_nm, most_nm=most_nm)


@pytest.mark.parametrize("factor", ["0.00099", "0.0201", "NaN", "-0.004"])
def test_a_factor_outside_of_the_range_is_refused(factor: str) -> None:
    with pytest.raises(ValidationError, match=r"0\.001 to 0\.02"):
        FactorRule(factor=Decimal(factor), over_nm=50_000)


@pytest.mark.parametrize(
    ("changes", "allowed"),
    [
        ({"butting_cut_nm": 300_000}, "largest single cut"),
        ({"step_nm": 60_000, "butting_cut_nm": 50_000}, "coarser"),
        ({"step_nm": 499}, "dial step"),
        ({"largest_cut_nm": 500_001}, "single cut"),
    ],
)
def test_a_grinder_that_cannot_sneak_up_is_refused(changes: dict[str, int], allowed: str) -> None:
    usual = Grinder.usual(GrinderKind.DIAL, Unit.METRIC).model_dump()
    with pytest.raises(ValidationError, match=allowed):
        Grinder(**{**usual, **changes})


def test_the_hot_gap_knows_only_materials_of_its_table() -> None:
    warm, hot = Decimal(100), Decimal(200)
    heat = Heat(ring="steel 4140", bore="gray iron", ring_c=hot, bore_c=warm)
    assert (heat.ring, heat.bore) == ("steel 4140", "gray iron")
    with pytest.raises(ValidationError, match=r"a material is one of .*gray iron"):
        Heat(ring="oak", bore="gray iron", ring_c=hot, bore_c=warm)


def test_a_difference_of_top_and_second_has_two_ends_and_both_rings() -> None:
    wanted = Relation(least_nm=-50_000, most_nm=50_000)
    assert job(top_over_second=wanted).top_over_second == wanted
    assert "needs a top and a second" in refused(rings=(ring(TOP),), top_over_second=wanted)
    with pytest.raises(ValidationError, match="swap them"):
        Relation(least_nm=50_000, most_nm=-50_000)


def test_the_smallest_measured_bore_counts() -> None:
    # Taper: the gap is smallest where the bore is (NAVEDTRA 14076 Engineman 3, ch. 3 p. 3-15).
    fitted = job(bores_nm={2: (83_040_000, 83_010_000, 83_020_000)})
    assert fitted.bore_for(1) == 83 * NM_PER_MM
    assert fitted.bore_for(2) == 83_010_000


def test_a_cylinder_or_ring_that_is_not_there_is_named_with_what_is() -> None:
    for cylinder in (0, 3):
        with pytest.raises(
            JobError, match=f"no cylinder {cylinder}: this job has cylinders 1 to 2"
        ):
            job().bore_for(cylinder)
    with pytest.raises(JobError, match="no oil ring in this job: it has upper rail, lower rail"):
        job().ring(OIL)
    assert job().ring(SECOND).position is SECOND


def test_usual_inch_leaves_span_the_feeler_range_of_the_standard() -> None:
    # BS 957:2008, preview of the scope: 0.0015 to 0.025 in and 0.03 to 1.00 mm.
    inch, metric = usual_leaves_nm(Unit.INCH), usual_leaves_nm(Unit.METRIC)
    assert (inch[0], inch[-1]) == (NM_PER_THOU * 3 // 2, 25 * NM_PER_THOU)
    assert (metric[0], metric[-1]) == (30_000, NM_PER_MM)
    for leaves, unit in ((inch, Unit.INCH), (metric, Unit.METRIC)):
        assert job(unit=unit, leaves_nm=leaves).leaves_nm == leaves


@pytest.mark.parametrize(
    ("share", "unusual"),
    [
        # Least and most gap by stated bore, as a share of it: TM 9-2320-366-34-4 Table 20-7.
        ("0.0029", False),
        ("0.0092", False),
        ("0.0019", True),
        ("0.0101", True),
    ],
)
def test_unusual_factors_are_doubted_but_allowed(share: str, unusual: bool) -> None:
    rule = FactorRule(factor=Decimal(share), over_nm=50_000)
    assert bool(job(rings=(RingSpec(position=TOP, rule=rule),)).doubts()) is unusual


def test_a_least_gap_is_doubted_against_the_bore() -> None:
    assert job(rings=(ring(TOP, 400_000),)).doubts() == ()
    (doubt,) = job(rings=(ring(TOP, 4_000_000),)).doubts()
    assert "top ring has a least gap of 4.000 mm: unusual for a bore of 83 mm" in doubt


def test_unknown_fields_and_changes_are_refused() -> None:
    assert "Extra inputs" in refused(colour="red")
    with pytest.raises(ValidationError, match="frozen"):
        job().name = "other"


@given(
    bores=st.dictionaries(
        st.integers(1, 2),
        st.lists(st.integers(82_000_000, 84_000_000), min_size=1, max_size=4).map(tuple),
    ),
    factor=st.decimals("0.001", "0.02", places=6),
    over_half=st.integers(1, 40),
    risk=st.decimals("0.0001", "0.2", places=4),
    note=st.text(st.characters(categories=["L", "N", "P", "S"]), max_size=40),
)
def test_a_job_survives_its_own_json(
    bores: dict[int, tuple[int, ...]], factor: Decimal, over_half: int, risk: Decimal, note: str
) -> None:
    rule = FactorRule(factor=factor, over_nm=from_called(over_half, Unit.METRIC) // 2)
    made = job(
        bores_nm=bores,
        rings=(RingSpec(position=TOP, rule=rule), ring(OIL, 200_000, 600_000)),
        risk=risk,
        notes=note,
    )
    assert Job.model_validate_json(made.model_dump_json()) == made
