"""The server of the live page, abused over real sockets: codes, origins, floods, slow readers."""

import contextlib
import gc
import json
import socket
import ssl
import time
import tracemalloc
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from assistant.adapters.page import server as serving
from assistant.adapters.page.certificate import kept_certificate
from assistant.adapters.page.door import Door
from assistant.adapters.page.server import MOST_PAGES, Floor, PageServer, ServedFile, Tls
from assistant.errors import LeafcallError

SECRET = bytes(32)
FILES = {"/": ServedFile("text/html", b"<p>page"), "/page.js": ServedFile("text/javascript", b"1")}


def free_port() -> int:
    """A port that is free, and so is the next one."""
    for _ in range(50):
        with socket.socket() as one, socket.socket() as two:
            one.bind(("127.0.0.1", 0))
            port = int(one.getsockname()[1])
            with contextlib.suppress(OSError, OverflowError):
                two.bind(("127.0.0.1", port + 1))
                return port
    raise AssertionError("no two ports side by side")


class Served:
    """A server on a port of this machine."""

    def __init__(
        self, *, port: int | None = None, tls: Tls | None = None, floor: Floor | None = None
    ) -> None:
        self.port = port or free_port()
        self.door = Door(SECRET)
        self.server = PageServer(FILES, self.door, build="b1", port=self.port, tls=tls, floor=floor)
        self.server.open()

    @property
    def http(self) -> str:
        return f"http://localhost:{self.port}"

    @contextlib.contextmanager
    def join(
        self, *, origin: str | None = "own", host: str | None = None
    ) -> Iterator[ClientConnection]:
        """A WebSocket as a page of this server opens it."""
        with connect(
            f"ws://localhost:{self.port}/live", origin=self.http if origin == "own" else origin,
            max_size=None, compression=None, proxy=None,
        ) as page:  # fmt: skip
            yield page

    @contextlib.contextmanager
    def pair(self) -> Iterator[ClientConnection]:
        """A paired page, its greeting read."""
        with self.join() as page:
            page.send(json.dumps({"t": "pair", "code": self.door.code}))
            assert told(page)["t"] == "hello"
            yield page


def told(page: ClientConnection) -> dict[str, Any]:
    """The next message that is no heartbeat."""
    while True:
        message = json.loads(page.recv(timeout=20))
        if message["t"] != "beat":
            return dict(message)


def closed_with(page: ClientConnection) -> int:
    """The code with which the server closes; everything before it is read."""
    try:
        while True:
            page.recv(timeout=20)
    except ConnectionClosed as ended:
        return ended.rcvd.code if ended.rcvd is not None else 0


@pytest.fixture
def served() -> Iterator[Served]:
    server = Served()
    try:
        yield server
    finally:
        server.server.close()


