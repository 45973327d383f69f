"""The README's promises: two one-line commands first, commands that exist, output that is real."""

import re
import subprocess
from pathlib import Path

import pytest
from typer.main import get_command

from assistant.cli import app

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
