"""``leafcall review``: writes the page beside the log; clips by plain names only; the browser."""

import base64
import re
from pathlib import Path

import pytest

from assistant.adapters.files import data_files, review_file
from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.review_file import clip_addresses, show_page
from assistant.adapters.files.session_log import SessionLog, read_log
from assistant.bench.events import NoteKept, envelope
from assistant.errors import InstallationError, LogError
from tests.command_line import Run

CALLS = "top ring\n15 goes 16 snug\ntake that back\nbanana\nwrap up\n"


@pytest.fixture
def session(run: Run) -> Path:
    """The folder of a typed session whose last event is a note with sound."""
    new = ("new", "a.toml", "--name", "A", "--cylinders", "1", "--bore", "4", "--usual")
    assert run(*new).code == 0
    assert run("type", "a.toml", "--mute", typed=CALLS).code == 0
    folder = Path("a-sessions/001")
    (folder / "clips").mkdir()
    (folder / "clips" / "0001.wav").write_bytes(b"RIFFsound")
    log = SessionLog(folder / "log.jsonl")
    last = log.read()[-1]
    log.append([envelope(NoteKept(clip="0001.wav"), seq=last.seq + 1, at=last.at,
                         turn=last.turn + 1)])  # fmt: skip
    log.close()
    return folder


def test_the_page_is_written_beside_the_log_and_its_path_is_told(run: Run, session: Path) -> None:
    before = (session / "log.jsonl").read_bytes()
    done = run("review", "a.toml")
    assert done.code == 0
    assert done.out == f"{session / 'review.html'}\n"
    page = (session / "review.html").read_text("utf-8")
    assert 'src="clips/0001.wav"' in page
    assert "fifteen goes sixteen snug" in page
    assert "001/log.jsonl" in page
    assert (session / "log.jsonl").read_bytes() == before


def test_embed_puts_the_sound_into_the_page(run: Run, session: Path) -> None:
    assert run("review", str(session / "log.jsonl"), "--embed", "--no-open").code == 0
    page = (session / "review.html").read_text("utf-8")
    (sound,) = re.findall(r'src="data:audio/wav;base64,([^"]*)"', page)
    assert base64.b64decode(sound.replace("&#43;", "+")) == b"RIFFsound"
    assert "clips/0001.wav" not in page


def test_sound_that_was_taken_away_is_told_as_missing(run: Run, session: Path) -> None:
    (session / "clips" / "0001.wav").unlink()
    assert run("review", "a.toml").code == 0
    page = (session / "review.html").read_text("utf-8")
    assert "<audio" not in page
    assert "Its sound (0001.wav) is not beside the log." in page


def test_the_review_of_a_copy_does_not_overwrite_that_of_the_log(run: Run, session: Path) -> None:
    run("review", "a.toml")
    before = (session / "review.html").read_bytes()
    (session / "copy.jsonl").write_bytes((session / "log.jsonl").read_bytes())
    assert run("review", str(session / "copy.jsonl")).code == 0
    assert "001/copy.jsonl" in (session / "copy-review.html").read_text("utf-8")
    assert (session / "review.html").read_bytes() == before


def test_a_damaged_log_has_a_page_with_the_warning_at_its_top(run: Run, session: Path) -> None:
    log = session / "log.jsonl"
    lines = log.read_bytes().split(b"\n")
    lines[6] = lines[6][:20]
    log.write_bytes(b"\n".join(lines))
    done = run("review", "a.toml")
    assert done.code == 0
    assert "The log of this session is damaged." in done.err
    page = (session / "review.html").read_text("utf-8")
    assert page.index("The log of this session is damaged.") < page.index("rings accepted inside")
    caught = run("review", "a.toml", "--text")
    assert caught.code == 0
    assert "The log of this session is damaged." in caught.err
    assert "top ring" in caught.out


def test_a_page_that_cannot_be_written_is_one_sentence(run: Run, session: Path) -> None:
    (session / "review.html").mkdir()
    caught = run("review", "a.toml")
    assert caught.code == 1
    assert "review.html cannot be written" in caught.err
    assert caught.err.count("\n") == 1
    assert len(read_log(session / "log.jsonl")) > 5


# --- clips ---------------------------------------------------------------------------------------


def test_only_plain_names_of_files_in_the_folder_itself_are_clips(tmp_path: Path) -> None:
    clips = tmp_path / "clips"
    clips.mkdir()
    (tmp_path / "secret.wav").write_bytes(b"secret")
    for name in ("0001.wav", "a b.wav", ".hidden.wav", "page.html", "x.wav.exe"):
        (clips / name).write_bytes(b"sound")
    (clips / "linked.wav").symlink_to(tmp_path / "secret.wav")
    (clips / "folder.wav").mkdir()
    names = [
        "0001.wav", "0002.wav", "../secret.wav", str(tmp_path / "secret.wav"), "a b.wav",
        ".hidden.wav", "page.html", "x.wav.exe", "linked.wav", "folder.wav", "", "0001.wav\n",
        "javascript:alert(1).wav", "..\\secret.wav", '0001.wav" onerror="x', "x\x00.wav",
    ]  # fmt: skip
    assert clip_addresses(clips, names) == {"0001.wav": "clips/0001.wav"}
    inside = clip_addresses(clips, names, inside=True)
    assert inside == {"0001.wav": "data:audio/wav;base64," + base64.b64encode(b"sound").decode()}


def test_a_clip_that_cannot_be_read_is_a_log_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "0001.wav").write_bytes(b"sound")

    def refuse(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(LogError, match=r"0001\.wav cannot be read: Permission denied\. Without"):
        clip_addresses(tmp_path, ["0001.wav"], inside=True)


def test_a_template_that_is_missing_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(data_files, "_PACKAGE", tmp_path)
    with pytest.raises(InstallationError, match=r"review\.html is missing from this installation"):
        page_template("review")


# --- the browser ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("terminal", "platform", "display", "opened"),
    [
        (True, "linux", ":0", True),
        (True, "linux", "", False),
        (False, "linux", ":0", False),
        (True, "darwin", "", True),
        (True, "win32", "", True),
    ],
)
def test_a_browser_is_opened_only_where_somebody_can_see_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
    terminal: bool, platform: str, display: str, opened: bool,
) -> None:  # fmt: skip
    asked: list[str] = []

    def browse(address: str) -> bool:
        asked.append(address)
        return True

    monkeypatch.setattr(review_file.webbrowser, "open", browse)
    monkeypatch.setattr(review_file.sys, "platform", platform)
    monkeypatch.setattr(review_file.sys.stdout, "isatty", lambda: terminal, raising=False)
    monkeypatch.setenv("DISPLAY", display)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    page = tmp_path / "a b.html"
    assert show_page(page) is opened
    assert asked == ([page.as_uri()] if opened else [])
