"""The floor of the live page: who has it, what is heard from there and there, over real sockets."""

import json
import struct
import threading
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

from assistant.adapters.page import floor as floors
from assistant.adapters.page.floor import PageFloor, PageMicrophone
from assistant.adapters.sound.loudspeaker import LoudSpeaker
from assistant.adapters.terminal.keys import NoKeys
from assistant.bench.ports import Keys
from assistant.cli.fit import EitherKeys
from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import MicrophoneError
from tests.contract.audio_source_contract import SOUND, FailingSourceContract, LiveSourceContract
from tests.contract.keys_contract import PressedKeysContract
from tests.contract.speaker_contract import Heard, SpeakerContract
from tests.page.test_server import Served, closed_with, told

PHONE, TABLET = "192.0.2.7 1", "192.0.2.8 2"
ONE_FRAME = np.full(FRAME_SAMPLES, 0.25, np.float32)


class Page:
    """A page that sends what is said near it, in blocks that are numbered."""

    def __init__(
        self, floor: PageFloor, who: str = PHONE, *, rate_hz: int = SAMPLE_RATE_HZ
    ) -> None:
        self._floor, self._who = floor, who
        self.number = 0
        self.has_it = floor.take(who, f"token of {who}", rate_hz)

    def give(self, sound: Samples) -> bool:
        """One block, however long."""
        data = struct.pack("<I", self.number) + (sound * 32_768).astype("<i2").tobytes()
        self.number += 1
        return self._floor.sound(self._who, data)


@pytest.fixture
def floor() -> PageFloor:
    return PageFloor()


