"""What keeps strangers out of the live page before a word is said: sockets, hosts, headers."""

import ipaddress
import json
import socket
from typing import Any

from assistant.errors import LeafcallError


async def turn_away(scope: Any, send: Any, status: int) -> None:
    """An answer without a body to what did not come from a page of ours."""
    kind = "websocket.http.response" if scope["type"] == "websocket" else "http.response"
    await send({"type": f"{kind}.start", "status": status, "headers": []})
    await send({"type": f"{kind}.body", "body": b""})


def page_headers(host: str, *, secure: bool) -> dict[str, str]:
    """Everything of the page comes from here, nothing else may run in it or hold it."""
    live = f"{'wss' if secure else 'ws'}://{host}"
    return {
        "content-security-policy": (
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
            f"connect-src {live}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        ),
        "permissions-policy": "microphone=(self), camera=(), geolocation=(), display-capture=()",
        "referrer-policy": "no-referrer",
        "x-content-type-options": "nosniff",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "cache-control": "no-store",
    }


def parsed(text: str) -> dict[str, object] | None:
    """A JSON object, or None."""
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return told if isinstance(told, dict) else None


def header(scope: Any, name: bytes) -> str:
    found = [value for key, value in scope["headers"] if key == name]
    return found[0].decode("latin-1") if len(found) == 1 else ""


def is_ours(host: str, names: frozenset[str]) -> bool:
    """Whether a Host header names this machine: an address, which no foreign name can stand for
    (so nobody rebinds a name of theirs to us), or a name of our own."""
    name, _, port = host.rpartition(":")
    if not port.isdecimal():
        return False
    try:
        ipaddress.IPv4Address(name)
    except ValueError:
        return name.lower() in names
    return True


def listen_on(address: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):  # Windows, where REUSEADDR would share the port
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # who takes nothing for so long is gone
            listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, 20_000)
        listening.bind((address, port))
        listening.listen(32)
        listening.setblocking(False)
    except (OSError, OverflowError) as exc:
        listening.close()
        raise LeafcallError(
            f"The live page cannot be served on port {port} ({exc}). Does another session serve "
            "one? Choose another with --page-port."
        ) from exc
    return listening


def own_names() -> frozenset[str]:
    """Names of this machine that a page may be called by, lower case."""
    name = socket.gethostname().lower().removesuffix(".local")
    return frozenset({"localhost", name, f"{name}.local"} - {"", ".local"})


def network_address() -> str | None:
    """The IPv4 address by which the network knows this machine, None without a network.

    Nothing is sent: a datagram socket is only pointed at an address of documentation (RFC 5737).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        address = str(probe.getsockname()[0])
    return None if ipaddress.ip_address(address).is_loopback else address
