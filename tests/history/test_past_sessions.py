"""The history across sessions: rows against the fold, sums, damage, page, Parquet.

Where no source is named, what is right follows from the calls that were typed.
"""

import json
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from random import Random

import pytest
from hypothesis import given

from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.session_log import read_log, scan_log
from assistant.bench import events as ev
from assistant.bench.session import Outcome, State, replay
from assistant.bench.wording import Wording
from assistant.build.histories import PastWork, logs_of
from assistant.build.log_reader import read_past
from assistant.errors import InstallationError, LogDamaged, LogError
from assistant.fitting.bench import GrinderKind, PersonAndTool
from assistant.fitting.facts import Cut, Reading
from assistant.history.page import _scale, history_page, plots_of
from assistant.history.past_session import NEWEST_FORM, OPEN, PastRing, PastSession, past_session
from assistant.history.summary import History, history_json, history_lines
from assistant.language.grammar import Grammar
from tests.examples import FEW
from tests.fakes import Bench, metric_job, small_job
from tests.past_sessions import LEARNED, log_lines, play, write_log
from tests.properties.test_bench import held, sessions

FIXTURES = Path(__file__).parents[1] / "fixtures"
DIAL = "Ada, dial"


def lines_of(bench: Bench) -> bytes:
    return log_lines(bench.store.events).encode()


def newest(rings: tuple[PastRing, ...]) -> dict[tuple[int, str], PastRing]:
    return {(ring.cylinder, ring.position): ring for ring in rings}


def counted(state: State) -> dict[tuple[int, str], tuple[int, int, str]]:
    """(readings, passes, outcome) of every ring of the fold that has any."""
    found = {}
    for (cylinder, position), ring in state.rings.items():
        readings = sum(isinstance(fact, Reading) for fact in ring.facts)
        cuts = [fact for fact in ring.facts if isinstance(fact, Cut) and not fact.dressing]
        assert len(cuts) == ring.passes
        outcome = OPEN if ring.outcome is None else ring.outcome.value
        if ring.outcome is Outcome.ACCEPTED and ring.outside:
            outcome = "outside"
        if readings or ring.passes or ring.outcome:
            found[cylinder, position.value] = (readings, ring.passes, outcome)
    return found


@FEW
@given(sessions())
def test_the_rows_of_a_session_are_those_of_the_fold(session: tuple[str, list[str]]) -> None:
    bench = held(*session)
    row = past_session(lines_of(bench))
    assert row is not None
    found = {
        key: (ring.readings, ring.passes, ring.outcome)
        for key, ring in newest(row.rings).items()
        if ring.readings or ring.passes or ring.outcome != OPEN
    }
    assert found == counted(bench.state)
    heard = [one.event for one in bench.store.events if isinstance(one.event, ev.CallHeard)]
    assert (row.events, row.calls) == (len(bench.store.events), len(heard))
    assert row.refused == sum(call.refused is not None for call in heard)
    assert row.corrections == len(bench.state.retracted)


def test_feed_and_strokes_are_summed_and_what_is_taken_back_is_not(
    bench: Bench, metric_bench: Bench
) -> None:
    bench.through("second ring", "ten goes", "ground two", "ground three", "take that back")
    row = past_session(lines_of(bench))
    assert row is not None
    assert newest(row.rings)[1, "second"].fed_nm == 2 * 25_400  # 1 thou = 25 400 nm: NIST SP 811
    metric_bench.through("top ring", "twenty goes", "six strokes")
    row = past_session(lines_of(metric_bench))
    assert row is not None
    assert newest(row.rings)[1, "top"].strokes == 6


def test_a_spoiled_ring_that_was_replaced_still_counts_as_spoiled(bench: Bench) -> None:
    bench.through("top ring", "twelve goes", "ground two", "spoiled ring", "cylinder one top ring")
    bench.through("yes", "eight goes", "yes")
    row = past_session(lines_of(bench))
    assert row is not None
    tops = [ring for ring in row.rings if ring.position == "top"]
    assert [(ring.piece, ring.passes, ring.outcome) for ring in tops] == [
        (0, 1, "spoiled"), (1, 0, "open"),
    ]  # fmt: skip
    assert counted(bench.state)[1, "top"] == (1, 0, "open")  # the fold forgets the first


