"""The microphone, against a stand-in for the sound library whose devices can be pulled out."""

import sys
import threading
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

from assistant.adapters.sound import microphone
from assistant.adapters.sound.microphone import Microphone, look_again
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ
from assistant.errors import AudioError, MicrophoneError


class FakePortAudioError(Exception):
    pass


class FakeStream:
    def __init__(self, library: "FakeSoundDevice", **settings: Any) -> None:
        if library.busy:
            raise FakePortAudioError("Device unavailable")
        self.settings = settings
        self.active = False
        self.closed = 0

    def start(self) -> None:
        self.active = True

    def close(self) -> None:
        self.active = False
        self.closed += 1

    def give(self, block: Any, *, overflow: bool = False) -> None:
        """One call of PortAudio's thread."""
        status = SimpleNamespace(input_overflow=overflow)
        self.settings["callback"](
            np.asarray(block, np.float32).reshape(-1, 1), len(block), 0, status
        )


class FakeSoundDevice(ModuleType):
    PortAudioError = FakePortAudioError

    def __init__(
        self, devices: list[dict[str, Any]], *, rates: tuple[int, ...] = (16_000,)
    ) -> None:
        super().__init__("sounddevice")
        self.devices = devices
        self.rates = rates
        self.busy = False
        self.streams: list[FakeStream] = []
        self.default = SimpleNamespace(device=(1, 0))
        self.started = True
        self.plugged_in: list[dict[str, Any]] = []

    def _terminate(self) -> None:
        self.started = False

    def _initialize(self) -> None:
        self.started = True
        self.devices = [*self.devices, *self.plugged_in]

    def query_devices(self, device: int | str | None = None, kind: str | None = None) -> Any:
        if kind is None:
            return self.devices
        inputs = [d for d in self.devices if d["max_input_channels"] > 0]
        if device is None and inputs:
            return inputs[0]
        for found in inputs:
            if device in (found["index"], found["name"]):
                return found
        if device is None:
            raise FakePortAudioError("Error querying device -1")
        raise ValueError(f"No input device matching {device!r}")

    def check_input_settings(self, *, device: Any, channels: int, samplerate: int) -> None:
        if samplerate not in self.rates:
            raise FakePortAudioError("Invalid sample rate")

    def InputStream(self, **settings: Any) -> FakeStream:  # noqa: N802 - the library's name
        self.streams.append(FakeStream(self, **settings))
        return self.streams[-1]


DEVICES = [
    {"name": "Speakers", "index": 0, "max_input_channels": 0, "default_samplerate": 48_000.0},
    {"name": "Bench headset", "index": 1, "max_input_channels": 1, "default_samplerate": 48_000.0},
    {"name": "Webcam", "index": 2, "max_input_channels": 2, "default_samplerate": 44_100.0},
]


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> FakeSoundDevice:
    fake = FakeSoundDevice(DEVICES)
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    return fake


def test_blocks_of_any_length_come_out_as_whole_frames_without_a_lost_sample(
    library: FakeSoundDevice,
) -> None:
    source = Microphone()
    sound = np.random.default_rng(1).uniform(-0.5, 0.5, 10 * FRAME_SAMPLES).astype(np.float32)
    for block in np.split(sound, [100, 260, 420, 1000]):
        library.streams[0].give(block)
    frames = source.frames()
    got = np.concatenate([next(frames) for _ in range(10)])
    assert np.array_equal(got, sound)
    assert source.overflows == 0


def test_what_a_driver_sends_that_is_no_number_or_too_loud_does_no_harm(
    library: FakeSoundDevice,
) -> None:
    source = Microphone()
    block = np.full(FRAME_SAMPLES, 0.25, np.float32)
    block[:4] = np.nan, np.inf, -np.inf, 7.0
    library.streams[0].give(block)
    frame = next(source.frames())
    assert list(frame[:5]) == [0.0, 0.0, 0.0, 1.0, 0.25]


def test_it_asks_for_what_the_house_needs(library: FakeSoundDevice) -> None:
    source = Microphone("Webcam")
    settings = library.streams[0].settings
    assert source.name == "Webcam"
    assert (settings["channels"], settings["samplerate"], settings["dtype"]) == (
        1,
        SAMPLE_RATE_HZ,
        "float32",
    )
    assert settings["blocksize"] == FRAME_SAMPLES


def test_the_callback_keeps_a_copy_since_portaudio_uses_its_buffer_again(
    library: FakeSoundDevice,
) -> None:
    source = Microphone()
    buffer = np.full(FRAME_SAMPLES, 0.25, np.float32)
    library.streams[0].give(buffer)
    buffer[:] = 0.0
    assert np.all(next(source.frames()) == np.float32(0.25))


