"""The pictures of the README are what a real run looks like now."""

import html
import re
from pathlib import Path

import pytest

from tests.pictures.make_pictures import GAP_PLOT, HERE, READ_OUT, make

ROOT = Path(__file__).parents[2]
MOST_BYTES = 30_000


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pictures")
    make(folder)
    return folder


def rows(picture: Path) -> list[str]:
    """What stands in a terminal's picture, row by row, without what differs between machines.

    That is how sure the ear was, and the level of the microphone.
    """
    text = picture.read_text(encoding="utf-8")
    found: dict[float, str] = {}
    for y, run in re.findall(r'<text [^>]*?y="([\d.]+)"[^>]*>([^<]*)</text>', text):
        found[float(y)] = found.get(float(y), "") + html.unescape(run)
    told = [" ".join(row.split()) for _, row in sorted(found.items())]
    return [re.sub(r"\d+ % sure", "sure", row) for row in told if " dB," not in row]


@pytest.mark.audio
@pytest.mark.timeout(400)
def test_the_read_out_is_what_the_terminal_shows_now(made: Path) -> None:
    """If not, and it should be so: python -m tests.pictures.make_pictures"""
    shown = rows(made / READ_OUT)
    assert shown == rows(HERE / READ_OUT)
    assert "heard ten goes eleven snug sure" in shown


@pytest.mark.audio
@pytest.mark.timeout(400)
def test_the_gap_plot_is_what_the_review_draws_now(made: Path) -> None:
    """If not, and it should be so: python -m tests.pictures.make_pictures"""
    assert (made / GAP_PLOT).read_text("utf-8") == (HERE / GAP_PLOT).read_text("utf-8")


@pytest.mark.parametrize("name", [READ_OUT, GAP_PLOT])
def test_a_picture_is_small_and_loads_nothing_from_elsewhere(name: str) -> None:
    text = (HERE / name).read_text(encoding="utf-8")
    assert len(text.encode()) < MOST_BYTES
    links = re.findall(r"https?://[^\"' ]+", text)
    assert set(links) == {"http://www.w3.org/2000/svg"}  # the name of the form, not a place
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", text)


def test_the_readme_shows_them() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", readme)
    assert [ROOT / path for path in shown] == [HERE / READ_OUT, HERE / GAP_PLOT]
