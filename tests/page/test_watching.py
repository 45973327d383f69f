"""The live page in a real browser, beside a session that is typed: Chromium without a window.

Skipped where no Chromium is installed. Accessibility: the rules of axe-core, and the target size of
the Web Content Accessibility Guidelines 2.2 (success criterion 2.5.8: 24 by 24 CSS pixels).
"""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("segno")
pytest.importorskip("cryptography")

from tests.page.browser import Browser, Tab, browser_program, chromium
from tests.page.test_server import free_port

ROOT = Path(__file__).resolve().parents[2]
HOSTILE = "Heron <b>four</b> <script>window.pwned=1</script>"
pytestmark = pytest.mark.skipif(
    browser_program() is None, reason="no Chromium is installed: the page is not tried in a browser"
)
SIZES = ((390, 844), (820, 1180), (1280, 800))
CALLS = ("cylinder two second ring", "11 goes 12 snug", "ground 4", "15 goes 16 snug")


class Typed:
    """``leafcall type JOB --page`` under way. url: of the page on this machine, with the code."""

    def __init__(self, folder: Path, port: int, *options: str, cylinders: int = 4) -> None:
        environment = {
            **os.environ, "PYTHONPATH": str(ROOT), "LEAFCALL_HOME": str(folder / "home"),
            "PYTHONIOENCODING": "utf-8",
        }  # fmt: skip
        if not (folder / "job.toml").exists():
            subprocess.run(
                [sys.executable, "-m", "assistant", "new", "job.toml", "--usual", "--bore", "4.000",
                 "--cylinders", str(cylinders), "--name", "Heron"],
                cwd=folder, env=environment, check=True, capture_output=True, timeout=60,
            )  # fmt: skip
            job = folder / "job.toml"
            job.write_text(job.read_text("utf-8").replace('"Heron"', f'"{HOSTILE}"'), "utf-8")
        self.child = subprocess.Popen(
            [sys.executable, "-m", "assistant", "type", "job.toml", "--mute", "--page",
             "--page-port", str(port), *options],
            cwd=folder, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True, encoding="utf-8",
        )  # fmt: skip
        self.told = ""
        assert self.child.stdout is not None
        for line in self.child.stdout:
            self.told += line
            if found := re.search(rf"http://localhost:{port}/#code=(\w+)", line):
                self.url, self.code = found[0], found[1]
                return
        raise AssertionError(self.told)

    def call(self, *lines: str) -> None:
        """Type calls."""
        assert self.child.stdin is not None
        for line in lines:
            self.child.stdin.write(f"{line}\n")
        self.child.stdin.flush()

    def end(self) -> None:
        """Kill it: no chance to say goodbye."""
        self.child.kill()
        self.child.wait()
        for pipe in (self.child.stdin, self.child.stdout):
            if pipe is not None:
                pipe.close()


@contextmanager
def typed(folder: Path, port: int | None = None, **more: int) -> Iterator[Typed]:
    session = Typed(folder, port or free_port(), **more)
    try:
        yield session
    finally:
        session.end()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with chromium(tmp_path_factory.mktemp("browser")) as running:
        yield running


def shows(tab: Tab, ident: str, text: str, *, longest_s: float = 20.0) -> bool:
    """Whether an element comes to hold ``text``."""
    if tab.wait(f"document.getElementById({ident!r}).textContent.includes({text!r})",
                longest_s=longest_s):  # fmt: skip
        return True
    raise AssertionError(f"{ident}: {tab.text(ident)!r}, not {text!r}")


def test_the_bench_is_seen_turn_by_turn_and_nothing_comes_from_elsewhere(
    browser: Browser, tmp_path: Path
) -> None:
    with typed(tmp_path) as session, browser.tab(session.url) as tab:
        shows(tab, "ring", "1 upper")
        shows(tab, "mode", "keyboard")
        assert "Eye protection" in tab.text("cautions")
        session.call(*CALLS)
        shows(tab, "heard", "fifteen goes sixteen snug")
        assert tab.text("ring") == "2 second"
        assert tab.text("step").startswith("grind")
        assert tab.text("big-gap") == "gap 16"
        assert "16 thou" in tab.text("gap")
        assert tab.text("window") == "18 to 20 thou"
        assert "Grind" in tab.text("says")
        assert tab.text("cautions") == ""
        assert tab.value("document.querySelectorAll('#plot .mark').length") == 4
        assert tab.text("plot").count("+4") == 1
        assert tab.value("document.querySelector('#map .here').className") == "s-in-work here"
        # Names are shown as they are: no markup, no script, no request.
        assert HOSTILE in tab.text("job")
        assert tab.value("document.querySelectorAll('#job b').length") == 0
        assert tab.value("typeof window.pwned") == "undefined"
        assert "code" not in tab.value("location.href")
        here = f"http://localhost:{session.url.split(':')[2].split('/')[0]}/"
        assert all(address.startswith(here) for address in tab.requests())
        assert tab.complaints() == []
        session.call("25 goes")
        shows(tab, "step", "yes or no?")
        assert tab.text("question")
        assert tab.value("document.getElementById('question').hidden") is False
        session.call("no", "accept it", "wrap up")
        shows(tab, "verdict", "wrapped up")
        session.child.wait(timeout=20)
        assert tab.wait("document.getElementById('mode').textContent === 'wrapped up'")
        assert tab.value("document.getElementById('lost').hidden") is True


