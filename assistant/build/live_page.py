"""The live page beside a session: what it is told, where it is served, how to get to it."""

import hashlib
import json
import queue
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Self

import jinja2

from assistant.adapters.files.data_files import page_text
from assistant.adapters.files.learned_file import usual_path
from assistant.adapters.files.review_file import open_in_browser
from assistant.adapters.page.certificate import Certificate, kept_certificate
from assistant.adapters.page.door import Door, kept_secret
from assistant.adapters.page.floor import PageFloor
from assistant.adapters.page.gate import network_address, own_names
from assistant.adapters.page.qr import qr_lines
from assistant.adapters.page.server import PageServer, ServedFile, Tls
from assistant.adapters.terminal.terminal import Terminal
from assistant.bench.dialogue import Turn
from assistant.bench.ports import Mode
from assistant.bench.ring_status import Grade, RingStatus
from assistant.bench.wording import Wording
from assistant.build.screens import Screen
from assistant.display.live_state import LiveState
from assistant.display.page_view import pulse_message, view_message
from assistant.display.panel_model import PanelFacts, facts_of
from assistant.errors import InstallationError
from assistant.record.page_parts import grade_sign
from assistant.record.review_plots import ring_sign
from assistant.record.ring_way import way_at_hand

_FOLDER = Path(__file__).resolve().parent.parent / "pages" / "live"
_KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_LONGEST_END_S = 5.0


class LivePage:
    """A session as pages show it. Told by the bench, which never waits for it: turns are worked
    out in a thread of its own.

    server: already open. mode, cautions: before the first level and the first call.
    """

    def __init__(
        self, server: PageServer, *, mode: Mode = Mode.LISTENING, cautions: Sequence[str] = ()
    ) -> None:
        self.server = server
        self._live = LiveState(mode, cautions=cautions)
        self._todo: queue.SimpleQueue[tuple[Turn, Wording] | None] = queue.SimpleQueue()
        self._facts: PanelFacts | None = None
        self._writer = threading.Thread(target=self._write, name="page-writer", daemon=True)
        self._writer.start()
        server.tell("view", view_message(None))
        server.tell("pulse", pulse_message(self._live.facts))

    def beside(self, screen: Screen) -> Screen:
        """A screen that shows on ``screen`` and on the page."""
        return _Both(screen, self)

    def show(self, turn: Turn, wording: Wording) -> None:
        """A turn, as soon as it is on disk."""
        self._live.take(turn)
        self._pulse()
        self._todo.put((turn, wording))

    def level(self, level_db: float | None, noise_db: float | None, mode: Mode) -> None:
        """What the ear does now."""
        self._live.level(level_db, noise_db, mode)
        self._pulse()

    def warn(self, text: str) -> None:
        """A trouble."""
        self._live.warn(text)
        self._pulse()

    def close(self) -> None:
        """Show what is still to be shown and stop serving."""
        self._todo.put(None)
        self._writer.join(_LONGEST_END_S)
        self.server.close()

    def _pulse(self) -> None:
        self.server.tell("pulse", pulse_message(self._live.facts))

    def _write(self) -> None:
        """In a thread of its own: turns become views, in their order."""
        while (told := self._todo.get()) is not None:
            turn, wording = told
            self._facts = facts_of(turn, wording, before=self._facts)
            if self._todo.empty():  # of several that came at once only the last is looked at
                plot = str(way_at_hand(turn.state, wording))
                self.server.tell(
                    "view", view_message(self._facts, plot=plot, closed=turn.state.closed)
                )


class _Both:
    """A screen and the page, told the same."""

    def __init__(self, screen: Screen, page: LivePage) -> None:
        self._screen, self._page = screen, page

    def show(self, turn: Turn, wording: Wording) -> None:
        self._page.show(turn, wording)
        self._screen.show(turn, wording)

    def level(self, level_db: float | None, noise_db: float | None, mode: Mode) -> None:
        self._page.level(level_db, noise_db, mode)
        self._screen.level(level_db, noise_db, mode)

    def warn(self, text: str) -> None:
        self._page.warn(text)
        self._screen.warn(text)

    def __enter__(self) -> Self:
        self._screen.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self._screen.__exit__(kind, error, trace)


@contextmanager
def open_page(
    *,
    port: int,
    mode: Mode = Mode.LISTENING,
    cautions: Sequence[str] = (),
    floor: PageFloor | None = None,
) -> Iterator[LivePage]:
    """Serve the page: on this machine over http, in the network over https on the port above.

    floor: one page may be microphone and voice; None: pages only watch. How to get to the page is
    told on the terminal. Raises LeafcallError if it cannot be served.
    """
    folder = usual_path().parent / "page"
    door = Door(kept_secret(folder / "secret"))
    address = network_address()
    certificate = kept_certificate(
        folder, names=tuple(sorted(own_names())),
        addresses=tuple(dict.fromkeys(["127.0.0.1", *([address] if address else [])])),
        now=datetime.now(UTC),
    )  # fmt: skip
    files, build = _files()
    server = PageServer(
        files, door, build=build, port=port,
        tls=Tls(certificate.path, certificate.key_path) if address else None, floor=floor,
    )  # fmt: skip
    if floor is not None:
        floor.send = server.send
        floor.told = partial(_tell_floor, server)
        _tell_floor(server, False)
    server.open()
    page = LivePage(server, mode=mode, cautions=cautions)
    try:
        _tell_where(door.code, address, port, certificate)
        yield page
    finally:
        page.close()


def _tell_floor(server: PageServer, taken: bool) -> None:
    server.tell("talk", json.dumps({"t": "talk", "taken": taken}))


def _tell_where(code: str, address: str | None, port: int, certificate: Certificate) -> None:
    terminal = Terminal()
    here = f"http://localhost:{port}/#code={code}"
    terminal.show("")
    if address is not None:
        there = f"https://{address}:{port + 1}/"
        terminal.show_dark_on_bright(qr_lines(f"{there}#code={code}"))
        terminal.show(f"Page   {there}   code {code[:4]} {code[4:]}")
        terminal.show(f"       on this machine: {here}")
        terminal.show(
            "       The browser warns once, because this machine made its certificate itself. Go"
        )
        terminal.show(f"       on only if its SHA-256 fingerprint is {certificate.fingerprint}")
    else:
        terminal.show(f"Page   {here}   (no network: on this machine only)")
    open_in_browser(here)


def _files() -> tuple[dict[str, ServedFile], str]:
    """What is served, by path, and a name for just this build of it."""
    try:
        names = sorted(path.name for path in _FOLDER.iterdir())
        texts = {name: page_text(f"live/{name}").encode() for name in names}
        template = texts.pop("page.html").decode()
    except (OSError, KeyError) as error:
        raise InstallationError(
            "The live page is missing from this installation: install again."
        ) from error
    digest = hashlib.sha256(template.encode() + b"".join(texts.values())).hexdigest()[:12]
    page = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined).from_string(
        template
    )
    signs = [(status.name_in_pages, ring_sign(status)) for status in RingStatus]
    signs += [(f"grade-{grade.name.lower()}", grade_sign(grade)) for grade in Grade]
    files = {
        f"/{name}": ServedFile(_KINDS[Path(name).suffix], data) for name, data in texts.items()
    }
    files["/"] = ServedFile("text/html", page.render(build=digest, signs=signs).encode())
    return files, digest
