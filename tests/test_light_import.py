"""Import is light and offline: in a process of its own, with sockets blocked."""

import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = ("vosk", "sounddevice", "pyttsx3", "espeakng_loader", "requests", "matplotlib")  # fmt: skip
BLOCK = (
    "import socket, sys\n"
    "def refuse(*_, **__): raise AssertionError('a socket was opened')\n"
    "socket.socket.connect = socket.create_connection = socket.getaddrinfo = refuse\n"
)


def run(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", BLOCK + code, *arguments],
        capture_output=True, text=True, timeout=100, check=False, encoding="utf-8",
    )  # fmt: skip


def heavy_after(code: str, *arguments: str) -> tuple[str, list[str], str]:
    """(output, heavy modules that were loaded, errors)"""
    tail = f"\nprint('LOADED', [m for m in {HEAVY} if m in sys.modules])"
    done = run(code + tail, *arguments)
    assert done.returncode == 0, done.stderr
    output, _, loaded = done.stdout.rpartition("LOADED ")
    return output, loaded.strip("[]\n ").split(), done.stderr


COMMAND = "from assistant.cli import app\napp(sys.argv[1:], standalone_mode=False)"


def test_import_of_the_package_loads_nothing_but_itself() -> None:
    done = run(
        "import assistant\n"
        "print(sorted(m for m in sys.modules if not m.partition('.')[0] in sys.stdlib_module_names"
        " and m.startswith(('assistant', 'numpy', 'pydantic', 'scipy', 'yaml', 'typer'))))"
    )
    assert (done.stdout, done.stderr) == ("['assistant']\n", "")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--help",), "Fit piston rings by voice"),
        (("--version",), "leafcall "),
        (("phrases",), "take that back"),
        (("models",), "leafcall models --fetch"),
    ],
)
def test_help_and_phrases_load_no_sound_library_and_need_no_network(
    arguments: tuple[str, ...], expected: str
) -> None:
    output, loaded, errors = heavy_after(COMMAND, *arguments)
    assert expected in output
    assert (loaded, errors) == ([], "")


def test_the_version_loads_neither_numbers_nor_pages() -> None:
    heavy = ("numpy", "scipy", "pydantic", "jinja2")
    done = run(f"{COMMAND}\nprint('LOADED', [m for m in {heavy} if m in sys.modules])", "--version")
    assert done.stdout.endswith("LOADED []\n"), done.stdout + done.stderr


def test_the_list_of_heavy_modules_is_looked_for_where_they_are_loaded() -> None:
    _, loaded, _ = heavy_after("import vosk")
    assert loaded == ["'vosk',", "'requests'"]


def test_the_keyboard_is_ready_without_sound_pages_or_scipy(tmp_path: Path) -> None:
    """What is loaded when the first line can be typed: who types waits for nothing else."""
    job = str(tmp_path / "a.toml")
    made = run(COMMAND, "new", job, "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert made.returncode == 0, made.stderr
    code = (
        "from assistant.adapters.terminal.terminal import Terminal\n"
        "from assistant.cli import app\n"
        f"heavy = {(*HEAVY, 'scipy', 'jinja2', 'soxr', 'duckdb')}\n"
        "def ready(self, prompt):\n"
        "    print('READY', [m for m in heavy if m in sys.modules])\n"
        "    return iter(())\n"
        "Terminal.lines = ready\n"
        "app(sys.argv[1:], standalone_mode=False)\n"
    )
    done = run(code, "type", "--mute", job)
    assert done.returncode == 0, done.stderr
    assert "READY []" in done.stdout
