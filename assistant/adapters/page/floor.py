"""The floor of the live page: one page at a time is the microphone and the voice of the bench.

The server hands its sound in, block by block, and never waits; the bench takes it as it takes that
of any microphone. A page that is gone, or gives no sound for three seconds, is a lost microphone.
"""

import importlib
import queue
import secrets
import struct
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import MicrophoneError

SLOWEST_HZ, FASTEST_HZ = 8_000, 96_000
_MOST_BYTES = 16_000  # of one block
_MOST_WAITING_S = 60.0
_BLOCK_S = 0.02  # as our page sends them
_DEAD_S = 3.0
_WAIT_S = 0.25
_LOOK_S = 0.02
_AFTER_S = 3.0  # a reply may end so much later than its length: the network, a slow start
_HUSH_S = 1.0
NOBODY = "No page is the microphone: open the live page on the phone and tap 'Talk from here'."

Send = Callable[[str, str | bytes], None]
"""Sends a text or bytes to the page of that name; never waits."""


class PageFloor:
    """Who has the floor, what comes in from there, what is heard there.

    send: set before the first page comes in. told: called whenever the floor is taken or free.
    """

    def __init__(self) -> None:
        self.send: Send = lambda _who, _message: None
        self.told: Callable[[bool], None] = lambda _taken: None
        self._lock = threading.Lock()
        self._who: str | None = None
        self._token = ""
        self._rate_hz = SAMPLE_RATE_HZ
        self._blocks: queue.Queue[bytes | None] = queue.Queue(round(_MOST_WAITING_S / _BLOCK_S))
        self._next = 0
        self._lost = 0
        self._reply = 0
        self._heard_to = 0
        self._keys: queue.SimpleQueue[None] = queue.SimpleQueue()

    # --- from the server, never waiting -------------------------------------------------------

    def take(self, who: str, token: str, rate_hz: int) -> bool:
        """Give the floor to a page if it is free, or was the same page's before it came back.

        token: known to that page only. rate_hz: of its sound. Whether it has the floor now.
        """
        if not (SLOWEST_HZ <= rate_hz <= FASTEST_HZ and token):
            return False
        with self._lock:
            if self._who not in (None, who):
                if not secrets.compare_digest(token.encode(), self._token.encode()):
                    return False
                self._put(None)  # that was another connection
            self._who, self._token, self._rate_hz = who, token, rate_hz
            self._next = 0
        self.told(True)
        return True

    def leave(self, who: str) -> None:
        """The page gives the floor up, or is gone."""
        with self._lock:
            if self._who != who:
                return
            self._who = None
        self._put(None)
        self.told(False)

    def sound(self, who: str, block: bytes) -> bool:
        """A block: its number as four bytes, then samples, 16 bits, little end first.

        Passed over if the page has no floor (any more); False if it is no block.
        """
        length = len(block) - 4
        if not 0 < length <= _MOST_BYTES or length % 2:
            return False
        if who != self._who:
            return True
        (number,) = struct.unpack_from("<I", block)
        if number != self._next:
            self._lost += 1  # the page could not send what was between
        self._next = (number + 1) % 2**32
        self._put(block[4:])
        return True

    def played(self, who: str, number: int) -> None:
        """Reply ``number``, and all before it, was heard to its end there."""
        if who == self._who:
            self._heard_to = max(self._heard_to, min(number, self._reply))

    def key(self, who: str) -> None:
        """It was tapped in place of a key."""
        if who == self._who and self._keys.qsize() < 8:
            self._keys.put(None)

    def _put(self, block: bytes | None) -> None:
        try:
            self._blocks.put_nowait(block)
        except queue.Full:
            self._lost += 1

    # --- from the bench -----------------------------------------------------------------------

    @property
    def who(self) -> str | None:
        """The page that has the floor."""
        return self._who

    def microphone(self) -> "PageMicrophone":
        """The sound of the page that has the floor, from now on. Raises MicrophoneError."""
        with self._lock:
            who, rate_hz = self._who, self._rate_hz
        if who is None:
            raise MicrophoneError(NOBODY)
        self._empty()
        return PageMicrophone(self, who, rate_hz)

    def pressed(self) -> str | None:
        """A tap since the last look, as the Keys port has it; it stands for the space bar."""
        try:
            self._keys.get_nowait()
        except queue.Empty:
            return None
        return "space"

    def play(self, samples: NDArray[np.int16], rate_hz: int, stopped: threading.Event) -> None:
        """Have a reply heard on the page; returns when it was, or nobody is there to hear it."""
        who = self._who
        if who is None:
            return
        self._reply += 1
        number = self._reply
        head = struct.pack("<4sII", b"RPLY", number, rate_hz)
        self.send(who, head + samples.astype("<i2").tobytes())
        ends_s = time.monotonic() + len(samples) / rate_hz + _AFTER_S
        while self._who == who and self._heard_to < number and time.monotonic() < ends_s:
            if stopped.wait(_LOOK_S):
                self.send(who, '{"t": "hush"}')
                ends_s = min(ends_s, time.monotonic() + _HUSH_S)
                stopped = threading.Event()

    def release(self, who: str) -> None:
        """Take the floor from a page that gives no sound."""
        with self._lock:
            if self._who == who:
                self._who = None
                freed = True
            else:
                freed = False
        if freed:
            self.send(who, '{"t": "floor", "yours": false}')
            self.told(False)

    @property
    def overflows(self) -> int:
        """How often sound was lost since the program began."""
        return self._lost

    def next_block(self, wait_s: float) -> bytes | None:
        """The next block; None at the end of a page's turn. Raises queue.Empty."""
        return self._blocks.get(timeout=wait_s)

    def _empty(self) -> list[bytes]:
        """What waited, taken out."""
        waited: list[bytes] = []
        while True:
            try:
                block = self._blocks.get_nowait()
            except queue.Empty:
                return waited
            if block is not None:
                waited.append(block)

    def drop_waiting(self) -> int:
        """Samples that waited, dropped."""
        return sum(len(block) // 2 for block in self._empty())


class PageMicrophone:
    """The sound of one page as an AudioSource; made by ``PageFloor.microphone``."""

    def __init__(self, floor: PageFloor, who: str, rate_hz: int) -> None:
        self._floor, self._who, self._rate_hz = floor, who, rate_hz
        self._place = f"page on {who.split()[0]}"
        self._overflows_before = floor.overflows
        self._left_over = np.zeros(0, np.float32)
        self._open = True
        self._converter: Any = None
        if rate_hz != SAMPLE_RATE_HZ:
            soxr = importlib.import_module("soxr")
            self._converter = soxr.ResampleStream(rate_hz, SAMPLE_RATE_HZ, 1, dtype="float32")

    @property
    def name(self) -> str:
        """Where the page is: its address in the network."""
        return self._place

    @property
    def overflows(self) -> int:
        """How often sound was lost on the way."""
        return self._floor.overflows - self._overflows_before

    def frames(self) -> Iterator[Samples]:
        """Frames of FRAME_SAMPLES until ``close``.

        Raises MicrophoneError when the page is gone or silent; the floor is then free.
        """
        heard_s = time.monotonic()
        while self._open:
            try:
                block = self._floor.next_block(_WAIT_S)
            except queue.Empty:
                if self._floor.who == self._who and time.monotonic() - heard_s > _DEAD_S:
                    self._floor.release(self._who)
                    raise MicrophoneError(
                        f"No sound comes in from the {self._place}: look at it and at the network."
                    ) from None
                block = None
            if block is None:
                if self._floor.who != self._who:
                    raise MicrophoneError(f"The {self._place} has gone. {NOBODY}")
                continue
            heard_s = time.monotonic()
            line = np.concatenate([self._left_over, self._converted(block)])
            whole = len(line) // FRAME_SAMPLES * FRAME_SAMPLES
            self._left_over = line[whole:]
            for first in range(0, whole, FRAME_SAMPLES):
                yield line[first : first + FRAME_SAMPLES]

    def drop_waiting(self) -> float:
        """Drop what came in and was not read yet; seconds of it."""
        samples = len(self._left_over)
        self._left_over = np.zeros(0, np.float32)
        return samples / SAMPLE_RATE_HZ + self._floor.drop_waiting() / self._rate_hz

    def close(self) -> None:
        """Listen to it no more; calling it twice does no harm."""
        self._open = False

    def _converted(self, block: bytes) -> NDArray[np.float32]:
        samples = np.frombuffer(block, "<i2").astype(np.float32) / 32768.0
        if self._converter is None:
            return samples
        return np.asarray(self._converter.resample_chunk(samples), np.float32)