def test_the_newest_form_that_is_read_is_the_one_that_is_written() -> None:
    assert NEWEST_FORM == ev.CURRENT_V


def test_form_1_is_read_too() -> None:
    data = (FIXTURES / "log_v1.jsonl").read_bytes()
    row = past_session(data)
    assert row is not None
    stored = [ev.from_line(line, line=1).envelope for line in data.decode().splitlines()]
    assert row.events == len(stored)
    assert (
        counted(replay(stored)).items()
        <= {
            key: (ring.readings, ring.passes, ring.outcome)
            for key, ring in newest(row.rings).items()
        }.items()
    )


def test_a_log_that_went_on_in_the_newer_form_is_read(bench: Bench) -> None:
    bench.through("top ring", "ten goes")
    events = bench.store.events
    old = [json.dumps({**json.loads(one.model_dump_json()), "v": 1}) for one in events[:3]]
    check = ""
    for line in old:
        check = ev.next_check(check, line)
    data = ("\n".join(old) + "\n" + log_lines(events[3:], before=check)).encode()
    row = past_session(data)
    assert row is not None
    assert row.events == len(events)


# --- damage -----------------------------------------------------------------------------------


@pytest.fixture
def sound(bench: Bench) -> bytes:
    return lines_of(bench.through("top ring", "ten goes", "ground two", "fourteen goes"))


def test_what_was_not_written_to_its_end_is_left_out(sound: bytes) -> None:
    lines = sound.splitlines(keepends=True)
    whole = past_session(sound)
    begun = next(n for n in range(len(lines) - 1, 0, -1) if b'"end":true' in lines[n - 1])
    for cut in (b"".join(lines[:begun]), b"".join(lines[: begun + 1]), sound[:-5]):
        row = past_session(cut)
        assert row is not None
        assert whole is not None
        assert row.events == begun < whole.events


@pytest.mark.parametrize("name", ["log_v2.jsonl", "log_v1_then_v2.jsonl"])
def test_the_kept_logs_of_every_form_are_read(name: str) -> None:
    row = past_session((FIXTURES / name).read_bytes())
    assert row is not None
    assert row.events == len(read_log(FIXTURES / name))


@pytest.mark.parametrize(
    ("damage", "reason"),
    [
        (lambda lines: [*lines[:3], *lines[4:]], "Before line 4 of the log an event is missing"),
        (lambda lines: [*lines[:3], lines[3], *lines[3:]], "Line 5 of the log holds event 3"),
        (
            lambda lines: [line.replace(b'"feed_nm":50800', b'"feed_nm":25400') for line in lines],
            "of the log was changed",
        ),
        (lambda lines: [*lines[:3], b"rubbish\n", *lines[4:]], "Line 4 of the log is not JSON"),
        (lambda lines: [*lines[:3], b"[1]\n", *lines[4:]], "Line 4 of the log is no event"),
        (
            lambda lines: [b'{"v":3,"seq":0,"at":"2026-01-01T00:00:00Z","turn":0}\n', *lines[1:]],
            "Line 1 of the log has form 3; this Leafcall reads up to 2",
        ),
        (
            lambda _: [
                b'{"v":1,"seq":0,"at":"2026-01-01T00:00:00Z","turn":0,"event":'
                b'{"kind":"reply given","text":"yes"}}\n'
            ],
            "Line 1 of the log opens no session",
        ),
    ],
)
def test_damage_is_told_with_its_line(
    sound: bytes, damage: Callable[[list[bytes]], list[bytes]], reason: str
) -> None:
    with pytest.raises(LogDamaged, match=re.escape(reason)):
        past_session(b"".join(damage(sound.splitlines(keepends=True))))


