"""Job files: what is written reads back equal; what is wrong is named with its line."""

import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.adapters.files.job_file import job_text, parse_job, read_job, write_job
from assistant.bench.job import (
    FactorRule,
    Grinder,
    GrinderKind,
    Job,
    LimitsRule,
    RingPosition,
    RingSpec,
    usual_leaves_nm,
)
from assistant.errors import JobError
from assistant.units import NM_PER_INCH, NM_PER_MM, Unit

INCH = """\
name = "lathe engine"
unit = "inch"
cylinders = 4
bore = 3.2755
leaves = [
    0.010, 0.011, 0.012,
    0.013, "0.0140",
]

[bores]
2 = [3.2757, 3.2756]

[rings.top]
least = 0.016
most = 0.020

[rings.second]
factor = 0.0045
over = 0.002

[rings.upper_rail]
least = 0.015
"""


def fault(text: str) -> str:
    with pytest.raises(JobError) as caught:
        parse_job(text, name="lathe.toml")
    return str(caught.value)


def test_an_inch_file_is_read_exactly() -> None:
    job = parse_job(INCH)
    assert (job.name, job.unit, job.cylinders, job.person) == ("lathe engine", Unit.INCH, 4, "")
    # 1 in = 25.4 mm exactly (NIST SP 811 (2008), App. B.8): 3.2755 in = 83.1977 mm.
    assert job.bore_nm == 83_197_700
    assert job.bore_for(2) == 83_200_240  # 3.2756 in
    assert job.leaves_nm == (254_000, 279_400, 304_800, 330_200, 355_600)
    assert job.ring(RingPosition.TOP).rule == LimitsRule(least_nm=406_400, most_nm=508_000)
    assert job.ring(RingPosition.SECOND).rule == FactorRule(
        factor=Decimal("0.0045"), over_nm=50_800
    )
    assert job.ring(RingPosition.UPPER_RAIL).rule == LimitsRule(least_nm=381_000)
    assert job.order == (RingPosition.UPPER_RAIL, RingPosition.SECOND, RingPosition.TOP)
    assert job.grinder == Grinder.usual(GrinderKind.DIAL, Unit.INCH)


