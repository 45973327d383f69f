"""A phone as microphone and voice: a Chromium whose microphone gives recorded calls fits rings.

Skipped where no Chromium is installed. The browser gives its sound in real time, so this takes a
while; what is heard through it is held against the same recordings heard from their files.
"""

import json
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import soundfile
from typer.testing import CliRunner

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("segno")
pytest.importorskip("cryptography")

from assistant.cli import app
from assistant.ear.utterance import SAMPLE_RATE_HZ
from tests.page.browser import Browser, Tab, browser_program, chromium
from tests.page.talking import SAMPLES, Network, Talked, browser_options, one_after_the_other
from tests.page.test_server import free_port
from tests.page.test_watching import shows

pytestmark = pytest.mark.skipif(
    browser_program() is None, reason="no Chromium is installed: nobody can talk through the page"
)
DEMO = SAMPLES / "demo"
RINGS = (2, 3, 4, 5, 7, 8)  # two rails measured and accepted, a second ring measured and ground
WRAP_UP = 54
BEFORE_S, BETWEEN_S = 6.0, 5.5
HEARS = """
    window.played = [];
    const start = AudioBufferSourceNode.prototype.start;
    AudioBufferSourceNode.prototype.start = function (...more) {
        const sound = this.buffer.getChannelData(0);
        window.played.push([this.buffer.duration, Math.max(...sound.map(Math.abs))]);
        return start.apply(this, more);
    };
"""
"""What the page plays is noted: (seconds, peak)."""


def clips(numbers: Sequence[int]) -> list[Path]:
    return [DEMO / f"{number:02d}.wav" for number in numbers]


@contextmanager
def phone(folder: Path, numbers: Sequence[int], between_s: float = BETWEEN_S) -> Iterator[Browser]:
    """A browser near which these clips of the demo are said, from when it opens its microphone."""
    sound, _ = one_after_the_other(clips(numbers), before_s=BEFORE_S, between_s=between_s)
    path = folder / "said.wav"
    soundfile.write(path, sound, SAMPLE_RATE_HZ, subtype="PCM_16")
    with chromium(folder / "browser", *browser_options(path)) as running:
        yield running


def tap(tab: Tab, ident: str) -> None:
    """As a finger does it: the browser makes sound only after that."""
    where = tab.value(
        f"(() => {{ const at = document.getElementById({ident!r}); at.scrollIntoView();"
        " const box = at.getBoundingClientRect();"
        " return [box.x + box.width / 2, box.y + box.height / 2]; })()"
    )
    for kind in ("mousePressed", "mouseReleased"):
        tab.ask("Input.dispatchMouseEvent", type=kind, x=where[0], y=where[1], button="left",
                clickCount=1)  # fmt: skip


def logged(folder: Path) -> list[dict[str, Any]]:
    """The events of the one session."""
    (log,) = folder.glob("*-sessions/*/log.jsonl")
    return [json.loads(line)["event"] for line in log.read_text("utf-8").splitlines()]


