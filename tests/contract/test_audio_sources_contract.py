"""All that stands for an AudioSource keeps its promises: those that ship and those of the tests."""

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.adapters.sound import microphone
from assistant.adapters.sound.microphone import Microphone
from assistant.adapters.sound.wav_file import WavFile
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import MicrophoneError
from tests.adapters.test_microphone import DEVICES, FakeSoundDevice
from tests.bench.test_turn_taking import World
from tests.cli.test_check import Mic
from tests.contract.audio_source_contract import (
    FRAMES,
    SOUND,
    AudioSourceContract,
    FailingSourceContract,
    LiveSourceContract,
    PatientSourceContract,
)
from tests.ear.test_listener import ListedSource
from tests.fakes import Bench

VALUES = [float(value) for value in SOUND[::FRAME_SAMPLES]]


class TestMicrophone(LiveSourceContract, FailingSourceContract):
    """Only PortAudio is a stand-in."""

    @pytest.fixture
    def library(self, monkeypatch: pytest.MonkeyPatch) -> FakeSoundDevice:
        fake = FakeSoundDevice(DEVICES)
        monkeypatch.setitem(sys.modules, "sounddevice", fake)
        monkeypatch.setattr(microphone, "_WAIT_S", 0.01)
        return fake

    @pytest.fixture
    def source(self, library: FakeSoundDevice) -> Microphone:
        source = Microphone()
        for block in np.split(SOUND, [100, 260, 1000]):
            library.streams[0].give(block)
        return source

    @pytest.fixture
    def give(self, source: Microphone, library: FakeSoundDevice) -> Callable[[Samples], None]:
        return library.streams[0].give

    @pytest.fixture
    def take_away(self, source: Microphone, library: FakeSoundDevice) -> Callable[[], None]:
        return library.streams[0].close


class TestSlowMicrophone(AudioSourceContract):
    """A device with a rate of its own: what comes out is in time, if not sample by sample."""

    @pytest.fixture
    def source(self, monkeypatch: pytest.MonkeyPatch) -> Microphone:
        fake = FakeSoundDevice(DEVICES, rates=(48_000,))
        monkeypatch.setitem(sys.modules, "sounddevice", fake)
        source = Microphone()
        fake.streams[0].give(np.repeat(SOUND, 3))
        fake.streams[0].give(np.zeros(48_000, np.float32))
        return source

    def test_no_sample_is_lost_or_moved(self, source: Microphone) -> None:
        """Apart from the edges between the frames, which no resampler keeps sharp."""
        heard = np.stack(self.frames(source, len(VALUES)))
        middle = slice(FRAME_SAMPLES // 4, -FRAME_SAMPLES // 4)
        wanted = np.broadcast_to(np.array(VALUES)[:, None], heard.shape)
        np.testing.assert_allclose(heard[:, middle], wanted[:, middle], atol=0.01)


@pytest.mark.parametrize("form", ["wav", "flac"], scope="class")
class TestWavFile(PatientSourceContract, FailingSourceContract):
    @pytest.fixture
    def path(self, tmp_path: Path, form: str) -> Path:
        path = tmp_path / f"calls.{form}"
        soundfile.write(path, SOUND, SAMPLE_RATE_HZ, subtype="PCM_16")
        return path

    @pytest.fixture
    def source(self, path: Path) -> WavFile:
        return WavFile(path)

    @pytest.fixture
    def take_away(self, source: WavFile, path: Path) -> Callable[[], None]:
        return path.unlink

    def test_a_short_last_frame_is_filled_up_with_quiet(self, path: Path) -> None:
        soundfile.write(path, SOUND[:-40], SAMPLE_RATE_HZ, subtype="PCM_16")
        last = list(WavFile(path).frames())[-1]
        assert last[:-40] == pytest.approx(0.5, abs=1e-4)
        assert not last[-40:].any()


class TestListedSource(PatientSourceContract):
    @pytest.fixture
    def source(self) -> ListedSource:
        return ListedSource(VALUES)


class TestWorld(PatientSourceContract, FailingSourceContract):
    @pytest.fixture
    def source(self, bench: Bench) -> World:
        return World(bench, list(VALUES))

    @pytest.fixture
    def take_away(self, source: World) -> Callable[[], None]:
        return lambda: source.steps.insert(0, MicrophoneError("it was pulled out"))


class TestMic(AudioSourceContract):
    """The microphone of the tests of ``check``: it makes its own sound, the same every time."""

    @pytest.fixture
    def source(self) -> Mic:
        return Mic()

    def test_no_sample_is_lost_or_moved(self, source: Mic) -> None:
        assert np.array_equal(self.frames(source, FRAMES), self.frames(Mic(), FRAMES))
