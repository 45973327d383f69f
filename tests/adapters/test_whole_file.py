"""A file is written whole or not at all, and a folder that cannot be written makes no traceback."""

import os
from pathlib import Path
from typing import Any, NoReturn

import pytest

from assistant.adapters.files.job_file import write_job
from assistant.adapters.files.learned_file import LearnedFile
from assistant.adapters.files.sheet_file import save_sheet
from assistant.adapters.files.whole_file import write_whole
from assistant.bench.learned import learned_from
from assistant.errors import JobError, LearnedError, SheetError
from assistant.fitting.bench import Bench, GrinderKind, PersonAndTool
from tests.fakes import small_job


def refuse(*_: Any, **__: Any) -> NoReturn:
    raise PermissionError(13, "Permission denied")


@pytest.fixture
def read_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in which nothing can be made and nothing removed, for root too."""
    opened = Path.open

    def read_only_open(path: Path, mode: str = "r", *rest: Any, **named: Any) -> Any:
        return refuse() if "w" in mode else opened(path, mode, *rest, **named)

    monkeypatch.setattr(Path, "open", read_only_open)
    monkeypatch.setattr(Path, "unlink", refuse)
    return tmp_path


def test_it_replaces_an_older_file_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(b"old")
    write_whole(path, b"new\r\n")
    assert path.read_bytes() == b"new\r\n"
    assert list(tmp_path.iterdir()) == [path]


def test_a_disk_that_fills_up_leaves_the_older_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.txt"
    path.write_bytes(b"old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_read_only_folder_is_told_in_a_sentence(read_only: Path) -> None:
    with pytest.raises(JobError, match=r"a\.toml cannot be written: Permission denied"):
        write_job(small_job(), read_only / "a.toml")
    with pytest.raises(SheetError, match=r"sheet\.html cannot be written: Permission denied"):
        save_sheet(read_only / "sheet.html", "x")
    with pytest.raises(LearnedError, match=r"learned\.json cannot be written: Permission denied"):
        LearnedFile(read_only / "learned.json").keep(
            PersonAndTool("a", GrinderKind.DIAL), learned_from(Bench(), rings=3)
        )