def test_a_device_with_another_rate_is_converted(monkeypatch: pytest.MonkeyPatch) -> None:
    fake = FakeSoundDevice(DEVICES, rates=(48_000,))
    monkeypatch.setitem(sys.modules, "sounddevice", fake)
    source = Microphone()
    assert fake.streams[0].settings["samplerate"] == 48_000
    tone = 0.4 * np.sin(2 * np.pi * 440 * np.arange(48_000) / 48_000)
    for block in np.split(tone, 100):
        fake.streams[0].give(block)
    frames = source.frames()
    got = np.concatenate([next(frames) for _ in range(90)])
    spectrum = np.abs(np.fft.rfft(got[1600:14_400]))
    assert np.argmax(spectrum) * SAMPLE_RATE_HZ / 12_800 == pytest.approx(440, abs=1.3)
    assert np.max(np.abs(got[1600:])) == pytest.approx(0.4, abs=0.01)


def test_lost_sound_is_counted(library: FakeSoundDevice) -> None:
    source = Microphone()
    library.streams[0].give(np.zeros(FRAME_SAMPLES))
    library.streams[0].give(np.zeros(FRAME_SAMPLES), overflow=True)
    assert source.overflows == 1


def test_a_full_queue_loses_sound_instead_of_stopping_portaudio(
    library: FakeSoundDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(microphone, "_LONGEST_QUEUE_S", 0.05)
    source = Microphone()
    for _ in range(8):
        library.streams[0].give(np.zeros(FRAME_SAMPLES))
    assert source.overflows == 3


def test_sound_that_waited_is_dropped_and_counted(library: FakeSoundDevice) -> None:
    source = Microphone()
    for _ in range(30):
        library.streams[0].give(np.full(FRAME_SAMPLES, 0.3))
    assert source.drop_waiting() == pytest.approx(0.3)
    library.streams[0].give(np.full(FRAME_SAMPLES, 0.1))
    assert np.all(next(source.frames()) == np.float32(0.1))


def test_a_device_that_is_pulled_out_is_told_and_another_try_works(
    library: FakeSoundDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(microphone, "_WAIT_S", 0.01)
    source = Microphone()
    frames = source.frames()
    library.streams[0].give(np.zeros(FRAME_SAMPLES))
    next(frames)
    library.streams[0].active = False
    with pytest.raises(MicrophoneError, match="Bench headset gives no sound any more"):
        next(frames)
    source.close()
    again = Microphone()
    library.streams[1].give(np.full(FRAME_SAMPLES, 0.2))
    assert np.all(next(again.frames()) == np.float32(0.2))


def test_a_device_that_falls_silent_without_a_word_is_noticed(
    library: FakeSoundDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(microphone, "_WAIT_S", 0.01)
    monkeypatch.setattr(microphone, "_DEAD_S", 0.05)
    with pytest.raises(MicrophoneError, match="plug"):
        next(Microphone().frames())


def test_closing_ends_the_frames_from_another_thread(
    library: FakeSoundDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(microphone, "_WAIT_S", 0.01)
    source = Microphone()
    closer = threading.Timer(0.05, source.close)
    closer.start()
    assert list(source.frames()) == []
    closer.join()
    source.close()
    assert library.streams[0].closed == 1


def test_an_unknown_device_is_named_beside_the_known_ones(library: FakeSoundDevice) -> None:
    with pytest.raises(MicrophoneError, match=r"'Lapel'.*Bench headset, Webcam"):
        Microphone("Lapel")


def test_a_busy_device_is_told(library: FakeSoundDevice) -> None:
    library.busy = True
    with pytest.raises(MicrophoneError, match="Device unavailable"):
        Microphone()


def test_a_machine_without_microphone_says_what_else_works(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", FakeSoundDevice(DEVICES[:1]))
    with pytest.raises(MicrophoneError, match="recordings or the keyboard"):
        Microphone()


def test_input_devices_are_listed_with_the_default_first(library: FakeSoundDevice) -> None:
    library.default.device = (2, 0)
    with pytest.raises(MicrophoneError, match="Input devices here: Webcam, Bench headset"):
        Microphone("Line in")


@pytest.mark.parametrize(
    ("platform", "way_out"),
    [("linux", "apt install libportaudio2"), ("darwin", "pip install"), ("plan9", "PortAudio")],
)
def test_a_missing_portaudio_is_one_sentence_with_the_way_out(
    monkeypatch: pytest.MonkeyPatch, platform: str, way_out: str
) -> None:
    def no_library(name: str) -> ModuleType:
        raise OSError("PortAudio library not found")

    monkeypatch.setattr(microphone.importlib, "import_module", no_library)
    monkeypatch.setattr(microphone.sys, "platform", platform)
    with pytest.raises(MicrophoneError, match=way_out) as caught:
        Microphone()
    assert isinstance(caught.value, AudioError)
    assert isinstance(caught.value.__cause__, OSError)


def test_a_missing_package_is_one_sentence_with_the_way_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(MicrophoneError, match="pip install sounddevice"):
        Microphone()


def test_a_microphone_that_was_plugged_in_later_is_found_after_another_look(
    library: FakeSoundDevice,
) -> None:
    library.plugged_in = [{**DEVICES[1], "name": "New microphone", "index": 3}]
    with pytest.raises(MicrophoneError):
        Microphone("New microphone")
    look_again()
    assert library.started
    assert Microphone("New microphone").name == "New microphone"
