"""Learned values: kept by sessions, shown, erased, learned anew from logs, taught by a slot."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from assistant.adapters.files.learned_file import LearnedFile
from assistant.bench.learned import Learned, learned_from, started_from
from assistant.bench.plan import bench_of
from assistant.bench.wording import Wording
from assistant.build.histories import learned_anew
from assistant.display.turn_lines import learned_lines
from assistant.errors import LearnedError
from assistant.fitting.bench import Grinder, GrinderKind, PersonAndTool
from assistant.fitting.learning import PEOPLE_SD_NM
from assistant.language.grammar import Grammar
from tests.command_line import Run
from tests.fakes import Bench, small_job
from tests.past_sessions import LEARNED, write_log

DIAL = PersonAndTool.read("Ada, dial")
RING = (
    "top ring",
    "fourteen goes fifteen snug",
    "ground two",
    "seventeen snug",
    "accept it",
    "yes",
)


def chained(grammar: Grammar, wording: Wording, start: Learned | None) -> Bench:
    bench = Bench(small_job(person="Ada"), grammar, wording, opened=False)
    bench.dialogue.open(bench.job, software="leafcall test", start=start)
    bench.through(*RING)
    assert bench.state.learned.rings == (start.rings if start else 0) + 1
    return bench


@pytest.fixture
def benches(grammar: Grammar, wording: Wording) -> list[Bench]:
    """Three sessions, each started with what the one before had taught."""
    made: list[Bench] = []
    for _ in range(3):
        made.append(chained(grammar, wording, made[-1].state.learned if made else None))
    return made


def kept(folder: Path, benches: list[Bench]) -> list[Path]:
    return [
        write_log(folder / str(n) / "log.jsonl", bench.store.events,
                  began=datetime(2026, 5, n + 1, tzinfo=UTC))
        for n, bench in enumerate(benches)
    ]  # fmt: skip


def test_lost_learned_values_come_back_exactly(tmp_path: Path, benches: list[Bench]) -> None:
    made, bad = learned_anew(kept(tmp_path, benches))
    assert (made, bad) == ({DIAL: benches[-1].state.learned}, [])


def test_rings_that_a_start_did_not_know_of_count_again(
    tmp_path: Path, benches: list[Bench], grammar: Grammar, wording: Wording
) -> None:
    forgot = chained(grammar, wording, None)  # the values had been erased before it
    logs = kept(tmp_path, [*benches, forgot])
    made, _ = learned_anew(logs)
    assert made[DIAL].rings == 4
    # Taught one after the other it is the same.
    assert made[DIAL] == chained(grammar, wording, benches[-1].state.learned).state.learned


def test_a_start_that_knows_more_than_the_logs_is_trusted(
    tmp_path: Path, benches: list[Bench]
) -> None:
    made, _ = learned_anew(kept(tmp_path, benches[2:]))
    assert made == {DIAL: benches[-1].state.learned}


def test_one_entry_can_be_erased_alone(tmp_path: Path) -> None:
    file = LearnedFile(tmp_path / "learned.json")
    file.keep(PersonAndTool("A", GrinderKind.DIAL), LEARNED)
    file.keep(PersonAndTool("B", GrinderKind.FILE), LEARNED)
    file.forget("A, dial")
    assert list(map(str, file.read())) == ["B, file"]
    with pytest.raises(LearnedError, match="Nothing is learned of 'A, dial'; there is: 'B, file'"):
        file.forget("A, dial")


def test_a_file_of_the_first_form_is_read_with_what_it_lacks_assumed(tmp_path: Path) -> None:
    """As Leafcall wrote it before the form had a number: entries alone, no double cuts, no pass."""
    path = tmp_path / "learned.json"
    path.write_text(
        '{"Ada, dial": {"rate": 1.05, "rate_sd": 0.04, "cut_sd_nm": 6000.0, "cut_sd_doubt": 0.3, '
        '"per_stroke_nm": 7600.0, "per_stroke_sd": 0.4, "offset_nm": 0.0, "offset_sd_nm": 2000.0, '
        '"spread_nm": 6000.0, "spread_doubt": 0.3, "only_goes": 0.1, "rings": 9}}',
        encoding="utf-8",
    )
    file = LearnedFile(path)
    assert file.read() == {DIAL: LEARNED}
    assert started_from(bench_of(small_job()), LEARNED).grinder.doubles == Grinder().doubles
    other = PersonAndTool("B", GrinderKind.FILE)
    taught = LEARNED.model_copy(update={"doubles": 1.2, "counted_cuts": 40.0})
    file.keep(other, taught)
    assert json.loads(path.read_text(encoding="utf-8"))["v"] == 2
    assert file.read() == {DIAL: LEARNED, other: taught}


def test_a_file_of_a_newer_form_is_refused_with_the_way_out(tmp_path: Path) -> None:
    path = tmp_path / "learned.json"
    path.write_text('{"v": 3, "learned": {}}', encoding="utf-8")
    with pytest.raises(LearnedError, match=r"written by a newer Leafcall \(form 3\): use that one"):
        LearnedFile(path).read()


def test_double_cuts_are_told_once_there_was_one() -> None:
    known = LEARNED.model_copy(update={"doubles": 1.9, "counted_cuts": 40.0})
    line = "one cut in 21 takes about twice what is set: cuts stay shy of that"
    assert line in list(learned_lines(GrinderKind.DIAL, known))
    assert not [told for told in learned_lines(GrinderKind.DIAL, LEARNED) if "twice" in told]
    assert "by 20% of what it takes off" in " ".join(learned_lines(GrinderKind.FILE, LEARNED))


# --- by the commands --------------------------------------------------------------------------

CALLS = "top ring\n10 goes 11 snug\nground 4\n14 goes 15 snug\nground 4\nspoiled ring\n"


@pytest.fixture
def ada_job(run: Run) -> str:
    new = ("new", "a.toml", "--name", "A", "--person", "Ada", "--cylinders", "2", "--bore", "4")
    assert run(*new, "--usual").code == 0
    return "a.toml"


def test_what_was_learned_is_kept_shown_and_erased(run: Run, ada_job: str) -> None:
    assert "Nothing is learned yet" in run("learned").out
    run("type", ada_job, "--mute", typed=CALLS)
    shown = run("learned").out
    assert "Ada, dial, from 1 rings" in shown
    assert re.search(r"the grinder takes \d\.\d\d of its feed, give or take \d+%", shown)
    assert run("learned", "--forget").code == 0
    assert "Nothing is learned yet" in run("learned").out


@pytest.mark.parametrize(
    ("person", "tool", "text"),
    [("Ada", GrinderKind.DIAL, "Ada, dial"), ("", GrinderKind.FILE, "anyone, file"),
     ("Ada, of the shop", GrinderKind.FILE, "Ada, of the shop, file")],
)  # fmt: skip
def test_a_person_with_a_tool_is_shown_and_read_back(
    person: str, tool: GrinderKind, text: str
) -> None:
    key = PersonAndTool(person, tool)
    assert str(key) == text
    assert PersonAndTool.read(text) == key


@pytest.mark.parametrize("text", ["{", json.dumps({"Ada, saw": LEARNED.model_dump()})])
def test_learned_values_that_are_damaged_are_refused_with_the_way_out(
    run: Run, ada_job: str, text: str
) -> None:
    Path("home").mkdir(exist_ok=True)
    Path("home/learned.json").write_text(text, encoding="utf-8")
    done = run("type", ada_job, "--mute")
    assert done.code == 1
    assert "erase it with 'leafcall learned --forget'" in done.err


def test_an_old_session_taken_up_again_does_not_undo_what_others_taught(
    run: Run, ada_job: str
) -> None:
    run("type", ada_job, "--mute", typed="top ring\n10 goes\n")
    LearnedFile(Path("home/learned.json")).keep(DIAL, LEARNED)
    run("type", ada_job, "--mute", typed=CALLS)
    assert LearnedFile(Path("home/learned.json")).read() == {DIAL: LEARNED}


# --- a slot of known width --------------------------------------------------------------------


def test_leaves_that_feel_loose_in_a_slot_are_taken_as_loose_from_then_on(
    run: Run, ada_job: str
) -> None:
    done = run("slot", ada_job, "0.0200", "20 goes", "20.5 goes 21 snug")
    assert done.code == 0
    assert re.search(r"leaves feel 0\.\d\d thou \(0\.\d{4} mm\) looser than they are", done.out)
    learned = LearnedFile(Path("home/learned.json")).read()[DIAL]
    assert learned.rings == 0
    assert 0 < learned.offset_nm < 25_400
    assert learned.offset_sd_nm < PEOPLE_SD_NM / 2
    # A session that begins now starts from it, and rings do not change it.
    run("type", ada_job, "--mute", typed=CALLS)
    after = LearnedFile(Path("home/learned.json")).read()[DIAL]
    assert (after.rings, after.offset_nm) == (1, learned.offset_nm)


def test_a_slot_measured_during_a_session_is_not_undone_by_it(run: Run, ada_job: str) -> None:
    run("type", ada_job, "--mute", typed="top ring\n10 goes\n")
    run("slot", ada_job, "0.0200", "20 goes 21 snug")
    measured = LearnedFile(Path("home/learned.json")).read()[DIAL].offset_nm
    run("type", ada_job, "--mute", typed=CALLS)
    kept = LearnedFile(Path("home/learned.json")).read()[DIAL]
    assert kept.offset_nm == measured != 0
    assert kept.rings == 1


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("0.0200", "nineteen goes"), "leave open how wide the slot feels"),
        (("0.0200", "lunch"), "'lunch' is no reading"),
        (("0.0200", "cylinder two top ring 19 goes"), "is no reading"),
        (("0", "19 goes 20 snug"), "must be above 0"),
        (("wide", "19 goes 20 snug"), "'wide' is not a length"),
        (("0.0300", "19 goes 20 snug"), "not of 30 thou: look at the width"),
    ],
)
def test_a_slot_that_tells_nothing_is_refused(
    run: Run, ada_job: str, arguments: tuple[str, ...], reason: str
) -> None:
    done = run("slot", ada_job, *arguments)
    assert done.code == 1
    assert reason in done.err
    assert not Path("home/learned.json").exists()


def test_every_learned_value_reaches_the_next_bench() -> None:
    names = [name for name in Learned.model_fields if name != "rings"]
    odd = Learned(**{name: 0.11 + 0.01 * n for n, name in enumerate(names)}, rings=3)  # type: ignore[arg-type]
    assert learned_from(started_from(bench_of(small_job()), odd), rings=3) == odd
