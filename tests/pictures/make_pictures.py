"""Makes the pictures of the README from a real run: ``python -m tests.pictures.make_pictures``.

The first sixteen calls of the demo are heard by the ear that ships and go through a whole session.
``read-out.svg`` is the live read-out after one of them, as the terminal shows it; ``gap-plot.svg``
is the way of the first ring, as the review draws it, in the colours of its page.
"""

import io
import os
import re
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

from rich.console import Console

from assistant.adapters.files.data_files import page_template, shipped
from assistant.adapters.files.session_log import read_log
from assistant.adapters.sound.speaker import SilentSpeaker
from assistant.adapters.sound.wav_file import WavFile
from assistant.adapters.terminal.screen import _Rows
from assistant.bench.job import RingPosition
from assistant.bench.turn_taking import LiveBench, Manners
from assistant.build.ears import open_ear
from assistant.build.screens import PanelScreen
from assistant.build.sessions import SystemClock, open_session
from assistant.build.words import load_wording
from assistant.record.review_plots import gap_plot
from assistant.record.session_story import story_of

HERE = Path(__file__).parent
CALLS, SHOWN_CALL = 16, 7  # the first ring is done; "ten goes eleven snug"
RING = (1, RingPosition.SECOND)
WIDTH, HEIGHT = 80, 24
READ_OUT, GAP_PLOT = "read-out.svg", "gap-plot.svg"

_TERMINAL = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img">
<title>The live read-out in a terminal</title>
<style>
text {{ font: {char_height}px "DejaVu Sans Mono", Menlo, Consolas, monospace; white-space: pre; }}
{styles}
</style>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect width="{terminal_width}" height="{terminal_height}"/></clipPath>
{lines}
</defs>
<rect width="{width}" height="{height}" rx="8" fill="#16191b"/>
<g transform="translate({terminal_x}, {terminal_y})">
{backgrounds}
{matrix}
</g>
</svg>
"""


def make(folder: Path) -> None:
    """Write both pictures into ``folder``."""
    with tempfile.TemporaryDirectory() as work:
        drawn, log = _session(Path(work))
        pictures = {READ_OUT: drawn, GAP_PLOT: _plot(log)}
    for name, picture in pictures.items():
        (folder / name).write_text(picture, encoding="utf-8", newline="\n")


def _session(work: Path) -> tuple[str, Path]:
    """The read-out as drawn after the call that is shown, and the log of the session."""
    job = work / "heron-twin.toml"
    shutil.copyfile(shipped("sample_audio") / "demo" / "demo.toml", job)
    home = {"LEAFCALL_HOME": str(work / "home")}  # nothing learned elsewhere plays a part
    screen = PanelScreen()
    drawn = ""
    with (
        patch.dict(os.environ, home),
        open_session(job, speaker=SilentSpeaker(), show=screen.show) as session,
        open_ear(session.grammar) as ear,
    ):
        for number in range(1, CALLS + 1):
            source = WavFile(shipped("sample_audio") / "demo" / f"{number:02d}.wav")
            LiveBench(
                session.dialogue, source, listener_of=ear.listener, call_of=session.call,
                speaker=session.speaker, clock=SystemClock(), display=screen,
                manners=Manners(recorded=True),
            ).run()  # fmt: skip
            if number == SHOWN_CALL:
                drawn = _drawn(screen)
        return drawn, session.folder.log


def _drawn(screen: PanelScreen) -> str:
    """The read-out as SVG, by rich."""
    console = Console(
        record=True, file=io.StringIO(), force_terminal=True, color_system="truecolor",
        width=WIDTH, height=HEIGHT,
    )  # fmt: skip
    console.print(_Rows(screen.rows(WIDTH, HEIGHT, False)), end="")
    return console.export_svg(code_format=_TERMINAL, unique_id="t", font_aspect_ratio=0.6)


def _plot(log: Path) -> str:
    """The way of the ring as SVG of its own, with the rules of the page that it needs."""
    story = story_of(read_log(log), load_wording())
    (ring,) = [ring for ring in story.rings if ring.key == RING]
    plot = str(gap_plot(
        [entry for entry in ring.entries if not entry.struck], ring.window, story.unit,
        name="The gap of one ring after every call", ident="plot",
    ))  # fmt: skip
    used = {name for found in re.findall(r'class="([^"]*)"', plot) for name in found.split()}
    style = "\n".join(_rules(page_template("review"), used))
    head, _, body = plot.partition(">")
    _, _, width, height = re.findall(r'viewBox="(\S+) (\S+) (\S+) (\S+)"', head)[0]
    return (
        f'{head} xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}">'
        f'<style>\n{style}\n</style><rect width="100%" height="100%" fill="#fbfaf6"/>{body}\n'
    )


def _rules(page: str, used: set[str]) -> Iterator[str]:
    """The rules of a page's style for light screens that ``used`` classes and colours need."""
    (style,) = re.findall(r"<style[^>]*>(.*?)</style>", page, flags=re.DOTALL)
    style, _, _ = style.partition("@media print")
    style = re.sub(r"@media[^{]*\{(?:[^{}]*\{[^{}]*\})*[^{}]*\}", "", style)
    for selector, body in re.findall(r"([^{}]+)\{([^{}]*)\}", style):
        classes = set(re.findall(r"\.([\w-]+)", selector))
        if selector.strip() == ":root" or (classes and classes <= used):
            yield f"{' '.join(selector.split())} {{{' '.join(body.split())}}}"


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
