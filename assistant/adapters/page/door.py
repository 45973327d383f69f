"""Who may come in to the live page: a code for the first time, a ticket to come back with.

The code is new at every start and stands in the QR code in the terminal. Whoever brings it gets a
ticket, signed with a secret of this machine, so that a page comes back by itself when the program
was killed and started again, while an old code no longer opens anything. Wrong codes are slowed
down by address and over all.
"""

import base64
import hashlib
import hmac
import secrets
import struct
from collections import OrderedDict, deque
from pathlib import Path

from assistant.adapters.files.whole_file import write_whole
from assistant.errors import LeafcallError

CODE_LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
"""Without what is easily read as another letter: I, L, O, U, 0, 1."""
CODE_LENGTH = 8  # 30 ** 8: 39 bits
TICKET_S = 12 * 3600.0
_FAILS, _FAILS_ALL, _WITHIN_S = 5, 40, 60.0
_MOST_ADDRESSES = 1000
_SECRET_BYTES = 32


class Door:
    """Lets in by code or ticket. secret: 32 bytes of this machine (``kept_secret``)."""

    def __init__(self, secret: bytes) -> None:
        self._secret = secret
        self.code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        self._failed: OrderedDict[str, deque[float]] = OrderedDict()
        self._failed_all: deque[float] = deque(maxlen=_FAILS_ALL)

    def by_code(self, code: str, address: str, *, now_s: float) -> str | None:
        """A ticket for whoever brings the code; None if it is wrong, or tried too often.

        now_s: seconds since the epoch; by ``address`` five wrong codes a minute are heard, 40 by
        all together.
        """
        failed = self._failed.setdefault(address, deque(maxlen=_FAILS))
        self._failed.move_to_end(address)
        while len(self._failed) > _MOST_ADDRESSES:
            self._failed.popitem(last=False)
        if _full(failed, now_s) or _full(self._failed_all, now_s):
            return None
        told = "".join(code.upper().split()).replace("-", "")
        if hmac.compare_digest(told.encode("utf-8", "replace"), self.code.encode()):
            failed.clear()
            return self._ticket(now_s + TICKET_S)
        failed.append(now_s)
        self._failed_all.append(now_s)
        return None

    def by_ticket(self, ticket: str, *, now_s: float) -> bool:
        """Whether a ticket is ours and not yet out of date."""
        try:
            raw = base64.urlsafe_b64decode(ticket.encode("ascii"))
            (ends_s,) = struct.unpack(">Q", raw[:8])
        except (ValueError, struct.error):
            return False
        ours = hmac.compare_digest(raw[16:], self._signed(raw[:16]))
        return ours and now_s < ends_s <= now_s + TICKET_S

    def _ticket(self, ends_s: float) -> str:
        body = struct.pack(">Q", int(ends_s)) + secrets.token_bytes(8)
        return base64.urlsafe_b64encode(body + self._signed(body)).decode("ascii")

    def _signed(self, body: bytes) -> bytes:
        return hmac.digest(self._secret, b"leafcall page ticket" + body, hashlib.sha256)


def _full(failed: deque[float], now_s: float) -> bool:
    """Whether as many codes were wrong within the last minute as are allowed."""
    return len(failed) == failed.maxlen and 0 <= now_s - failed[0] < _WITHIN_S


def kept_secret(path: Path) -> bytes:
    """The secret of this machine, made at first use, readable by its user only.

    Raises LeafcallError if it can be neither read nor kept.
    """
    try:
        if path.exists():
            secret = path.read_bytes()
            if len(secret) == _SECRET_BYTES:
                return secret
        path.parent.mkdir(parents=True, exist_ok=True)
        secret = secrets.token_bytes(_SECRET_BYTES)
        write_whole(path, secret, private=True)
    except OSError as exc:
        raise LeafcallError(
            f"The secret of the live page, {path}, cannot be kept: {exc.strerror}. Make room, or "
            "leave --page out."
        ) from exc
    return secret
