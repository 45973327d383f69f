"""What an ordinary user meets: folders and files that the system keeps from them.

Root may write everywhere, so the command runs without root's capabilities (setpriv); where that
cannot be had, and the tests run as root, they are skipped.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
_BARE = ("setpriv", "--bounding-set=-all", "--inh-caps=-all")


def _prefix() -> tuple[str, ...] | None:
    """What makes a command one of an ordinary user; None if nothing can."""
    if not hasattr(os, "geteuid"):
        return None  # Windows keeps permissions in another way
    if os.geteuid() != 0:
        return ()
    if shutil.which("setpriv") is None:
        return None
    probe = [*_BARE, sys.executable, "-c", "print('able')"]
    tried = subprocess.run(probe, capture_output=True, text=True, check=False)
    return _BARE if tried.stdout.strip() == "able" else None


PREFIX = _prefix()
pytestmark = [
    pytest.mark.skipif(PREFIX is None, reason="an ordinary user cannot be had here"),
    pytest.mark.timeout(600),  # many commands, each a process
]


class Shop:
    """A folder with a job and a session, and the command as an ordinary user runs it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.home = folder / "shop", folder / "home"
        self.folder.mkdir()
        self.home.mkdir()
        self.session = self.folder / "a-sessions" / "001"

    def run(self, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
        """The command; it must never end in a traceback."""
        done = subprocess.run(
            [*(PREFIX or ()), sys.executable, "-m", "assistant", *arguments],
            cwd=self.folder, input=typed, capture_output=True, text=True, timeout=100, check=False,
            env={**os.environ, "LEAFCALL_HOME": str(self.home), "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert "Traceback" not in done.stderr, done.stderr
        return done


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    made = Shop(tmp_path)
    new = ("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert made.run(*new).returncode == 0
    assert (
        made.run("type", "a.toml", "--mute", typed="top ring\n10 goes 11 no go\n").returncode == 0
    )
    yield made
    for path in (tmp_path, *tmp_path.rglob("*")):  # so that the folder can be cleared away
        if path.is_dir():
            path.chmod(0o755)


def test_the_permissions_hold_for_this_user(shop: Shop) -> None:
    shop.folder.chmod(0o555)
    tried = subprocess.run(
        [*(PREFIX or ()), sys.executable, "-c", "open('x', 'w')"],
        cwd=shop.folder, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "PermissionError" in tried.stderr


def test_in_a_read_only_folder_every_command_ends_in_a_sentence(shop: Shop) -> None:
    folders = (shop.session, shop.session.parent, shop.folder)
    for path in folders:
        path.chmod(0o555)
    before = {path: path.read_bytes() for path in shop.session.iterdir()}
    for command in (
        ("new", "b.toml", "--name", "B", "--cylinders", "1", "--bore", "4", "--usual"),
        ("sheet", "a.toml"),
        ("review", "a.toml", "--no-open"),
        ("history", "a.toml", "--page", "h.html"),
        ("history", "a.toml", "--parquet", "tables"),
    ):
        done = shop.run(*command)
        assert done.returncode == 1, command
        assert "cannot be written: Permission denied." in done.stderr, command
    assert {path: path.read_bytes() for path in shop.session.iterdir()} == before


def test_a_session_in_a_read_only_folder_goes_on_in_the_data_folder_and_comes_home(
    shop: Shop,
) -> None:
    shop.session.parent.chmod(0o555)
    done = shop.run("type", "a.toml", "--mute", "--new", typed="top ring\n12 goes\n")
    assert done.returncode == 0
    assert "It goes on in " in done.stdout
    assert not (shop.session.parent / "002").exists()
    shop.session.parent.chmod(0o755)
    assert shop.run("sheet", "a.toml").returncode == 0
    assert "12 thou goes" in (shop.session.parent / "002" / "sheet.html").read_text("utf-8")


def test_a_log_that_may_not_be_written_is_gone_on_with_elsewhere(shop: Shop) -> None:
    log = shop.session / "log.jsonl"
    before = log.read_bytes()
    log.chmod(0o444)
    done = shop.run("type", "a.toml", "--mute", typed="12 no go\n")
    assert done.returncode == 0
    assert "It goes on in " in done.stdout
    assert log.read_bytes() == before
    log.chmod(0o644)
    assert shop.run("sheet", "a.toml").returncode == 0
    assert log.read_bytes().startswith(before)
    assert b'"leaf_nm"' in log.read_bytes()[len(before) :]


@pytest.mark.parametrize("what", ["log.jsonl", ".", ".."])
def test_a_session_that_may_not_be_read_is_never_passed_over(shop: Shop, what: str) -> None:
    """A new one in its place would forget what was done."""
    closed = shop.session / what
    closed.chmod(0)
    for command in (("type", "a.toml", "--mute"), ("sheet", "a.toml"), ("review", "a.toml")):
        done = shop.run(*command, typed="top ring\n")
        assert done.returncode == 1, command
        assert ": Permission denied." in done.stderr
    closed.chmod(0o755)
    assert [path.name for path in shop.session.parent.iterdir()] == ["001"]


def test_a_data_folder_that_may_not_be_read_or_written_is_named(shop: Shop) -> None:
    shop.home.chmod(0)
    for command in (("learned",), ("type", "a.toml", "--mute")):
        done = shop.run(*command)
        assert done.returncode == 1
        assert f"{shop.home}" in done.stderr
    shop.home.chmod(0o555)
    assert shop.run("type", "a.toml", "--mute", typed="12 no go\n").returncode == 0
    assert shop.run("sheet", "a.toml").returncode == 0


def test_a_job_file_that_may_not_be_read_is_named(shop: Shop) -> None:
    (shop.folder / "a.toml").chmod(0)
    done = shop.run("type", "a.toml", "--mute")
    assert done.returncode != 0
    assert "a.toml" in done.stderr