def test_an_entry_of_form_1_that_looks_like_a_check_is_none(bench: Bench) -> None:
    # "ends not square" is as long as a check: the line of form 1 ends almost like one of form 2.
    bench.through("top ring", "ten goes", "ends are not square")
    old = [{**json.loads(one.model_dump_json()), "v": 1} for one in bench.store.events]
    row = past_session(
        "".join(f"{json.dumps(one, separators=(',', ':'))}\n" for one in old).encode()
    )
    assert row is not None
    assert row.events == len(old)


def test_an_empty_log_holds_no_session() -> None:
    assert past_session(b"") is None
    assert past_session(b'{"v":2,"se') is None


# --- many sessions ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def played(grammar: Grammar, wording: Wording, metric_grammar: Grammar) -> list[Bench]:
    """Three sessions of Ada with a dial, one of Bo with a file."""
    dial = [
        play(Bench(small_job(person="Ada", name=f"E{n}"), grammar, wording), Random(n), events=70)
        for n in range(3)
    ]
    return [*dial, play(Bench(metric_job(person="Bo"), metric_grammar, wording), Random(7),
                        events=40)]  # fmt: skip


@pytest.fixture(scope="module")
def shop(played: list[Bench], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Their logs, one a month, in folders as sessions are kept."""
    folder = tmp_path_factory.mktemp("shop")
    for n, bench in enumerate(played):
        began = datetime(2026, n + 1, 5, 9, tzinfo=UTC)
        write_log(folder / f"e{n}-sessions" / "001" / "log.jsonl", bench.store.events, began=began)
    return folder


@pytest.fixture
def past(shop: Path) -> Iterator[PastWork]:
    work = PastWork(logs_of([shop]))
    yield work
    work.close()


def test_sums_are_those_of_the_sessions(past: PastWork, played: list[Bench]) -> None:
    told = past.history(now={})
    assert [str(worker.who) for worker in told.workers] == [DIAL, "Bo, file"]
    ada = told.workers[0].all
    rings = [ring for bench in played[:3] for ring in counted(bench.state).values()]
    assert ada.sessions == 3
    assert ada.events == sum(len(bench.store.events) for bench in played[:3])
    assert {name: count for name, count in ada.rings.items() if count} == {
        name: sum(ring[2] == name for ring in rings) for name in {ring[2] for ring in rings}
    }
    ended = [ring for ring in rings if ring[2] in ("accepted", "outside", "spoiled")]
    assert ended
    assert ada.passes_per_ring == pytest.approx(sum(ring[1] for ring in ended) / len(ended))
    assert ada.readings_per_ring == pytest.approx(sum(ring[0] for ring in ended) / len(ended))
    months = told.workers[0].periods
    assert [one.key for one in months] == ["2026-01-05", "2026-02-05", "2026-03-05"]
    assert sum(one.calls for one in months) == ada.calls


def test_other_processes_read_the_same(shop: Path, past: PastWork) -> None:
    other = PastWork(logs_of([shop]), workers=2)
    assert other.history(now={}) == past.history(now={})
    other.close()


def test_copies_count_once_and_damaged_logs_are_named(shop: Path, tmp_path: Path) -> None:
    log = shop / "e0-sessions" / "001" / "log.jsonl"
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "log.jsonl").write_bytes(log.read_bytes())
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "log.jsonl").write_bytes(
        log.read_bytes().replace(b'"feel":"goes"', b'"feel":"snug"', 1)
    )
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty" / "log.jsonl").write_bytes(b"")
    past = PastWork(logs_of([tmp_path, tmp_path / "a" / "log.jsonl"]))
    told = past.history(now={})
    past.close()
    assert (told.logs, told.copies, told.workers[0].all.sessions) == (4, 1, 1)
    assert [Path(path).parent.name for path, _ in told.left_out] == ["bad", "empty"]
    shown = "\n".join(history_lines(told))
    assert "1 logs are copies of others" in shown
    assert "empty" in shown
    assert "it holds no session" in shown


def test_a_log_that_goes_while_others_are_read_is_named(shop: Path, tmp_path: Path) -> None:
    there, gone = shop / "e0-sessions" / "001" / "log.jsonl", tmp_path / "log.jsonl"
    found = dict(read_past([there, gone], workers=1))
    assert isinstance(found[str(there)], PastSession)
    assert found[str(gone)] == "it cannot be read: No such file or directory"


def test_a_place_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="nowhere is not there: name a folder, a log or a job file"):
        logs_of([tmp_path / "nowhere"])


def test_the_json_holds_the_same_numbers(past: PastWork) -> None:
    told = past.history(now={})
    data = json.loads(history_json(told))
    assert data["workers"][0]["who"] == DIAL
    assert data["workers"][0]["all"]["rings"] == dict(told.workers[0].all.rings)
    assert data["workers"][0]["all"]["learned_at_start"] is None
    assert len(data["workers"][0]["periods"]) == 3


# --- page -------------------------------------------------------------------------------------


class Page(HTMLParser):
    """Every tag closed in order, ids once, every picture named."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        facts = dict(attrs)
        self.seen.append((tag, facts))
        self.ids += [facts["id"] or ""] if "id" in facts else []
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


HOSTILE = "</dd><script>alert(1)</script>\" onload=x & 'quote'"


def test_the_page_is_whole_and_escapes_what_people_typed(past: PastWork, shop: Path) -> None:
    from dataclasses import replace

    told = past.history(now={PersonAndTool.read(DIAL): LEARNED})
    hostile = replace(told.workers[0], who=PersonAndTool(HOSTILE, GrinderKind.DIAL))
    told = History((hostile, *told.workers), told.logs, ((HOSTILE, HOSTILE),), 1)
    text = history_page(told, template=page_template("history"))
    page = Page(text)
    assert page.open == []
    assert len(page.ids) == len(set(page.ids)) > 3
    assert "script" not in [tag for tag, _ in page.seen]
    assert not any("onload" in facts for _, facts in page.seen)
    assert not re.search(r"https?:|src=|url\(", text)
    pictures = [facts for tag, facts in page.seen if tag == "svg"]
    assert len(pictures) >= 8
    assert all(facts.get("aria-label") for facts in pictures)
    assert len([tag for tag, _ in page.seen if tag == "circle"]) >= 3 * 4


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (0, 2.9, (0, 1, 2, 3)),
        (0, 0, (0, 0.2)),
        (0.96, 1.09, (0.95, 1.0, 1.05, 1.1)),
        (6.4, 6.4, (6.4, 6.42)),
        (-3, 3, (-4, -2, 0, 2, 4)),
    ],
)
def test_a_scale_holds_the_values_on_round_figures(
    low: float, high: float, ticks: tuple[float, ...]
) -> None:
    assert _scale(low, high) == pytest.approx(ticks)


