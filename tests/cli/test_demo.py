"""The demo: a whole session from real sound to log, replies and sheet."""

import io
import re
import wave
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from assistant.adapters.files.session_log import read_log
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.events import EntryRetracted, QuestionAsked
from assistant.bench.session import Outcome, replay
from assistant.build.ears import DEFAULT_EAR
from assistant.cli.demo import run_demo
from assistant.errors import FolderError
from assistant.fitting.facts import Feel


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "out"
    printed = io.StringIO()
    with redirect_stdout(printed):
        run_demo(folder, Terminal(), ear=DEFAULT_EAR)
    (folder / "printed.txt").write_text(printed.getvalue(), encoding="utf-8")
    return folder


def without_score(text: str) -> str:
    """The last figures of a score differ from machine to machine."""
    return re.sub(r"  \(\d\.\d\d\)$", "", text, flags=re.M)


@pytest.mark.audio
@pytest.mark.timeout(400)
class TestDemo:
    def test_it_fits_every_ring_of_two_cylinders(self, out: Path) -> None:
        state = replay(read_log(out / "heron-twin-sessions" / "001" / "log.jsonl"))
        rings = [state.ring(key) for key in state.the_job.places()]
        assert [ring.outcome for ring in rings] == [Outcome.ACCEPTED] * 8
        assert not any(ring.outside for ring in rings)

    def test_it_has_a_butting_ring_a_doubt_and_an_undo(self, out: Path) -> None:
        events = [e.event for e in read_log(out / "heron-twin-sessions" / "001" / "log.jsonl")]
        assert any(getattr(event, "feel", None) is Feel.BUTTS for event in events)
        assert any(isinstance(event, QuestionAsked) for event in events)
        assert any(isinstance(event, EntryRetracted) for event in events)

    def test_it_prints_what_the_readme_quotes(self, out: Path) -> None:
        readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
        quoted = re.search(r"```text\n(  heard .*?)```", readme, flags=re.S)
        assert quoted is not None
        wanted = [without_score(block) for block in quoted[1].strip("\n").split("\n\n")]
        printed = (out / "printed.txt").read_text(encoding="utf-8")
        assert len(wanted) == 3
        *calls, talk = wanted
        for block in calls:
            assert block in without_score(printed)
        # What talk is taken for depends on the machine's arithmetic, that it is refused does not.
        assert talk.splitlines()[1] in printed

    def test_replies_are_sound(self, out: Path) -> None:
        replies = sorted((out / "replies").glob("*.wav"))
        assert len(replies) >= 25
        for path in replies:
            with wave.open(str(path)) as sound:
                assert sound.getnframes() > 0.2 * sound.getframerate()

    def test_the_sheet_names_all_rings(self, out: Path) -> None:
        page = (out / "heron-twin-sessions" / "001" / "sheet.html").read_text(encoding="utf-8")
        assert "8 of 8 rings accepted" in page
        assert re.search(r'(src|href)="https?:', page) is None


def test_it_does_not_overwrite_other_things(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(FolderError, match="holds other things"):
        run_demo(tmp_path, Terminal(), ear=DEFAULT_EAR)
    assert (tmp_path / "mine.txt").read_text() == "keep"