def get(address: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
    asked = urllib.request.Request(address, headers=headers)
    try:
        with urllib.request.urlopen(asked, timeout=20) as answer:
            return answer.status, {k.lower(): v for k, v in answer.headers.items()}, answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, {}, error.read()


@contextlib.contextmanager
def raw_socket(
    served: Served, *, host: str | None = None, origin: str | None = None
) -> Iterator[socket.socket]:
    """A socket on which a WebSocket was asked for (RFC 6455, section 4.1), nothing read yet."""
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as raw:
        raw.sendall(
            f"GET /live HTTP/1.1\r\nHost: {host or f'localhost:{served.port}'}\r\n"
            f"Origin: {origin or served.http}\r\nUpgrade: websocket\r\n"
            "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
            "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode()
        )
        yield raw


# --- files and headers --------------------------------------------------------------------------


def test_a_file_is_served_with_a_policy_that_lets_nothing_else_in(served: Served) -> None:
    status, headers, data = get(f"{served.http}/")
    assert (status, data) == (200, b"<p>page")
    policy = dict(
        part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["connect-src"] == f"ws://localhost:{served.port}"
    assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == "no-store"
    assert "server" not in headers


@pytest.mark.parametrize(
    "path",
    ["/etc/passwd", "/../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/page.js/../../x", "//etc",
     "/page.html", "/live", "/..%5c..%5cx", "/%00", "/page.js%00.html"],
)  # fmt: skip
def test_no_path_of_the_disk_is_served(served: Served, path: str) -> None:
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as raw:
        raw.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost:{served.port}\r\n"
                    "Connection: close\r\n\r\n".encode())  # fmt: skip
        answer = b"".join(iter(lambda: raw.recv(65536), b""))
    assert answer.split(b" ", 2)[1] in (b"404", b"400")
    assert b"root:" not in answer


def test_only_reading_is_allowed(served: Served) -> None:
    asked = urllib.request.Request(f"{served.http}/", data=b"x", method="POST")
    with pytest.raises(urllib.error.HTTPError) as error:
        urllib.request.urlopen(asked, timeout=20)
    assert error.value.code == 405
    error.value.close()


# --- host and origin ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["attacker.example", "localhost.attacker.example", "", "[::1]"])
def test_a_name_that_is_not_ours_is_turned_away(served: Served, name: str) -> None:
    # DNS rebinding: a foreign name that was made to stand for our address.
    host = f"{name}:{served.port}"
    assert get(f"{served.http}/", Host=host)[0] == 421
    with raw_socket(served, host=host, origin=f"http://{host}") as raw:
        assert raw.recv(4096).startswith(b"HTTP/1.1 421 ")


def test_our_address_is_ours(served: Served) -> None:
    assert get(f"http://127.0.0.1:{served.port}/")[0] == 200
    assert get(f"{served.http}/", Host=f"LOCALHOST:{served.port}")[0] == 200


@pytest.mark.parametrize(
    "origin", ["http://attacker.example", "null", None, "https://localhost:{}", "http://localhost"]
)
def test_a_page_of_another_origin_gets_no_socket(served: Served, origin: str | None) -> None:
    with (
        pytest.raises(InvalidStatus) as refused,
        served.join(origin=origin and origin.format(served.port)),
    ):
        pass
    assert refused.value.response.status_code == 403


# --- the door -----------------------------------------------------------------------------------


def test_the_code_opens_and_the_newest_is_told(served: Served) -> None:
    served.server.tell("view", '{"t": "view", "n": 1}')
    served.server.tell("view", '{"t": "view", "n": 2}')
    with served.join() as page:
        page.send(json.dumps({"t": "pair", "code": served.door.code}))
        hello = told(page)
        assert (hello["t"], hello["build"], hello["talk"]) == ("hello", "b1", False)
        assert told(page) == {"t": "view", "n": 2}


def test_nothing_of_the_bench_is_told_before_the_door_has_opened(served: Served) -> None:
    served.server.tell("view", '{"t": "view", "secret": 1}')
    with served.join() as page:
        with pytest.raises(TimeoutError):
            page.recv(timeout=1.0)
        page.send(json.dumps({"t": "pair", "code": "WRONGONE"}))
        assert told(page) == {"t": "refused", "code": True}
        with pytest.raises(TimeoutError):
            page.recv(timeout=1.0)


def test_wrong_codes_end_the_connection_and_shut_the_door(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "_MOST_TRIES", 5)
    with served.join() as page:
        for _ in range(5):
            page.send(json.dumps({"t": "pair", "code": "WRONGONE"}))
            assert told(page)["t"] == "refused"
        assert closed_with(page) == 4001
    with served.join() as page:  # too many from here: not even the right one for now
        page.send(json.dumps({"t": "pair", "code": served.door.code}))
        assert told(page)["t"] == "refused"


def test_a_page_comes_back_with_its_ticket_when_the_server_was_started_again() -> None:
    first = Served()
    with first.join() as page:
        page.send(json.dumps({"t": "pair", "code": first.door.code}))
        ticket = told(page)["ticket"]
        old = first.door.code
        first.server.close()
        assert closed_with(page) in (1012, 1006, 0)
    second = Served(port=first.port)
    try:
        with second.join() as page:
            page.send(json.dumps({"t": "pair", "code": old}))
            assert told(page) == {"t": "refused", "code": True}
            page.send(json.dumps({"t": "pair", "ticket": ticket}))
            assert told(page)["t"] == "hello"
    finally:
        second.server.close()


# --- abuse --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "garbage",
    ["", "x", "[]", "null", "{}", '{"t": 1}', '{"t": "pair"}', '{"t": "take floor"}', "[" * 9000,
     b"", b"\x00" * 640, '{"t": "played", "number": 1}'],
)  # fmt: skip
def test_garbage_ends_the_page_that_sent_it_and_no_other(
    served: Served, garbage: str | bytes
) -> None:
    with served.pair() as good, served.pair() as bad:
        bad.send(garbage)
        assert closed_with(bad) == 4002
        served.server.tell("view", '{"t": "view", "n": 7}')
        assert told(good) == {"t": "view", "n": 7}


@pytest.mark.parametrize("garbage", ["x", "{}", b"\x00" * 100])
def test_garbage_before_the_door_ends_it_too(served: Served, garbage: str | bytes) -> None:
    with served.join() as page:
        page.send(garbage)
        assert closed_with(page) == 4002


def test_bytes_that_are_no_websocket_end_it(served: Served) -> None:
    with served.pair() as good:
        with served.join() as bad:
            bad.socket.sendall(b"\xff" * 4096)
            assert closed_with(bad) in (1002, 1006, 0)
        served.server.tell("view", '{"t": "view", "n": 8}')
        assert told(good) == {"t": "view", "n": 8}


def test_a_message_that_is_too_long_ends_it(served: Served) -> None:
    with served.pair() as page:
        page.send("x" * 100_000)
        assert closed_with(page) in (1009, 1006, 0)


