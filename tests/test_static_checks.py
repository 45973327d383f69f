"""Ruff and mypy belong to the tests, so that one command checks everything."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    "check",
    [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]],
    ids=["ruff check", "ruff format", "mypy strict"],
)
@pytest.mark.timeout(600)
def test_static_check_finds_nothing(check: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *check], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
