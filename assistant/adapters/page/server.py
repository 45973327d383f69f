"""Serves the live page and keeps every page that is paired up to date.

One thread with an event loop of its own; the bench only leaves the newest text of a kind (``tell``)
and never waits. A page that reads slowly is sent the newest and misses what was between; one that
does not read at all is dropped, so that memory is bounded. Only files that were handed in are
served, to whoever asks by the name or address of this machine; what the bench has to show goes
only to pages of our own that the door has let in.
"""

import asyncio
import contextlib
import json
import socket
import ssl
import threading
import time
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from assistant.adapters.page.gate import (
    header,
    is_ours,
    listen_on,
    own_names,
    page_headers,
    parsed,
    turn_away,
)
from assistant.errors import LeafcallError

MOST_PAGES = 32
_MOST_CONNECTIONS = 64
_HANDSHAKE_S = 5.0
_LEAST_ACCEPT_S = 0.02  # between connections: a flood must not pile up
_REQUEST_S = 15.0  # a plain request lives no longer
_PAIR_S = 300.0  # so long a page may ask for the code
_MOST_TRIES = 20  # on one connection
_SLOWEST_S = 10.0  # one message
_LEAST_BETWEEN_S = 0.1
_HEARTBEAT_S = 2.0
_MOST_BYTES = 16_384  # one message from a page
_TEXTS_PER_S, _TEXTS_AT_ONCE = 5.0, 30.0
_SOUND_PER_S, _SOUND_AT_ONCE = 200_000.0, 1_000_000.0  # bytes: 96 kHz of 16 bits; 5 s late
_PING_S = 10.0
_STOP_S = 3.0
_NO_EXTRA = "The live page needs the extra 'page': run pip install 'leafcall[page]'."
_REFUSED, _GARBAGE, _TOO_MUCH, _FULL = 4001, 4002, 4003, 4004  # codes of a close, for our page


class Door(Protocol):
    """Says who may come in."""

    def by_code(self, code: str, address: str, *, now_s: float) -> str | None:
        """A ticket for the right code, else None."""

    def by_ticket(self, ticket: str, *, now_s: float) -> bool:
        """Whether a ticket lets in."""


class Floor(Protocol):
    """Takes the sound of the one page that has the floor; every call returns at once."""

    def take(self, who: str, token: str, rate_hz: int) -> bool:
        """Give the floor to a page if it is free, or was its own; whether it has it now.

        token: known to that page only. rate_hz: of its sound.
        """

    def leave(self, who: str) -> None:
        """The page gives the floor up, or is gone."""

    def sound(self, who: str, block: bytes) -> bool:
        """A block of its sound, passed over if it has no floor; False if it is no block."""

    def played(self, who: str, number: int) -> None:
        """Reply ``number`` was heard to its end."""

    def key(self, who: str) -> None:
        """The page was tapped in place of a key."""


@dataclass(frozen=True, slots=True)
class ServedFile:
    """One file of the page. kind: its media type."""

    kind: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Tls:
    """Certificate and key, PEM files."""

    certificate: Path
    key: Path


@dataclass(eq=False)
class _Page:
    """A paired page: what it has been sent, and what waits for it."""

    who: str
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    seen: dict[str, int] = field(default_factory=dict)
    outbox: asyncio.Queue[str | bytes] = field(default_factory=lambda: asyncio.Queue(256))