def test_a_flood_of_messages_ends_it(served: Served) -> None:
    # Harmless messages, but more than any page of ours sends: known ones need a floor to be taken.
    class Busy:
        def take(self, who: str, token: str, rate_hz: int) -> bool:
            return True

        def leave(self, who: str) -> None: ...

        def sound(self, who: str, block: bytes) -> bool:
            return True

        def played(self, who: str, number: int) -> None: ...

        def key(self, who: str) -> None: ...

    served.server._floor = Busy()
    with served.pair() as page:
        with contextlib.suppress(ConnectionClosed):
            for _ in range(500):
                page.send('{"t": "key"}')
        assert closed_with(page) == 4003
    with served.pair() as page:
        with contextlib.suppress(ConnectionClosed):
            for _ in range(500):
                page.send(b"\x00" * 3200)
        assert closed_with(page) == 4003


def test_one_that_never_reads_costs_little_and_is_dropped(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "_SLOWEST_S", 2.0)
    monkeypatch.setattr(serving, "_LEAST_BETWEEN_S", 0.001)
    with contextlib.ExitStack() as stack:
        good = stack.enter_context(served.pair())
        stuck = stack.enter_context(raw_socket(served))
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        while b"\r\n\r\n" not in stuck.recv(4096):
            pass
        pairing = json.dumps({"t": "pair", "code": served.door.code}).encode()
        stuck.sendall(bytes([0x81, 0x80 | len(pairing), 0, 0, 0, 0]) + pairing)  # RFC 6455, 5.2
        while len(served.server._pages) < 2:
            time.sleep(0.01)
        gc.collect()
        tracemalloc.start()
        try:
            filler = "x" * 50_000
            for n in range(400):  # 20 MB in all, that one would have to hold
                served.server.tell("view", json.dumps({"t": "view", "n": n, "filler": filler}))
                told(good)
            kept, _ = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert kept < 3_000_000
        ends = time.monotonic() + 20
        while len(served.server._pages) > 1 and time.monotonic() < ends:
            time.sleep(0.05)
        assert len(served.server._pages) == 1


def test_telling_does_not_wait_for_anybody(served: Served) -> None:
    with served.pair() as slow:
        for n in range(20_000):  # read by nobody meanwhile
            served.server.tell("pulse", json.dumps({"t": "pulse", "n": n}))
        seen = [told(slow)["n"]]
        while seen[-1] != 19_999:
            seen.append(told(slow)["n"])
        assert len(seen) < 1000  # what was between is passed over


def test_twenty_watchers_see_the_same_and_the_next_beyond_the_most_are_turned_away(
    served: Served,
) -> None:
    with contextlib.ExitStack() as stack:
        pages = [stack.enter_context(served.pair()) for _ in range(20)]
        served.server.tell("view", '{"t": "view", "n": 3}')
        assert [told(page) for page in pages] == [{"t": "view", "n": 3}] * 20
        for _ in range(MOST_PAGES - 20):
            stack.enter_context(served.pair())
        page = stack.enter_context(served.join())
        assert closed_with(page) == 4004


def test_connections_that_say_nothing_are_limited_and_let_go(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "_REQUEST_S", 0.5)
    with contextlib.ExitStack() as stack:
        for _ in range(100):
            stack.enter_context(socket.create_connection(("127.0.0.1", served.port), timeout=20))
        ends = time.monotonic() + 20
        status = 0
        while status != 200 and time.monotonic() < ends:
            with contextlib.suppress(OSError):
                status = get(f"{served.http}/")[0]
        assert status == 200
        assert len(served.server._server.server_state.connections) < 64


# --- opening ------------------------------------------------------------------------------------


def test_a_port_in_use_is_told(served: Served) -> None:
    with pytest.raises(LeafcallError, match=f"port {served.port}.*--page-port"):
        Served(port=served.port)


def test_the_network_is_served_over_tls_with_our_certificate(tmp_path: Path) -> None:
    pytest.importorskip("cryptography")
    made = kept_certificate(
        tmp_path, names=("localhost",), addresses=("127.0.0.1",), now=datetime.now(UTC)
    )
    served = Served(tls=Tls(made.path, made.key_path))
    try:
        context = ssl.create_default_context(cafile=str(made.path))
        address = f"https://localhost:{served.port + 1}/"
        with urllib.request.urlopen(address, timeout=20, context=context) as answer:
            assert answer.read() == b"<p>page"
            policy = answer.headers["content-security-policy"]
        assert f"connect-src wss://localhost:{served.port + 1};" in policy
        with connect(
            f"wss://localhost:{served.port + 1}/live", ssl=context, proxy=None,
            origin=f"https://localhost:{served.port + 1}",
        ) as page:  # fmt: skip
            page.send(json.dumps({"t": "pair", "code": served.door.code}))
            assert told(page)["t"] == "hello"
    finally:
        served.server.close()


def test_a_certificate_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    broken = tmp_path / "c.pem"
    broken.write_text("none")
    port = free_port()
    with pytest.raises(LeafcallError, match="cannot be used"):
        Served(port=port, tls=Tls(broken, broken))
    Served(port=port).server.close()  # and the port is free again