def test_no_mark_lies_outside_of_its_plot(past: PastWork) -> None:
    page = Page(history_page(past.history(now={}), template=page_template("history")))
    circles = [facts for tag, facts in page.seen if tag == "circle"]
    assert circles
    for facts in circles:
        assert 0 <= float(facts["cx"] or -1) <= 440
        assert 0 <= float(facts["cy"] or -1) <= 190


def test_marks_stand_on_a_true_scale_of_days(past: PastWork) -> None:
    from dataclasses import replace

    (worker, *_) = [one for one in past.history(now={}).workers if len(one.periods) == 3]
    keys = ("2026-01-01", "2026-01-11", "2026-03-02")  # 10 days, then 50
    periods = tuple(replace(p, key=k) for p, k in zip(worker.periods, keys, strict=True))
    (plot, *_) = plots_of(replace(worker, periods=periods))
    first, middle, last = (mark.x for mark in plot.marks)
    assert (middle - first) / (last - first) == pytest.approx(10 / 60, abs=0.002)


def test_two_days_make_no_plot(past: PastWork) -> None:
    from dataclasses import replace

    worker = past.history(now={}).workers[0]
    assert plots_of(worker)
    assert plots_of(replace(worker, periods=worker.periods[:2])) == ()


def test_every_plot_tells_how_many_were_counted(past: PastWork) -> None:
    worker = past.history(now={}).workers[0]
    (passes, *_) = plots_of(worker)
    ended = [sum(p.rings[o] for o in ("accepted", "outside", "spoiled")) for p in worker.periods]
    assert f" {sum(ended)} rings in all; " in passes.told
    assert [mark.told.rpartition(", ")[2] for mark in passes.marks] == [f"{n} rings" for n in ended]