def done(events: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """What rings and session went through, without how sure it was heard and how long it took."""
    talk = ("call heard", "reply given", "session opened", "voice set")
    return [one for one in events if not one["kind"].startswith(talk)]


def words(events: Sequence[dict[str, Any]]) -> list[str]:
    return [one["words"] for one in events if one["kind"] == "call heard"]


def test_rings_are_fitted_through_the_page_as_from_the_same_recordings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LEAFCALL_HOME", str(tmp_path / "home"))
    here, there = tmp_path / "direct", tmp_path / "page"
    for folder in (here, there):
        folder.mkdir()
        shutil.copy(DEMO / "demo.toml", folder / "job.toml")
    said = (*RINGS, WRAP_UP)
    direct = CliRunner().invoke(
        app, ["hear", str(here / "job.toml"), *(str(path) for path in clips(said))]
    )
    assert direct.exit_code == 0, direct.output
    port = free_port()
    session = Talked(there, port, "--speed", "400")
    try:
        with phone(tmp_path, said) as browser, browser.tab() as tab, browser.tab() as watcher:
            tab.ask("Page.addScriptToEvaluateOnNewDocument", source=HEARS)
            tab.open(session.url)
            shows(tab, "floor-told", "No page is the microphone yet")
            shows(tab, "mode", "no microphone")
            session.says("tap 'Talk from here'")
            watcher.open(session.url)
            tab.look(width=390)
            tap(tab, "take")
            shows(tab, "floor-told", "This page is microphone and voice")
            shows(watcher, "floor-told", "Another page is the microphone")
            assert watcher.value("document.getElementById('take').disabled") is True
            assert tab.wait("document.getElementById('mode').textContent === 'speaking'")
            assert tab.wait("document.getElementById('mode').textContent === 'listening'")
            shows(tab, "heard", "seventeen goes nineteen almost", longest_s=60)
            shows(watcher, "heard", "seventeen goes nineteen almost")
            assert tab.value("parseFloat(document.getElementById('level').style.width)") > 0
            tab.look(tmp_path / "talking-390.png", width=390, whole=True)
            assert tab.complaints() == []
            shows(tab, "mode", "wrapped up", longest_s=90)
            session.child.wait(timeout=30)
            played = tab.value("window.played")
            shows(tab, "take", "Talk from here")  # the microphone was let go
    finally:
        session.end()
    events = logged(there)
    assert words(events) == words(logged(here))
    assert done(events) == done(logged(here))
    assert {one["source"] for one in events if one["kind"] == "call heard"} == {"page on 127.0.0.1"}
    assert not any(one.get("lossy") for one in events)
    replies = [one["text"] for one in events if one["kind"] == "reply given" and one["text"]]
    assert len(played) == len(replies)  # the first of them when the page came
    assert all(seconds > 0.3 and peak > 0.05 for seconds, peak in played)
    assert (there / "job-sessions" / "001" / "sheet.html").exists()


def test_a_network_that_is_held_up_is_a_lost_microphone_that_comes_back(tmp_path: Path) -> None:
    shutil.copy(DEMO / "demo.toml", tmp_path / "job.toml")
    port = free_port()
    session = Talked(tmp_path, port, "--speed", "400")
    network = Network(port)
    try:
        with phone(tmp_path, (2, 3), between_s=25.0) as browser, browser.tab() as tab:
            tab.open(session.url.replace(str(port), str(network.port), 1))
            shows(tab, "mode", "no microphone")
            session.says("tap 'Talk from here'")
            tap(tab, "take")
            shows(tab, "heard", "fifteen goes eighteen snug", longest_s=60)
            assert tab.wait("document.getElementById('mode').textContent === 'listening'")
            network.hold_up()
            shows(tab, "floor-told", "The network is slow")
            session.says("The microphone is gone")
            shows(tab, "floor-told", "The network is gone: nothing you say is heard")
            shows(tab, "lost", "What you see is from")
            tab.look(tmp_path / "lost-390.png", width=390, whole=True)
            network.let_through()
            shows(tab, "floor-told", "This page is microphone and voice")
            session.says("The microphone is back")
            shows(tab, "heard", "accept it", longest_s=60)
    finally:
        network.close()
        session.end()
    events = logged(tmp_path)
    assert words(events) == ["fifteen goes eighteen snug", "accept it"]
    troubles = [one["about"] for one in events if one["kind"] == "trouble noted"]
    assert troubles[:2] == ["microphone lost", "microphone back"]  # then the browser goes
    assert "ring accepted" in [one["kind"] for one in events]


def test_after_the_bench_was_killed_the_page_goes_on_talking_by_itself(tmp_path: Path) -> None:
    shutil.copy(DEMO / "demo.toml", tmp_path / "job.toml")
    port = free_port()
    with phone(tmp_path, (2, 3), between_s=30.0) as browser, browser.tab() as tab:
        session = Talked(tmp_path, port, "--speed", "400")
        try:
            tab.open(session.url)
            session.says("tap 'Talk from here'")
            tap(tab, "take")
            shows(tab, "heard", "fifteen goes eighteen snug", longest_s=60)
            session.end()
            shows(tab, "floor-told", "The network is gone")
            session = Talked(tmp_path, port, "--speed", "400")
            shows(tab, "floor-told", "This page is microphone and voice", longest_s=60)
            shows(tab, "heard", "accept it", longest_s=60)
        finally:
            session.end()
    assert words(logged(tmp_path)) == ["fifteen goes eighteen snug", "accept it"]
