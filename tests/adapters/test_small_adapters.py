"""Clips, shipped files and the terminal."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.adapters.files import data_files
from assistant.adapters.files.clips import Clips
from assistant.adapters.files.data_files import grammar_texts, shipped
from assistant.adapters.terminal.terminal import Terminal
from assistant.errors import GrammarError, InstallationError, LogError

SAMPLES = np.linspace(-0.5, 0.5, 1600, dtype=np.float32)


def test_clips_are_numbered_in_order_and_hold_what_was_said(tmp_path: Path) -> None:
    clips = Clips(tmp_path / "clips")
    assert [clips.keep(SAMPLES), clips.keep(SAMPLES[:800])] == ["0001.wav", "0002.wav"]
    sound, rate_hz = soundfile.read(tmp_path / "clips" / "0001.wav", dtype="float32")
    assert rate_hz == 16_000
    np.testing.assert_allclose(sound, SAMPLES, atol=1 / 32768)


def test_clips_of_an_earlier_session_are_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "0041.wav").write_bytes(b"earlier")
    (tmp_path / "mine.wav").write_bytes(b"mine")
    assert Clips(tmp_path).keep(SAMPLES) == "0042.wav"
    assert (tmp_path / "0041.wav").read_bytes() == b"earlier"


def test_a_clip_that_cannot_be_kept_is_a_log_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match="clip cannot be kept in"):
        Clips(tmp_path / "file").keep(SAMPLES)


@pytest.mark.parametrize("name", ["grammar", "sample_audio"])
def test_what_ships_is_found_beside_the_package(name: str) -> None:
    assert shipped(name).name == name
    assert any(shipped(name).iterdir())


def test_inside_an_installed_package_it_is_found_there_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / "assistant"
    (package / "_data" / "grammar").mkdir(parents=True)
    (tmp_path / "grammar").mkdir()
    (tmp_path / "models").mkdir()
    monkeypatch.setattr(data_files, "_PACKAGE", package)
    assert shipped("grammar") == package / "_data" / "grammar"
    assert shipped("models") == tmp_path / "models"
    with pytest.raises(InstallationError, match="'sample_audio' is missing from this installation"):
        shipped("sample_audio")


def test_grammar_texts_are_the_files_of_a_grammar_in_a_folder(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text("größer: 1", encoding="utf-8")
    (tmp_path / "b.abnf").write_text("#ABNF 1.0;", encoding="utf-8")
    (tmp_path / "c.dict").write_text("A  AH", encoding="utf-8")
    (tmp_path / "README.md").write_text("no", encoding="utf-8")
    assert grammar_texts(tmp_path) == {
        "a.yaml": "größer: 1", "b.abnf": "#ABNF 1.0;", "c.dict": "A  AH",
    }  # fmt: skip


def test_a_grammar_file_that_is_no_text_is_named(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(GrammarError, match=r"a\.yaml cannot be read as UTF-8 text"):
        grammar_texts(tmp_path)


def test_the_terminal_shows_text_as_it_is(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    terminal = Terminal()
    terminal.show("[bold]not markup[/bold] " + "x" * 60)
    terminal.show_labelled([("heard", "15 [goes]"), ("says", "Yes.")])
    terminal.raw('{"a": 1}')
    terminal.prompt("Name: ")
    terminal.warn("[red]careful")
    caught = capsys.readouterr()
    assert caught.out == (
        "[bold]not markup[/bold] " + "x" * 60 + "\n"
        "  heard  15 [goes]\n"
        "  says   Yes.\n"
        '{"a": 1}\n'
        "Name: "
    )
    assert caught.err == "[red]careful\n"


def test_progress_is_hidden_where_there_is_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    with Terminal().progress("Fetching", total=3) as steps:
        steps.reach(1, 3)
        steps.reach(2, -1)
    caught = capsys.readouterr()
    assert (caught.out, caught.err.strip()) == ("", "")


def test_what_libraries_write_to_standard_error_is_dropped_and_python_is_heard() -> None:
    code = (
        "import os, sys\n"
        "from assistant.adapters.terminal.terminal import Terminal, libraries_silenced\n"
        "with libraries_silenced():\n"
        "    os.write(2, b'ALSA underrun\\n')\n"
        "    Terminal().warn('a warning')\n"
        "os.write(2, b'afterwards\\n')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "a warning\nafterwards\n"
