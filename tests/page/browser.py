"""A headless Chromium over the DevTools protocol: pages are opened, read, clicked and pictured.

Only what the tests of the live page need. ``browser_program`` is None where none is installed.
"""

import base64
import json
import os
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


def browser_program() -> str | None:
    """A Chromium of this machine; LEAFCALL_BROWSER names another program."""
    named = os.environ.get("LEAFCALL_BROWSER")
    return named or next((found for name in _NAMES if (found := shutil.which(name))), None)


class Tab:
    """One page of the browser; ``events`` holds what it told, oldest first."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket = socket
        self._number = 0
        self.events: list[dict[str, Any]] = []
        for domain in ("Page", "Runtime", "Log", "Network", "Security"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command of the protocol and its answer."""
        self._number += 1
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": parameters}))
        while True:
            told = json.loads(self._socket.recv(timeout=60))
            if told.get("id") == self._number:
                assert "error" not in told, told
                return dict(told.get("result", {}))
            self.events.append(told)

    def open(self, address: str) -> None:
        """Go there."""
        self.ask("Page.navigate", url=address)

    def value(self, expression: str) -> Any:
        """What a JavaScript expression gives; a promise is waited for."""
        told = self.ask(
            "Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in told, told["exceptionDetails"]
        return told["result"].get("value")

    def text(self, ident: str) -> str:
        """The text of an element."""
        return str(self.value(f"document.getElementById({ident!r})?.textContent ?? ''"))

    def wait(self, expression: str, *, longest_s: float = 20.0) -> bool:
        """Wait until an expression is true; whether it ever was."""
        ends = time.monotonic() + longest_s
        while time.monotonic() < ends:
            if self.value(f"(() => {{ try {{ return Boolean({expression}) }} catch {{ }} }})()"):
                return True
            time.sleep(0.05)
        return False

    def look(
        self, path: Path | None = None, *, width: int, height: int = 900, dark: bool = False,
        whole: bool = False,
    ) -> None:  # fmt: skip
        """Take a size and a colour scheme, and a picture if ``path`` is given."""
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 600,
        )  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", features=[scheme])
        time.sleep(0.3)
        if path is not None:
            shot = self.ask("Page.captureScreenshot", captureBeyondViewport=whole)
            path.write_bytes(base64.b64decode(shot["data"]))

    def complaints(self) -> list[str]:
        """Errors of scripts, of the content policy and of the network, so far."""
        self.value("0")  # whatever waits is read
        told = []
        for event in self.events:
            if event["method"] == "Runtime.exceptionThrown":
                told.append(str(event["params"]["exceptionDetails"]))
            if event["method"] == "Log.entryAdded" and event["params"]["entry"]["level"] == "error":
                told.append(str(event["params"]["entry"]["text"]))
        return told

    def requests(self) -> list[str]:
        """Addresses that the page asked for."""
        self.value("0")
        return [
            str(event["params"]["request"]["url"])
            for event in self.events
            if event["method"] == "Network.requestWillBeSent"
        ]


@contextmanager
def chromium(folder: Path, *options: str) -> Iterator["Browser"]:
    """A browser with a profile of its own in ``folder``."""
    program = browser_program()
    assert program is not None
    profile = folder / "profile"
    child = subprocess.Popen(
        [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0",
         f"--user-data-dir={profile}", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-dev-shm-usage", *options, "about:blank"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        told = profile / "DevToolsActivePort"
        ends = time.monotonic() + 60
        while not told.exists() or len(told.read_text().splitlines()) < 2:
            assert child.poll() is None, "the browser has gone"
            assert time.monotonic() < ends, "the browser does not start"
            time.sleep(0.05)
        yield Browser(int(told.read_text().splitlines()[0]))
    finally:
        child.terminate()
        child.wait(timeout=20)


class Browser:
    """A running browser. port: of its DevTools."""

    def __init__(self, port: int) -> None:
        self._port = port

    @contextmanager
    def tab(self, address: str = "about:blank") -> Iterator[Tab]:
        """A new page."""
        asked = urllib.request.Request(
            f"http://127.0.0.1:{self._port}/json/new?about:blank", method="PUT"
        )
        with urllib.request.urlopen(asked, timeout=30) as answer:
            made = json.load(answer)
        with connect(
            made["webSocketDebuggerUrl"], max_size=None, ping_interval=None
        ) as socket:  # fmt: skip
            tab = Tab(socket)
            if address != "about:blank":
                tab.open(address)
            yield tab


def refused_by(tab: Tab, rules: Sequence[dict[str, Any]]) -> list[str]:
    """axe-core's violations in words."""
    return [f"{rule['id']}: {[node['html'] for node in rule['nodes']]}" for rule in rules]
