"""All that stands for a Speaker keeps its promises: those that ship and those of the tests."""

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from assistant.adapters.sound.loudspeaker import LoudSpeaker
from assistant.adapters.sound.speaker import SilentSpeaker, Sound, VoiceSpeaker, WavSpeaker
from assistant.errors import SpeakerError
from tests.contract.speaker_contract import FailingSpeakerContract, Heard, SpeakerContract
from tests.fakes import FakeSpeaker
from tests.simulation.room import RoomSpeaker

SHORTEST_REPLY_S = 0.25  # a tone alone is shorter


class Card:
    """A sound card that plays at once; ``broken``: its cable is out."""

    def __init__(self) -> None:
        self.replies = 0
        self.broken = False

    def __call__(self, samples: Sound, rate_hz: int, stopped: threading.Event) -> None:
        if self.broken:
            raise SpeakerError("the cable is out")
        if not stopped.is_set():
            self.replies += len(samples) / rate_hz > SHORTEST_REPLY_S


class TestLoudSpeaker(FailingSpeakerContract):
    """With the voice that ships; only the card is a stand-in."""

    @pytest.fixture
    def card(self) -> Card:
        return Card()

    @pytest.fixture
    def speaker(self, card: Card) -> Iterator[LoudSpeaker]:
        speaker = LoudSpeaker(VoiceSpeaker(), play=card)
        yield speaker
        speaker.close()

    @pytest.fixture
    def heard(self, speaker: LoudSpeaker, card: Card) -> Heard:
        def heard() -> int:
            ends = time.monotonic() + 30
            while speaker.speaking and time.monotonic() < ends:
                time.sleep(0.001)
            return card.replies

        return heard

    @pytest.fixture
    def broken(self, card: Card) -> Callable[[bool], None]:
        return lambda on: setattr(card, "broken", on)


class TestWavSpeaker(FailingSpeakerContract):
    @pytest.fixture
    def speaker(self, tmp_path: Path) -> WavSpeaker:
        return WavSpeaker(tmp_path / "replies", VoiceSpeaker())

    @pytest.fixture
    def heard(self, speaker: WavSpeaker) -> Heard:
        return lambda: len(speaker.paths)

    @pytest.fixture
    def broken(self, speaker: WavSpeaker, tmp_path: Path) -> Callable[[bool], None]:
        folder = tmp_path / "replies"
        return lambda on: shutil.rmtree(folder) if on else folder.mkdir()

    def test_every_reply_is_a_file_of_its_own(self, speaker: WavSpeaker) -> None:
        speaker.say("one")
        speaker.say("two")
        assert [path.name for path in speaker.paths] == ["001.wav", "002.wav"]
        assert all(path.stat().st_size > 44 for path in speaker.paths)


class TestSilentSpeaker(SpeakerContract):
    @pytest.fixture
    def speaker(self) -> SilentSpeaker:
        return SilentSpeaker()

    @pytest.fixture
    def heard(self, speaker: SilentSpeaker) -> Heard:
        return lambda: len(speaker.said)


class TestFakeSpeaker(FailingSpeakerContract):
    @pytest.fixture
    def speaker(self) -> FakeSpeaker:
        return FakeSpeaker()

    @pytest.fixture
    def heard(self, speaker: FakeSpeaker) -> Heard:
        return lambda: len(speaker.said)

    @pytest.fixture
    def broken(self, speaker: FakeSpeaker) -> Callable[[bool], None]:
        return lambda on: setattr(speaker, "broken", on)


class StillRoom:
    """As much of a simulated room as its loudspeaker needs; time goes by when it is let."""

    def __init__(self) -> None:
        self.now_s = self.until_s = 0.0
        self.played: list[str] = []

    @property
    def bench_speaks(self) -> bool:
        return self.now_s < self.until_s

    def play(self, text: str, sound: Sound) -> None:
        self.until_s = max(self.now_s, self.until_s) + len(sound) / 16_000
        self.played.append(text)

    def hush(self) -> None:
        self.until_s = self.now_s

    def let_time_go_by(self) -> int:
        self.now_s = max(self.now_s, self.until_s)
        return sum(bool(text) for text in self.played)


class TestRoomSpeaker(SpeakerContract):
    """The loudspeaker of the simulation that measures whole sessions."""

    @pytest.fixture
    def room(self) -> StillRoom:
        return StillRoom()

    @pytest.fixture
    def speaker(self, room: StillRoom) -> RoomSpeaker:
        def voice(text: str) -> tuple[Sound, int]:
            return np.full(1600 * len(text.split()), 1000, np.int16), 16_000

        return RoomSpeaker(room, voice)  # type: ignore[arg-type]

    @pytest.fixture
    def heard(self, room: StillRoom) -> Heard:
        return room.let_time_go_by