class _Budget:
    """So much a second, and so much at once."""

    def __init__(self, per_s: float, at_once: float) -> None:
        self._per_s, self._most = per_s, at_once
        self._left, self._at_s = at_once, time.monotonic()

    def spend(self, amount: float) -> bool:
        """Whether there was enough."""
        now_s = time.monotonic()
        self._left = min(self._most, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        self._left -= amount
        return self._left >= 0


class PageServer:
    """The server. files: by path, ``/`` among them. build: tells a page whether it is the same.

    port: http on this machine only. tls: with it, https for the network on the port above.
    floor: takes the sound of one page; None where pages only watch.
    """

    def __init__(
        self,
        files: Mapping[str, ServedFile],
        door: Door,
        *,
        build: str,
        port: int,
        tls: Tls | None = None,
        floor: Floor | None = None,
    ) -> None:
        self._files = files
        self._door = door
        self._build = build
        self._port = port
        self._tls = tls
        self._floor = floor
        self._latest: dict[str, tuple[int, str]] = {}
        self._pages: set[_Page] = set()
        self._greeting = 0
        self._names = own_names()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: Any = None
        self._started = threading.Event()
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._count = 0

    # --- from any thread ----------------------------------------------------------------------

    def open(self) -> None:
        """Begin to serve. Raises LeafcallError if a port is in use or the extra is missing."""
        try:
            import starlette
            import uvicorn  # noqa: F401
        except ImportError as exc:
            raise LeafcallError(_NO_EXTRA) from exc
        del starlette
        here: tuple[socket.socket, ssl.SSLContext | None] = (
            listen_on("127.0.0.1", self._port),
            None,
        )
        self._sockets = [here]
        if self._tls is not None:
            try:
                context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
                context.minimum_version = ssl.TLSVersion.TLSv1_2
                context.load_cert_chain(self._tls.certificate, self._tls.key)
                self._sockets.append((listen_on("0.0.0.0", self._port + 1), context))  # noqa: S104
            except (OSError, LeafcallError) as exc:
                self._sockets[0][0].close()
                if isinstance(exc, LeafcallError):
                    raise
                raise LeafcallError(
                    f"The certificate {self._tls.certificate} cannot be used ({exc}). Remove it "
                    "and its key: a new one is made."
                ) from exc
        self._thread.start()
        self._started.wait()
        if self._failure is not None:
            raise LeafcallError(f"The live page cannot be served: {self._failure}.")

    def tell(self, kind: str, text: str) -> None:
        """Leave the newest text of a kind for all pages; never waits."""
        version = self._latest.get(kind, (0, ""))[0] + 1
        self._latest[kind] = (version, text)
        self._soon(self._wake)

    def send(self, who: str, message: str | bytes) -> None:
        """Send something to one page, after what it is sent already; dropped if it is gone."""
        self._soon(lambda: self._put(who, message))

    def close(self) -> None:
        """Stop serving; calling it twice does no harm."""
        if self._server is not None:
            self._server.should_exit = True
            self._thread.join(_STOP_S * 2)

    # --- in the server's thread ---------------------------------------------------------------

    def _soon(self, call: Any) -> None:
        loop = self._loop
        if loop is not None:
            with contextlib.suppress(RuntimeError):  # it was closed meanwhile
                loop.call_soon_threadsafe(call)

    def _wake(self) -> None:
        for page in self._pages:
            page.wake.set()

    def _put(self, who: str, message: str | bytes) -> None:
        for page in self._pages:
            if page.who == who:
                with contextlib.suppress(asyncio.QueueFull):
                    page.outbox.put_nowait(message)

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as exc:
            self._failure = exc
        finally:
            self._loop = None
            for listening, _ in self._sockets:
                listening.close()
            self._started.set()

    async def _serve(self) -> None:
        import uvicorn

        config = uvicorn.Config(
            self._app(), http="h11", ws="websockets-sansio", lifespan="off", log_config=None,
            log_level="critical", access_log=False, server_header=False, proxy_headers=False,
            limit_concurrency=_MOST_CONNECTIONS, timeout_keep_alive=5,
            timeout_graceful_shutdown=round(_STOP_S), ws_max_size=_MOST_BYTES,
            ws_ping_interval=_PING_S, ws_ping_timeout=_PING_S, ws_per_message_deflate=False,
            h11_max_incomplete_event_size=_MOST_BYTES,
        )  # fmt: skip
        config.load()
        self._server = uvicorn.Server(config)
        self._loop = asyncio.get_running_loop()
        self._loop.set_exception_handler(_tell_failure)
        accepting = [asyncio.create_task(self._accept(*one)) for one in self._sockets]
        self._started.set()
        try:
            await self._server.serve(sockets=[])
        finally:
            for task in accepting:
                task.cancel()

    async def _accept(self, listening: socket.socket, context: ssl.SSLContext | None) -> None:
        """Take connections, so many at once and no more: each one costs a file descriptor."""
        loop = asyncio.get_running_loop()
        tasks: set[asyncio.Task[None]] = set()
        while True:
            try:
                connection, _ = await loop.sock_accept(listening)
            except OSError:  # none left for the moment
                await asyncio.sleep(1.0)
                continue
            if len(self._server.server_state.connections) + self._greeting >= _MOST_CONNECTIONS:
                connection.close()
                continue
            task = asyncio.create_task(self._greet(connection, context))
            tasks.add(task)
            task.add_done_callback(tasks.discard)
            await asyncio.sleep(_LEAST_ACCEPT_S)

    async def _greet(self, connection: socket.socket, context: ssl.SSLContext | None) -> None:
        state, config = self._server.server_state, self._server.config
        loop = asyncio.get_running_loop()
        self._greeting += 1
        try:
            transport, protocol = await loop.connect_accepted_socket(
                lambda: config.http_protocol_class(
                    config=config, server_state=state, app_state={}, _loop=loop
                ),
                connection, ssl=context,
                ssl_handshake_timeout=_HANDSHAKE_S if context is not None else None,
            )  # fmt: skip
        except (OSError, TimeoutError):  # ssl.SSLError is an OSError
            connection.close()
            return
        finally:
            self._greeting -= 1
        await asyncio.sleep(_REQUEST_S)
        if protocol in state.connections:  # still a plain request: idle, or dripping
            transport.abort()

    def _app(self) -> Any:
        from starlette.routing import Route, Router, WebSocketRoute

        routes: list[Any] = [Route(path, self._file) for path in self._files]
        inner = Router([*routes, WebSocketRoute("/live", self._live)])

        async def app(scope: Any, receive: Any, send: Any) -> None:
            host = header(scope, b"host")
            secure = scope["scheme"] in ("https", "wss")
            origin = f"{'https' if secure else 'http'}://{host}"
            if not is_ours(host, self._names):
                await turn_away(scope, send, 421)
            elif scope["type"] == "websocket" and header(scope, b"origin") != origin:
                await turn_away(scope, send, 403)
            else:
                await inner(scope, receive, send)

        return app

    async def _file(self, request: Any) -> Any:
        from starlette.responses import Response

        file = self._files[request.url.path]
        return Response(
            file.data,
            media_type=file.kind,
            headers=page_headers(request.headers["host"], secure=request.url.scheme == "https"),
        )

    async def _live(self, socket_: Any) -> None:
        """One page, from its first word to its last."""
        from starlette.websockets import WebSocketDisconnect

        await socket_.accept()
        if len(self._pages) >= MOST_PAGES:
            await _close(socket_, _FULL)
            return
        self._count += 1
        page = _Page(f"{socket_.client.host} {self._count}")
        with contextlib.suppress(WebSocketDisconnect, TimeoutError, OSError, RuntimeError):
            async with asyncio.timeout(_PAIR_S):
                if not await self._pair(socket_):
                    return
            async with self._among_pages(page):
                work = [
                    asyncio.create_task(self._read(socket_, page)),
                    asyncio.create_task(self._write(socket_, page)),
                    asyncio.create_task(self._hand_over(socket_, page)),
                ]
                try:
                    await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
                finally:
                    for task in work:
                        task.cancel()
                    await asyncio.gather(*work, return_exceptions=True)

    @contextlib.asynccontextmanager
    async def _among_pages(self, page: _Page) -> AsyncIterator[None]:
        self._pages.add(page)
        try:
            yield
        finally:
            self._pages.discard(page)
            if self._floor is not None:
                self._floor.leave(page.who)

    async def _pair(self, socket_: Any) -> bool:
        """Ask until the page brings the code or a ticket; False if it is turned away."""
        for _ in range(_MOST_TRIES):
            told = parsed(await self._text(socket_))
            if told is None or told.get("t") != "pair":
                await _close(socket_, _GARBAGE)
                return False
            now_s = time.time()
            ticket, code = told.get("ticket"), told.get("code")
            if isinstance(ticket, str) and self._door.by_ticket(ticket, now_s=now_s):
                new = ticket
            elif isinstance(code, str):
                new = self._door.by_code(code, socket_.client.host, now_s=now_s) or ""
            else:
                new = ""
            if new:
                hello = {
                    "t": "hello", "ticket": new, "build": self._build,
                    "talk": self._floor is not None,
                }  # fmt: skip
                await socket_.send_text(json.dumps(hello))
                return True
            await asyncio.sleep(0.5)
            await socket_.send_text(json.dumps({"t": "refused", "code": isinstance(code, str)}))
        await _close(socket_, _REFUSED)
        return False

    async def _text(self, socket_: Any) -> str:
        """The next message, empty if it is not text. Raises WebSocketDisconnect at the end."""
        from starlette.websockets import WebSocketDisconnect

        message = await socket_.receive()
        if message["type"] == "websocket.disconnect":
            raise WebSocketDisconnect
        return message.get("text") or ""

    async def _read(self, socket_: Any, page: _Page) -> None:
        """Take what the page sends, until it goes or sends what no page of ours does."""
        texts = _Budget(_TEXTS_PER_S, _TEXTS_AT_ONCE)
        sound = _Budget(_SOUND_PER_S, _SOUND_AT_ONCE)
        while True:
            message = await socket_.receive()
            if message["type"] == "websocket.disconnect":
                return
            block = message.get("bytes")
            if not (sound.spend(len(block)) if block is not None else texts.spend(1)):
                await _close(socket_, _TOO_MUCH)
                return
            known = (
                self._floor is not None and self._floor.sound(page.who, block)
                if block is not None
                else self._take(parsed(message.get("text") or ""), page)
            )
            if not known:
                await _close(socket_, _GARBAGE)
                return

    def _take(self, told: dict[str, object] | None, page: _Page) -> bool:
        """Do what a page asks for; whether it was something that a page may ask for."""
        kind = told.get("t") if told is not None else None
        if told is None or self._floor is None:
            return False
        if kind == "take floor":
            token, rate_hz = told.get("token"), told.get("rate")
            if not isinstance(token, str) or not isinstance(rate_hz, int):
                return False
            has = self._floor.take(page.who, token, rate_hz)
            self._put(page.who, json.dumps({"t": "floor", "yours": has}))
        elif kind == "leave floor":
            self._floor.leave(page.who)
        elif kind == "played" and isinstance(number := told.get("number"), int):
            self._floor.played(page.who, number)
        elif kind == "key":
            self._floor.key(page.who)
        else:
            return False
        return True

    async def _write(self, socket_: Any, page: _Page) -> None:
        """Send the newest of every kind, and a heartbeat, until the page reads no more."""
        while True:
            for kind, (version, text) in list(self._latest.items()):
                if page.seen.get(kind) != version:
                    page.seen[kind] = version
                    await _send(socket_, text)
            await asyncio.sleep(_LEAST_BETWEEN_S)
            try:
                async with asyncio.timeout(_HEARTBEAT_S):
                    await page.wake.wait()
            except TimeoutError:
                await _send(socket_, '{"t": "beat"}')
            page.wake.clear()

    async def _hand_over(self, socket_: Any, page: _Page) -> None:
        """Send what is for this page alone, at once: replies must not wait."""
        while True:
            await _send(socket_, await page.outbox.get())


def _tell_failure(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """What goes wrong, but for connections that break: they do, and the terminal is the bench's."""
    if not isinstance(context.get("exception"), OSError):
        loop.default_exception_handler(context)


async def _send(socket_: Any, message: str | bytes) -> None:
    """One message. Raises TimeoutError if the page does not read."""
    async with asyncio.timeout(_SLOWEST_S):
        if isinstance(message, str):
            await socket_.send_text(message)
        else:
            await socket_.send_bytes(message)


async def _close(socket_: Any, code: int) -> None:
    async with asyncio.timeout(_SLOWEST_S):
        await socket_.close(code)
