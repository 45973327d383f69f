"""The README's promises: two one-line commands first, commands that exist, output that is real."""

import re
import subprocess
from pathlib import Path

import pytest
from typer.main import get_command

from assistant.bench.new_job import interview, take_default
from assistant.bench.session import Outcome
from assistant.bench.wording import Wording
from assistant.cli import app
from assistant.language.grammar import Grammar
from tests.fakes import TOP, Bench

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
SHELL_BLOCKS = re.findall(r"^```sh\n(.*?)^```", README, flags=re.M | re.S)


def test_first_two_blocks_are_one_line_each() -> None:
    assert [block.count("\n") for block in SHELL_BLOCKS[:2]] == [1, 1]


def test_first_block_installs_and_runs_the_demo() -> None:
    assert SHELL_BLOCKS[0].strip().endswith("leafcall demo")


def test_ci_runs_the_second_block_as_written() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    awk = re.search(r"awk '([^']+)' README.md", script)
    assert awk is not None
    found = subprocess.run(
        ["awk", awk[1], str(ROOT / "README.md")], capture_output=True, text=True, check=True
    )
    assert found.stdout.strip() == SHELL_BLOCKS[1].strip()


def test_every_command_in_the_readme_exists() -> None:
    named = set(re.findall(r"leafcall ([a-z]+)", README))
    commands = set(get_command(app).list_commands(None))
    assert named - commands == set()


def test_every_command_is_in_the_readme() -> None:
    named = set(re.findall(r"leafcall ([a-z]+)", README))
    commands = set(get_command(app).list_commands(None))
    assert commands - named == set()


@pytest.mark.parametrize("mark", ["@DEMO@", "@EAR@", "@SPEED@", "@POLICY@", "@JSON@", "TODO"])
def test_no_gap_is_left_in_the_readme(mark: str) -> None:
    assert mark not in README


def test_the_first_ring_goes_as_it_is_told(grammar: Grammar, wording: Wording) -> None:
    """The steps of "The first ring", with the usual answers and the demo's bore."""
    answers = {"name": "Heron twin", "cylinders": "2", "bore": "3.2755"}
    job = interview(
        lambda question, reason: answers.get(question.key) or take_default(question, reason)
    )
    bench = Bench(job, grammar, wording)
    steps = README.partition("## The first ring")[2].partition("\n## ")[0]
    said = [call.lower() for call in re.findall(r'call(?: out)?:? \*"([^"]+)"\*', steps)]
    assert said == [
        "cylinder one top ring",
        "fourteen goes fifteen snug",
        "ground three and a half",
    ]
    (answered,) = re.findall(r'It says \*"([^"]+)"\*', steps)
    replies = [bench.say(call).lower() for call in said]
    assert [answered.lower() in reply for reply in replies] == [False, True, False]
    for call in ("nineteen goes twenty almost", *re.findall(r'\*"([a-z ]+)"\*', steps)[-4:]):
        bench.say(call)
        assert bench.last.refused is None, call
    assert bench.state.ring((1, TOP)).outcome is Outcome.ACCEPTED
    assert bench.state.closed