@pytest.mark.parametrize(
    ("printed_in", "printed_mm"),
    [
        # TM 5-1940-277-34 p. 3-25, dual-unit rows, three decimals of a millimetre printed.
        ("0.016", "0.406"),
        ("0.031", "0.787"),
        ("0.012", "0.305"),
        ("0.029", "0.737"),
        # TM 9-2815-247-34 p. 0069 00-8, exact rows.
        ("0.0400", "1.016"),
        ("0.0500", "1.27"),
        ("0.0300", "0.762"),
    ],
)
def test_dual_unit_rows_of_public_manuals_agree(printed_in: str, printed_mm: str) -> None:
    inch = parse_job(
        INCH.replace("most = 0.020", "").replace("least = 0.016", f"least = {printed_in}")
    )
    metric = parse_job(
        f"""
        name = "m"
        unit = "metric"
        cylinders = 1
        bore = 83.2
        [rings]
        top = {{least = "{printed_mm}"}}
        """
    )
    found = [job.ring(RingPosition.TOP).rule for job in (inch, metric)]
    assert all(isinstance(rule, LimitsRule) for rule in found)
    a_nm, b_nm = (rule.least_nm for rule in found if isinstance(rule, LimitsRule))
    assert abs(a_nm - b_nm) <= 500  # half of the last printed digit


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("bore = 3.2755", "bore = 0", "lathe.toml line 4: bore = 0: a bore is 20 to 600 mm"),
        ("bore = 3.2755", "bore = 83.2", "lathe.toml line 4: bore = 83.2: a bore is 20 to 600 mm"),
        ("bore = 3.2755", "bore = true", "line 4: bore = true: write a plain number"),
        ("bore = 3.2755", 'bore = "3 1/4"', 'line 4: bore = "3 1/4": write a plain number'),
        ("bore = 3.2755", "bore = nan", "line 4: bore = NaN: write a plain number"),
        ("bore = 3.2755", "bore = 1e400", "line 4: bore = 1E+400: write a plain number"),
        ("bore = 3.2755", "bore = 3.27550000001", "finer than a nanometre"),
        (
            "bore = 3.2755",
            "bor = 3.2755",
            "line 4: bor = 3.2755: there is no such key. Did you mean bore? Allowed:",
        ),
        ("bore = 3.2755", "", "lathe.toml has no bore: write the nominal bore"),
        ("cylinders = 4", "cylinders = 0", "line 3: cylinders = 0: cylinders is 1 to 16"),
        ("cylinders = 4", "cylinders = 4.0", "line 3: cylinders = 4.0: write a whole number"),
        (
            "cylinders = 4",
            "cylinders = 1",
            "line 10: bores = {2 = [3.2757, 3.2756]}: measured bores are given for cylinder 2",
        ),
        (
            'unit = "inch"',
            'unit = "inches"',
            'line 2: unit = "inches": not known. Did you mean inch? Allowed: inch, metric',
        ),
        ('"lathe engine"', '""', 'line 1: name = "": a job name has 1 to 80 characters'),
        ('"lathe engine"', "5", "line 1: name = 5: write text in double quotes"),
        (
            "0.010, 0.011",
            "0.011, 0.010",
            'line 5: leaves = [0.011, 0.010, 0.012, 0.013, "0.0140"]: leaves go from thin to thick',
        ),
        ("0.012,", "12,", "line 5: leaves = 12: a leaf is 0.02 to 2 mm"),
        (
            "2 = [",
            "two = [",
            "line 11: bores.two = [3.2757, 3.2756]: the key is the number of a cylinder",
        ),
        ("3.2757,", "32757,", "line 11: bores.2 = 32757: a bore is 20 to 600 mm"),
        ("3.2757,", "3.5,", "more than 2 % off the bore of 3.2755 in"),
        (
            "most = 0.020",
            "most = 0.016",
            "line 13: rings.top = {least = 0.016, most = 0.016}: the most gap must be larger",
        ),
        ("least = 0.016", "least = 0", "line 14: rings.top.least = 0: an end gap is 0.02 to 5 mm"),
        (
            "least = 0.016",
            "leest = 0.016",
            "line 14: rings.top.leest = 0.016: there is no such key. Did you mean least?",
        ),
        (
            "factor = 0.0045",
            "factor = 0.45",
            "line 18: rings.second.factor = 0.45: a factor is 0.001 to 0.02",
        ),
        (
            "over = 0.002",
            "most = 0.02",
            "line 17: rings.second: give factor and over, or least and most",
        ),
        (
            "factor = 0.0045\n",
            "",
            "line 17: rings.second: give factor (and over), or least (and most)",
        ),
        (
            "[rings.top]",
            "[rings.tip]",
            'line 13: rings.tip = "tip": not known. Did you mean top? Allowed: top, second',
        ),
        (
            "cylinders = 4",
            'cylinders = 4\norder = ["top"]',
            'line 4: order = ["top"]: the order must name each ring of the job once: top',
        ),
        (
            "cylinders = 4",
            "cylinders = 4\nrisk = 0.5",
            "line 4: risk = 0.5: the risk is 0.0001 to 0.2",
        ),
        (
            "cylinders = 4",
            "cylinders = 4\ngrinder.stroke = 1",
            "line 4: grinder.stroke = 1: a dial grinder takes step instead",
        ),
        (
            "cylinders = 4",
            "cylinders = 4\ngrinder = {step = 1}",
            "line 4: grinder.step = 1: a dial step or the cut of one stroke is",
        ),
        (
            "cylinders = 4",
            "cylinders = ",
            "lathe.toml is not TOML: Invalid value (at line 3, column 13). Mend that line.",
        ),
        ("cylinders = 4", "cylinders = 4\nbore = 4,0", "Write a decimal point, not a comma."),
        ("cylinders = 4", "cylinders = 4\nnotes = \u201cx\u201d", 'Write straight quotes: ".'),
        ("cylinders = 4", "cylinders = 4\ncylinders = 5", "That key stands twice: remove one."),
    ],
)
def test_a_fault_names_line_key_value_and_what_is_allowed(old: str, new: str, said: str) -> None:
    text = INCH.replace(old, new, 1)
    assert text != INCH
    message = fault(text)
    assert said in message
    assert message.startswith("lathe.toml")
    assert "\n" not in message


def test_the_line_is_right_below_a_text_of_several_lines() -> None:
    text = 'notes = """\nbore = 1\n[rings.top]\n"""\n' + INCH.replace("3.2755", "900", 1)
    assert "lathe.toml line 8: bore = 900:" in fault(text)