# --- Parquet ----------------------------------------------------------------------------------


def test_the_parquet_files_hold_what_the_logs_hold(
    past: PastWork, played: list[Bench], tmp_path: Path
) -> None:
    duckdb = pytest.importorskip("duckdb")
    polars = pytest.importorskip("polars")
    out = tmp_path / "it's a shop"
    past.write_parquet(out)
    assert sorted(path.name for path in out.iterdir()) == [
        "events.parquet", "rings.parquet", "sessions.parquet",
    ]  # fmt: skip
    events = polars.read_parquet(out / "events.parquet")
    assert len(events) == sum(len(bench.store.events) for bench in played)
    assert str(events.schema["at_utc"]) == "Datetime(time_unit='us', time_zone='UTC')"
    assert events["at_utc"].min() == datetime(2026, 1, 5, 9, tzinfo=UTC)
    fed = [
        one.event.feed_nm
        for bench in played
        for one in bench.store.events
        if isinstance(one.event, ev.MetalGround)
    ]
    assert events["feed_nm"].sum() == sum(fed) > 0
    taken = events.filter(polars.col("taken_back"))
    assert taken["turn"].n_unique() > 0
    retracted = sum(len(bench.state.retracted) for bench in played)
    assert taken.select("log", "turn").n_unique() == retracted
    # A second engine reads the same files: rings against the fold.
    db = duckdb.connect()
    for n, bench in enumerate(played):
        rows = db.execute(
            "SELECT cylinder, position, readings, passes, outcome FROM read_parquet(?) "
            "WHERE contains(log, ?)", [str(out / "rings.parquet"), f"e{n}-sessions"],
        ).fetchall()  # fmt: skip
        assert {(row[0], row[1]): tuple(row[2:]) for row in rows} == counted(bench.state)
    zone = db.execute(
        "SELECT DISTINCT typeof(began_utc) FROM read_parquet(?)", [str(out / "sessions.parquet")]
    ).fetchall()
    assert zone == [("TIMESTAMP WITH TIME ZONE",)]
    db.close()


def test_without_duckdb_it_is_said_what_to_install(
    past: PastWork, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "duckdb", None)
    with pytest.raises(InstallationError, match=re.escape("pip install 'leafcall[history]'")):
        past.write_parquet(tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_is_named(past: PastWork, tmp_path: Path) -> None:
    pytest.importorskip("duckdb")
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match="cannot be written"):
        past.write_parquet(tmp_path / "file")


@pytest.mark.parametrize("deep", ["[" * 20_000, '{"v":' * 20_000, "[" * 900 + "]" * 900])
def test_a_line_nested_too_deep_is_damage_of_that_line_and_stops_no_history(
    tmp_path: Path, deep: str
) -> None:
    sealed = f'{{"v":2,"seq":0,"event":{deep},"end":true,"check":"0123456789abcdef"}}'
    for line in (deep, sealed, f'{{"v":1,"a":{deep}}}'):
        path = tmp_path / "log.jsonl"
        path.write_text(f"{line}\n")
        ((_, told),) = read_past([path])
        assert isinstance(told, str)
        assert told.startswith("Line 1 of the log")
        assert "Line 1" in scan_log(path).damages[0].reason


def test_a_log_with_the_line_ends_of_windows_is_told_as_that(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    path.write_bytes(b'{"v":2}\r\n')
    assert "the line end of Windows" in scan_log(path).damages[0].reason