def test_what_is_old_is_said_to_be_and_the_page_comes_back_after_a_kill(
    browser: Browser, tmp_path: Path
) -> None:
    port = free_port()
    with browser.tab() as tab:
        with typed(tmp_path, port) as session:
            tab.open(session.url)
            session.call(*CALLS)
            shows(tab, "heard", "fifteen goes sixteen snug")
            if sys.platform != "win32":
                session.child.send_signal(signal.SIGKILL)
        shows(tab, "lost", "The bench cannot be reached")
        assert "What you see is from" in tab.text("lost")
        assert tab.value("document.body.className") == "stale"
        with typed(tmp_path, port) as session:  # another code, and the page has only its ticket
            assert session.code not in tab.value("location.href")
            assert tab.wait("document.getElementById('lost').hidden")
            shows(tab, "ring", "2 second")
            assert tab.text("big-gap") == "gap 16"
            assert tab.value("document.querySelectorAll('#plot .mark').length") == 4
            session.call("ground 2")
            shows(tab, "heard", "ground two")


def test_a_page_without_the_code_sees_nothing_and_can_type_it(
    browser: Browser, tmp_path: Path
) -> None:
    with typed(tmp_path) as session, browser.tab(session.url.split("#")[0]) as tab:
        assert tab.wait("!document.getElementById('door').hidden")
        session.call(*CALLS)
        assert tab.text("job") == "Leafcall"
        assert tab.text("heard") == ""
        wrong = "AAAAAAAA"
        tab.value(f"document.getElementById('code').value = {wrong!r}")
        tab.value("document.querySelector('#pair button').click()")
        shows(tab, "refused", "not the one")
        code = f" {session.code[:4].lower()} {session.code[4:].lower()}"
        tab.value(f"document.getElementById('code').value = {code!r}")
        tab.value("document.querySelector('#pair button').click()")
        shows(tab, "heard", "fifteen goes sixteen snug")


@pytest.mark.parametrize("cylinders", [4, 16])
def test_it_fits_every_screen_and_breaks_no_rule_of_access(
    browser: Browser, tmp_path: Path, cylinders: int
) -> None:
    axe_core = pytest.importorskip("axe_core_python")
    axe = (Path(axe_core.__file__).parent / "axe.min.js").read_text("utf-8")
    with typed(tmp_path, cylinders=cylinders) as session, browser.tab(session.url) as tab:
        session.call(*CALLS, "25 goes")
        shows(tab, "step", "yes or no?")
        for width, height in SIZES:
            for dark in (False, True):
                name = f"{cylinders}-{width}-{'dark' if dark else 'light'}.png"
                tab.look(tmp_path / name, width=width, height=height, dark=dark)
                size = "document.documentElement.scrollWidth <= innerWidth"
                assert tab.value(size), f"wider than {width}"
                # The step is the largest thing on the page, and it is inside it.
                sizes = tab.value(
                    "['step', 'ring'].map(id => parseFloat(getComputedStyle("
                    "document.getElementById(id)).fontSize))"
                )
                assert sizes[0] > sizes[1]
                edge = tab.value("document.getElementById('step').getBoundingClientRect().right")
                assert edge <= width
                tab.ask("Runtime.evaluate", expression=axe)
                wrong = tab.value(
                    "axe.run().then(told => told.violations.map(one => one.id + ': ' +"
                    " one.nodes.map(node => node.html).join(' | ')))"
                )
                assert wrong == [], f"{width} {'dark' if dark else 'light'}"
        small = tab.value(
            "[...document.querySelectorAll('button, input, a')].filter(at => at.offsetParent)"
            ".map(at => at.getBoundingClientRect()).filter(at => at.width < 24 || at.height < 24)"
            ".length"
        )
        assert small == 0