def test_a_file_stroke_is_written_as_stroke_and_a_small_largest_cut_lowers_the_first_one() -> None:
    job = parse_job(INCH + '[grinder]\nkind = "file"\nstroke = 0.0001\nlargest_cut = 0.004\n')
    assert job.grinder == Grinder(
        kind=GrinderKind.FILE, step_nm=2_540, largest_cut_nm=101_600, butting_cut_nm=101_600
    )
    assert "stroke = 0.0001 " in job_text(job)


def test_missing_foreign_and_huge_files_are_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"There is no file .* make one with 'leafcall new"):
        read_job(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b'name = "caf\xe9"')
    with pytest.raises(JobError, match="not text in UTF-8"):
        read_job(tmp_path / "latin.toml")
    (tmp_path / "huge.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(JobError, match="larger than a job file"):
        read_job(tmp_path / "huge.toml")
    with pytest.raises(JobError, match="cannot be read: Is a directory"):
        read_job(tmp_path)
    assert "cannot be read" in fault("a = " + "[" * 100_000) or "not TOML" in fault("a = [")


def test_writing_never_replaces_a_job_unasked(tmp_path: Path) -> None:
    job, path = parse_job(INCH), tmp_path / "lathe.toml"
    write_job(job, path)
    assert read_job(path) == job
    with pytest.raises(JobError, match="is there already"):
        write_job(job, path)
    other = job.model_copy(update={"name": "other"})
    write_job(other, path, replace=True)
    assert read_job(path).name == "other"
    assert [p.name for p in tmp_path.iterdir()] == ["lathe.toml"]
    with pytest.raises(JobError, match="cannot be written: No such file"):
        write_job(job, tmp_path / "no" / "folder.toml")


def test_a_length_from_the_other_unit_is_not_written_rounded() -> None:
    job = parse_job(INCH).model_copy(update={"bore_nm": 83_200_000})
    with pytest.raises(JobError, match="83200000 nm has no finite decimal in inches"):
        job_text(job)


def test_every_key_of_a_written_file_has_a_comment_near_it() -> None:
    lines = job_text(parse_job(INCH)).splitlines()
    assert "sheets of the ring maker" in lines[1]
    for key in ("person", "unit", "bore", "step", "largest_cut", "butting_cut"):
        (line,) = [line for line in lines if line.startswith(f"{key} = ")]
        assert "# " in line
    for key in ("order = ", "leaves = ", "risk = ", "[rings."):
        index = next(i for i, line in enumerate(lines) if line.startswith(key))
        assert lines[index - 1].startswith("#")


# The finest grid on which every length is a whole number of nm and a finite decimal in both units:
# 1 in = 25 400 000 nm = 127 x 200 000 nm, so 127 nm = 0.000005 in.
GRID_NM = {Unit.INCH: 127, Unit.METRIC: 1}


@st.composite
def jobs(draw: st.DrawFn) -> Job:
    unit = draw(st.sampled_from(Unit))
    grid_nm = GRID_NM[unit]

    def length(least_nm: int, most_nm: int) -> int:
        return draw(st.integers(-(-least_nm // grid_nm), most_nm // grid_nm)) * grid_nm

    def rule() -> FactorRule | LimitsRule:
        if draw(st.booleans()):
            factor = draw(st.decimals("0.001", "0.02", places=draw(st.integers(3, 8))))
            return FactorRule(factor=factor, over_nm=length(5_000, NM_PER_MM))
        least_nm = length(20_000, 4_000_000)
        most_nm = length(least_nm + 1, 5_000_000) if draw(st.booleans()) else None
        return LimitsRule(least_nm=least_nm, most_nm=most_nm)

    bore_nm = length(20 * NM_PER_MM, 600 * NM_PER_MM)
    bores_nm = {
        cylinder: tuple(
            length(
                max(20 * NM_PER_MM, bore_nm - bore_nm // 60),
                min(600 * NM_PER_MM, bore_nm + bore_nm // 60),
            )
            for _ in range(draw(st.integers(1, 4)))
        )
        for cylinder in draw(st.sets(st.integers(1, 3)))
    }
    positions = draw(st.permutations(list(RingPosition)))[: draw(st.integers(1, 5))]
    leaves = {length(20_000, 2 * NM_PER_MM) for _ in range(draw(st.integers(1, 30)))}
    text = st.text(st.characters(categories=["L", "N", "P", "S"]), min_size=1, max_size=60)
    notes = draw(st.lists(text, max_size=4).map("\n".join))
    largest_nm = length(40_000, NM_PER_MM // 2)
    return Job(
        name=draw(text),
        person=draw(st.just("") | text),
        unit=unit,
        cylinders=draw(st.integers(3, 16)),
        bore_nm=bore_nm,
        bores_nm=bores_nm,
        rings=tuple(RingSpec(position=position, rule=rule()) for position in positions),
        order=tuple(draw(st.permutations(positions))),
        leaves_nm=tuple(sorted(leaves)),
        grinder=Grinder(
            kind=draw(st.sampled_from(GrinderKind)),
            step_nm=length(500, 30_000),
            largest_cut_nm=largest_nm,
            butting_cut_nm=length(31_000, largest_nm),
        ),
        risk=draw(st.decimals("0.0001", "0.2", places=5)),
        notes=notes.strip(),
    )


@given(jobs())
def test_what_is_written_reads_back_equal(job: Job) -> None:
    text = job_text(job)
    tomllib.loads(text)
    assert parse_job(text) == job


@given(st.text(max_size=200) | st.text(max_size=120).map(lambda tail: INCH + tail))
def test_any_text_is_a_job_or_one_clear_refusal(text: str) -> None:
    said = ""
    try:
        assert job_text(parse_job(text))
    except JobError as error:
        said = str(error)
    assert not said or said.startswith("job.toml")


@given(
    key=st.sampled_from(
        ["name", "unit", "cylinders", "bore", "rings", "leaves", "grinder", "risk"]
    ),
    value=st.recursive(
        st.none()
        | st.booleans()
        | st.integers()
        | st.floats(allow_nan=False)
        | st.text(max_size=9),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.text("abcdefgh", min_size=1, max_size=5), inner, max_size=3)
        ),
        max_leaves=6,
    ),
)
def test_a_value_of_any_shape_is_refused_or_read_never_a_crash(key: str, value: object) -> None:
    from assistant.adapters.files.job_file import (
        _Reader,  # the shape reaches it as tomllib gives it
    )

    data = {**tomllib.loads(INCH, parse_float=Decimal), key: value}
    said = ""
    try:
        assert job_text(_Reader("job.toml", {}).job(data))
    except JobError as error:
        said = str(error)
    assert not said or key in said


def test_the_grid_of_the_property_tests_is_the_one_of_the_inch() -> None:
    assert GRID_NM[Unit.INCH] * 200_000 == NM_PER_INCH


def test_the_usual_leaves_are_used_where_the_file_names_none() -> None:
    start = INCH.index("leaves"), INCH.index("[bores]")
    assert parse_job(INCH[: start[0]] + INCH[start[1] :]).leaves_nm == usual_leaves_nm(Unit.INCH)


HEAT = '[heat]\nring = "ductile iron 60-40-18"\nbore = "gray iron"\nring_c = 180\nbore_c = 130\n'
RELATION = "[top_over_second]\nleast = 0.002\nmost = 0.003\n"
PAIR = """name = "pair"
unit = "inch"
cylinders = 1
bore = 3.2755
[rings.top]
factor = 0.0055
[rings.second]
factor = 0.0045
"""


def test_heat_and_relation_are_read_and_written_back() -> None:
    job = parse_job(PAIR + RELATION + HEAT)
    assert job.top_over_second is not None
    assert (job.top_over_second.least_nm, job.top_over_second.most_nm) == (50_800, 76_200)
    assert job.heat is not None
    assert (job.heat.ring, job.heat.ring_c) == ("ductile iron 60-40-18", 180)
    assert parse_job(job_text(job)) == job


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (PAIR + HEAT.replace("gray iron", "cheese"), "a material is one of"),
        (PAIR + HEAT.replace("180", "1800"), "a temperature is 20 to 500"),
        (PAIR + HEAT.replace("bore_c = 130\n", ""), "bore_c is missing"),
        (PAIR + RELATION.replace("0.003", "0.001"), "swap them"),
        (PAIR.replace("[rings.top]\nfactor = 0.0055\n", "") + RELATION, "needs a top and a second"),
    ],
)
def test_wrong_heat_or_relation_is_refused_with_what_is_allowed(text: str, told: str) -> None:
    with pytest.raises(JobError, match=told):
        parse_job(text)