@pytest.fixture
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence is noticed soon."""
    monkeypatch.setattr(floors, "_DEAD_S", 0.05)
    monkeypatch.setattr(floors, "_WAIT_S", 0.01)


# --- who has it ---------------------------------------------------------------------------------


def test_one_page_has_it_and_the_others_watch(floor: PageFloor) -> None:
    told: list[bool] = []
    floor.told = told.append
    phone, tablet = Page(floor), Page(floor, TABLET)
    assert (phone.has_it, tablet.has_it) == (True, False)
    source = floor.microphone()
    assert tablet.give(-ONE_FRAME)  # passed over
    assert phone.give(ONE_FRAME)
    assert next(source.frames()) == pytest.approx(0.25)
    floor.leave(TABLET)
    assert floor.who == PHONE
    floor.leave(PHONE)
    assert Page(floor, TABLET).has_it
    assert told == [True, False, True]


def test_a_page_that_came_back_takes_it_from_its_own_old_connection(floor: PageFloor) -> None:
    Page(floor)
    source = floor.microphone()
    assert not floor.take("192.0.2.7 3", "token of another", SAMPLE_RATE_HZ)
    assert floor.take("192.0.2.7 3", f"token of {PHONE}", SAMPLE_RATE_HZ)
    floor.leave(PHONE)  # the old connection ends late, and changes nothing
    assert floor.who == "192.0.2.7 3"
    with pytest.raises(MicrophoneError, match="has gone"):
        list(source.frames())
    assert floor.microphone().name == "page on 192.0.2.7"


@pytest.mark.parametrize(("token", "rate_hz"), [("", 16_000), ("x", 7_999), ("x", 96_001)])
def test_a_rate_or_a_token_that_no_page_of_ours_has_is_refused(
    floor: PageFloor, token: str, rate_hz: int
) -> None:
    assert not floor.take(PHONE, token, rate_hz)
    with pytest.raises(MicrophoneError, match="Talk from here"):
        floor.microphone()


# --- what is heard from there -------------------------------------------------------------------


@pytest.mark.parametrize("data", [b"", b"\0" * 4, b"\0" * 5, b"\0" * 7, b"\0" * 16_006])
def test_what_is_no_block_is_told(floor: PageFloor, data: bytes) -> None:
    Page(floor)
    assert not floor.sound(PHONE, data)


def test_blocks_that_are_missing_are_noticed(floor: PageFloor) -> None:
    page = Page(floor)
    source = floor.microphone()
    for _ in range(3):
        page.give(ONE_FRAME)
    assert source.overflows == 0
    page.number += 40  # the network was too slow for them
    page.give(ONE_FRAME)
    assert source.overflows == 1


def test_sound_that_nobody_takes_is_bounded_and_its_loss_noticed(floor: PageFloor) -> None:
    page = Page(floor)
    source = floor.microphone()
    for _ in range(4000):
        assert page.give(ONE_FRAME[:8])
    assert source.overflows == 1000
    assert source.drop_waiting() == pytest.approx(3000 * 8 / SAMPLE_RATE_HZ)


@pytest.mark.usefixtures("soon")
def test_a_page_that_falls_silent_is_a_lost_microphone_and_the_floor_is_free(
    floor: PageFloor,
) -> None:
    sent: list[tuple[str, str | bytes]] = []
    floor.send = lambda who, message: sent.append((who, message))
    page = Page(floor)
    source = floor.microphone()
    page.give(ONE_FRAME)
    with pytest.raises(MicrophoneError, match="No sound comes in from the page on 192"):
        list(source.frames())
    assert sent == [(PHONE, '{"t": "floor", "yours": false}')]
    assert Page(floor).has_it  # it may ask again
    assert floor.microphone().drop_waiting() == 0.0


def test_sound_at_another_rate_is_converted_while_it_runs(floor: PageFloor) -> None:
    # A pure tone keeps its frequency: the highest line of its spectrum (numpy's FFT) stays there.
    page = Page(floor, rate_hz=48_000)
    source = floor.microphone()
    at_s = np.arange(48_000) / 48_000
    for block in np.split(0.5 * np.sin(2 * np.pi * 1000 * at_s), 50):
        page.give(block.astype(np.float32))
    stream = source.frames()
    heard = np.concatenate([next(stream) for _ in range(round(0.9 / FRAME_S))])
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    assert np.argmax(spectrum) * SAMPLE_RATE_HZ / len(heard) == pytest.approx(1000, abs=2)
    assert np.abs(heard).max() == pytest.approx(0.5, abs=0.02)


# --- what is heard there ------------------------------------------------------------------------


class Loud:
    """A voice of one second a reply."""

    def sound(self, text: str) -> tuple[np.ndarray[tuple[int], np.dtype[np.int16]], int]:
        return np.full(16_000 * bool(text), 1000, np.int16), 16_000

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None: ...

    def close(self) -> None: ...


class Phone:
    """Takes what is sent to the page that has the floor."""

    def __init__(self, floor: PageFloor) -> None:
        self.sent: list[str | bytes] = []
        self.got = threading.Event()
        floor.send = self._take
        Page(floor)

    def _take(self, who: str, message: str | bytes) -> None:
        assert who == PHONE
        self.sent.append(message)
        self.got.set()


@pytest.fixture
def speaker(floor: PageFloor) -> Iterator[LoudSpeaker]:
    speaker = LoudSpeaker(Loud(), tones=False, play=floor.play)
    yield speaker
    floor.leave(PHONE)
    speaker.close()


def until(true: Callable[[], bool]) -> None:
    ends = time.monotonic() + 20
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.002)


def test_the_bench_speaks_until_the_page_says_that_it_was_heard(
    floor: PageFloor, speaker: LoudSpeaker
) -> None:
    phone = Phone(floor)
    speaker.say("Ground two thou.")
    assert phone.got.wait(20)
    (reply,) = phone.sent
    assert isinstance(reply, bytes)
    assert struct.unpack_from("<4sII", reply) == (b"RPLY", 1, 16_000)
    assert np.frombuffer(reply, "<i2", offset=12).tolist() == [1000] * 16_000
    floor.played(TABLET, 1)  # no page of the floor
    floor.played(PHONE, 0)
    assert speaker.speaking
    floor.played(PHONE, 99)  # no more than was sent
    until(lambda: not speaker.speaking)
    speaker.say("Deburr.")
    until(lambda: len(phone.sent) == 2)
    assert speaker.speaking
    floor.played(PHONE, 2)
    until(lambda: not speaker.speaking)


def test_stopped_it_asks_the_page_to_hush(floor: PageFloor, speaker: LoudSpeaker) -> None:
    phone = Phone(floor)
    speaker.say("A long reply.")
    assert phone.got.wait(20)
    speaker.stop()
    until(lambda: len(phone.sent) == 2)
    assert phone.sent[1] == '{"t": "hush"}'
    floor.played(PHONE, 1)
    until(lambda: not speaker.speaking)


def test_where_nobody_can_hear_it_nothing_waits(floor: PageFloor, speaker: LoudSpeaker) -> None:
    speaker.say("Is anybody there?")
    until(lambda: not speaker.speaking)
    phone = Phone(floor)
    speaker.say("Now there is.")
    assert phone.got.wait(20)
    floor.leave(PHONE)
    until(lambda: not speaker.speaking)


def test_a_page_that_never_says_so_holds_no_reply_for_ever(
    floor: PageFloor, speaker: LoudSpeaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(floors, "_AFTER_S", -0.95)
    phone = Phone(floor)
    speaker.say("Hello.")
    assert phone.got.wait(20)
    until(lambda: not speaker.speaking)


def test_a_tap_there_is_a_key_and_a_flood_of_them_is_not(floor: PageFloor) -> None:
    Page(floor)
    assert floor.pressed() is None
    floor.key(TABLET)
    assert floor.pressed() is None
    for _ in range(500):
        floor.key(PHONE)
    taps = list(iter(floor.pressed, None))
    assert 1 <= len(taps) <= 8
    assert set(taps) == {"space"}


# --- over the network ---------------------------------------------------------------------------


@pytest.fixture
def served(floor: PageFloor) -> Iterator[Served]:
    server = Served(floor=floor)
    floor.send = server.server.send
    try:
        yield server
    finally:
        server.server.close()


def test_sound_goes_in_and_a_reply_comes_out_at_the_page_that_has_the_floor(
    floor: PageFloor, served: Served
) -> None:
    asks = {"t": "take floor", "token": "t1", "rate": SAMPLE_RATE_HZ}
    with served.pair() as phone, served.pair() as tablet:
        phone.send(json.dumps(asks))
        assert told(phone) == {"t": "floor", "yours": True}
        tablet.send(json.dumps({**asks, "token": "t2"}))
        assert told(tablet) == {"t": "floor", "yours": False}
        source = floor.microphone()
        sound = np.linspace(-0.5, 0.5, 2 * FRAME_SAMPLES, dtype=np.float32)
        phone.send(struct.pack("<I", 0) + (sound * 32_768).astype("<i2").tobytes())
        stream = source.frames()
        heard = np.concatenate([next(stream), next(stream)])
        np.testing.assert_allclose(heard, sound, atol=2 / 32_768)
        assert source.name == "page on 127.0.0.1"

        ended = threading.Event()

        def speak() -> None:
            floor.play(np.full(800, 7, np.int16), 16_000, threading.Event())
            ended.set()

        threading.Thread(target=speak, daemon=True).start()
        while not isinstance(reply := phone.recv(timeout=20), bytes):
            pass
        assert reply[:4] == b"RPLY"
        assert len(reply) == 12 + 2 * 800
        phone.send('{"t": "played", "number": 1}')
        assert ended.wait(20)
        served.server.tell("view", '{"t": "view"}')
        assert told(tablet) == {"t": "view"}  # and no sound
    with pytest.raises(MicrophoneError, match="has gone"):
        list(source.frames())
    assert floor.who is None


@pytest.mark.parametrize(
    "asked", [{}, {"token": "t"}, {"token": 5, "rate": 16_000}, {"token": "t", "rate": "16000"}]
)
def test_a_page_that_asks_in_another_way_is_turned_away(
    served: Served, asked: dict[str, object]
) -> None:
    with served.pair() as page:
        page.send(json.dumps({"t": "take floor", **asked}))
        assert closed_with(page) == 4002


def test_a_microphone_that_was_closed_gives_no_more(floor: PageFloor) -> None:
    page = Page(floor)
    source: PageMicrophone = floor.microphone()
    for _ in range(4):
        page.give(ONE_FRAME)
    stream = source.frames()
    next(stream)
    source.close()
    source.close()
    assert len(list(stream)) == 0


# --- the contracts ------------------------------------------------------------------------------


class TestPageMicrophone(LiveSourceContract, FailingSourceContract):
    """Sound that a page sends is a microphone like any other."""

    @pytest.fixture
    def page(self, floor: PageFloor) -> Page:
        return Page(floor)

    @pytest.fixture
    def source(self, floor: PageFloor, page: Page) -> PageMicrophone:
        source = floor.microphone()
        for block in np.split(SOUND, [100, 260, 1000]):
            page.give(block)
        return source

    @pytest.fixture
    def give(self, source: PageMicrophone, page: Page) -> Callable[[Samples], object]:  # type: ignore[override]
        return page.give

    @pytest.fixture
    def take_away(self, source: PageMicrophone, floor: PageFloor) -> Callable[[], None]:
        return lambda: floor.leave(PHONE)


class TestPageAsLoudSpeaker(SpeakerContract):
    """A page that plays every reply in no time. It says so later, as over a network."""

    @pytest.fixture
    def replies(self, floor: PageFloor) -> list[bytes]:
        replies: list[bytes] = []

        def send(who: str, message: str | bytes) -> None:
            if isinstance(message, bytes):
                _, number, rate_hz = struct.unpack_from("<4sII", message)
                if len(message) > 12 + 2 * 0.25 * rate_hz:  # a tone alone is shorter
                    replies.append(message)
                threading.Timer(0.01, lambda: floor.played(who, number)).start()

        floor.send = send
        Page(floor)
        return replies

    @pytest.fixture
    def speaker(self, floor: PageFloor, replies: list[bytes]) -> Iterator[LoudSpeaker]:
        speaker = LoudSpeaker(Loud(), play=floor.play)
        yield speaker
        speaker.close()

    @pytest.fixture
    def heard(self, speaker: LoudSpeaker, replies: list[bytes]) -> Heard:
        def heard() -> int:
            until(lambda: not speaker.speaking)
            return len(replies)

        return heard


class TestPageKeys(PressedKeysContract):
    """Taps on the page, beside a keyboard that nobody touches."""

    @pytest.fixture
    def keys(self, floor: PageFloor) -> Keys:
        Page(floor)
        return EitherKeys(NoKeys(), floor)

    @pytest.fixture
    def press(self, keys: Keys, floor: PageFloor) -> Callable[[], None]:
        return lambda: floor.key(PHONE)
