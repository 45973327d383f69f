"""Fixtures shared by all tests, and the profiles of the property tests.

``python -m pytest --hypothesis-profile=thorough`` tries ten times as many examples.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from assistant.adapters.files import data_files
from assistant.bench.job import Job
from assistant.bench.wording import Wording
from assistant.language.grammar import Grammar
from assistant.language.grammar_files import REPLIES_FILE
from assistant.units import Unit
from tests.command_line import Ran, Run, leafcall
from tests.fakes import Bench, FakeClock, MemoryStore, metric_job, small_job

ROOT = Path(__file__).resolve().parent.parent

# A slow or busy machine is no fault of what is tested: neither an example nor drawing one is timed.
settings.register_profile(
    "usual", max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("thorough", settings.get_profile("usual"), max_examples=1000)
settings.load_profile("usual")


@pytest.fixture(scope="session")
def grammar_texts() -> dict[str, str]:
    """File name -> text of the grammar that ships."""
    folder = ROOT / "grammar"
    return data_files.grammar_texts(folder)


@pytest.fixture(scope="session")
def grammar(grammar_texts: dict[str, str]) -> Grammar:
    return Grammar(grammar_texts)


@pytest.fixture(scope="session")
def metric_grammar(grammar_texts: dict[str, str]) -> Grammar:
    return Grammar(grammar_texts, unit=Unit.METRIC)


@pytest.fixture(scope="session")
def wording(grammar_texts: dict[str, str], grammar: Grammar) -> Wording:
    return Wording(grammar_texts[REPLIES_FILE], grammar.numbers)


@pytest.fixture
def job() -> Job:
    return small_job()


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def store() -> MemoryStore:
    return MemoryStore()


@pytest.fixture
def bench(grammar: Grammar, wording: Wording) -> Bench:
    """A session of the small job, opened."""
    return Bench(small_job(), grammar, wording)


@pytest.fixture
def metric_bench(metric_grammar: Grammar, wording: Wording) -> Bench:
    """A session of the metric job, opened."""
    return Bench(metric_job(), metric_grammar, wording)


@pytest.fixture
def new_bench(grammar: Grammar, wording: Wording) -> Callable[[], Bench]:
    """Makes benches of the small job."""
    return lambda: Bench(small_job(), grammar, wording)


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs ``leafcall`` in a folder of its own; ``typed`` is the keyboard."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LEAFCALL_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "300")

    def go(*arguments: str, typed: str | bytes = "") -> Ran:
        return leafcall(arguments, typed, monkeypatch, capsys)

    return go
