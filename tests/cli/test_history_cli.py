"""The commands across sessions: history, again, learned --rebuild and --forget --only."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from assistant.adapters.files.learned_file import LearnedFile
from assistant.bench.wording import Wording
from assistant.fitting.bench import GrinderKind, PersonAndTool
from assistant.language.grammar import Grammar
from tests.command_line import Run
from tests.fakes import Bench, small_job
from tests.past_sessions import write_log

CALLS = ("top ring", "fourteen goes fifteen snug", "ground two", "seventeen snug", "accept it",
         "what about lunch")  # fmt: skip

ADA = PersonAndTool("Ada", GrinderKind.DIAL)


@pytest.fixture
def ada(grammar: Grammar, wording: Wording, tmp_path: Path) -> Bench:
    """A session of one ring, its log twice in the folder as of two months."""
    bench = Bench(small_job(person="Ada"), grammar, wording).through(*CALLS)
    for month in (1, 2):
        began = datetime(2026, month, 3, tzinfo=UTC)
        write_log(tmp_path / f"{month}-sessions" / "001" / "log.jsonl", bench.store.events,
                  began=began)  # fmt: skip
    return bench


def test_history_tells_people_and_trends_and_names_what_is_left_out(
    run: Run, ada: Bench, tmp_path: Path
) -> None:
    bad = tmp_path / "bad" / "log.jsonl"
    bad.parent.mkdir()
    bad.write_text("rubbish\n")
    code, out, err = run("history", ".")
    lines = [line.strip() for line in out.splitlines()]
    events = 2 * len(ada.store.events)
    assert (code, err) == (0, "")
    assert lines[0] == f"2 sessions, {events} events, from 3 logs"
    assert "Ada, dial" in lines
    assert "a ring    1.0 passes, 3.0 readings, 0.0 % (0.0 to 65.8) spoiled" in lines
    # Intervals: Wilson's, as scipy.stats.binomtest gives them.
    calls = "calls     12: 16.7 % (4.7 to 44.8) refused, 0.0 % (0.0 to 24.2) taken back"
    assert f"{calls}, 0 asked back, 0 notes" in lines
    assert lines[-1].startswith("bad/log.jsonl: Line 1 of the log is not JSON")
    assert [line.split()[0] for line in lines if line.startswith("2026-")] == [
        "2026-01-03", "2026-02-03",
    ]  # fmt: skip


def test_history_as_json_and_as_a_page(run: Run, ada: Bench, tmp_path: Path) -> None:
    code, out, _ = run("history", "--json", "--page", "h.html")
    assert code == 0
    assert json.loads(out)["workers"][0]["all"]["sessions"] == 2
    assert "Ada, dial" in (tmp_path / "h.html").read_text(encoding="utf-8")


def test_history_of_nothing_says_so(run: Run) -> None:
    code, _, err = run("history")
    assert code == 1
    assert "No log of a session is in .: name another folder." in err


def test_learned_values_are_rebuilt_shown_and_erased(run: Run, ada: Bench, tmp_path: Path) -> None:
    code, out, _ = run("learned", "--rebuild", "1-sessions")
    assert code == 0
    assert "Learned anew from logs: Ada, dial." in out
    assert LearnedFile(tmp_path / "home" / "learned.json").read() == {ADA: ada.state.learned}
    assert "learned   from 1 rings" in run("history")[1]
    measured = ada.state.learned.model_copy(update={"offset_nm": 5e3, "offset_sd_nm": 2e3})
    LearnedFile(tmp_path / "home" / "learned.json").keep(ADA, measured)
    assert run("learned", "--rebuild", "1-sessions")[0] == 0
    assert LearnedFile(tmp_path / "home" / "learned.json").read() == {ADA: measured}, (
        "what a slot taught is in no log yet"
    )
    code, _, err = run("learned", "--forget", "--only", "Bo, dial")
    assert code == 1
    assert "there is: 'Ada, dial'" in err
    assert run("learned", "--forget", "--only", "Ada, dial")[0] == 0
    assert "Nothing is learned yet" in run("learned")[1]


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("--only", "Ada, dial"), "--only goes with --forget"),
        (("--forget", "--rebuild", "."), "--forget and --rebuild do not go together"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    run: Run, arguments: tuple[str, ...], reason: str
) -> None:
    code, _, err = run("learned", *arguments)
    assert code == 2
    assert reason in err.replace("\n", " ")


def test_again_without_kept_calls_is_an_error_and_no_traceback(run: Run, ada: Bench) -> None:
    code, _, err = run("again", "1-sessions/001/log.jsonl")
    assert code == 1
    assert "names no kept call" in err
