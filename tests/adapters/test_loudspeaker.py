"""Replies and tones made heard: in order, cut short at once, failures told once."""

import sys
import threading
import time
import wave
from pathlib import Path

import numpy as np
import pytest

from assistant.adapters.sound.loudspeaker import (
    LoudSpeaker,
    Sound,
    check_output,
    play_aloud,
    tone_sound,
)
from assistant.bench.ports import Tone
from assistant.errors import SpeakerError

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="player programs of Linux")
RATE_HZ = 16_000


def decoded(path: Path) -> tuple[Sound, int]:
    with wave.open(str(path)) as wav:
        return np.frombuffer(wav.readframes(wav.getnframes()), "<i2"), wav.getframerate()


class FakeVoice:
    """As many samples as the text has letters, all of one height."""

    height = 1000

    def sound(self, text: str) -> tuple[Sound, int]:
        return np.full(len(text), self.height, np.int16), RATE_HZ

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        self.height = volume_percent * 10

    def close(self) -> None:
        self.height = 0


class FakeOutput:
    """Keeps what was played; ``hold`` makes it play on until it is stopped or let go."""

    def __init__(self) -> None:
        self.played: list[Sound] = []
        self.let_go = threading.Event()
        self.let_go.set()
        self.stopped_at: list[bool] = []
        self.fails = False

    def __call__(self, samples: Sound, rate_hz: int, stopped: threading.Event) -> None:
        if self.fails:
            raise SpeakerError("the cable is out")
        self.played.append(samples)
        while not self.let_go.wait(0.001) and not stopped.is_set():
            pass
        self.stopped_at.append(stopped.is_set())


def quiet_again(speaker: LoudSpeaker) -> None:
    deadline = time.monotonic() + 5
    while speaker.speaking:
        assert time.monotonic() < deadline
        time.sleep(0.001)


def test_replies_are_heard_in_order_and_say_returns_at_once() -> None:
    output = FakeOutput()
    output.let_go.clear()
    speaker = LoudSpeaker(FakeVoice(), play=output)
    speaker.say("one")
    speaker.say("three")
    assert speaker.speaking
    output.let_go.set()
    quiet_again(speaker)
    assert [len(samples) for samples in output.played] == [3, 5]
    speaker.close()
    speaker.close()


def test_a_reply_is_cut_short_and_what_waits_is_dropped_but_the_next_is_heard() -> None:
    output = FakeOutput()
    output.let_go.clear()
    speaker = LoudSpeaker(FakeVoice(), play=output)
    speaker.stop()  # nothing under way: no harm
    speaker.say("one")
    speaker.say("three")
    speaker.stop()
    quiet_again(speaker)
    assert [len(samples) for samples in output.played] in ([3], [])
    assert not output.let_go.is_set()
    output.let_go.set()
    speaker.say("seven")
    speaker.close()
    assert len(output.played[-1]) == 5


def test_nothing_to_say_plays_nothing() -> None:
    output = FakeOutput()
    speaker = LoudSpeaker(FakeVoice(), tones=False, play=output)
    speaker.say("")
    speaker.say("", tone=Tone.HEARD)
    assert not speaker.speaking
    assert output.played == []


def test_a_tone_comes_before_the_words_and_follows_the_volume() -> None:
    output = FakeOutput()
    speaker = LoudSpeaker(FakeVoice(), play=output)
    speaker.say("one", tone=Tone.HEARD)
    speaker.set_voice(volume_percent=50, words_per_minute=170)
    speaker.say("one", tone=Tone.HEARD)
    speaker.close()
    loud, soft = output.played
    assert list(loud[-3:]) == [1000] * 3
    assert list(soft[-3:]) == [500] * 3
    assert np.abs(soft[:-3]).max() == pytest.approx(np.abs(loud[:-3]).max() / 2, rel=0.01)


@pytest.mark.parametrize(("tone", "pitch_hz"), [(Tone.HEARD, 880), (Tone.TROUBLE, 330)])
def test_a_tone_is_short_soft_and_of_its_pitch(tone: Tone, pitch_hz: int) -> None:
    sound = tone_sound(tone, RATE_HZ) / 32768
    assert len(sound) / RATE_HZ < 0.4
    assert 0.05 < np.abs(sound).max() < 0.2
    assert abs(sound[0]) < 0.001
    power = np.abs(np.fft.rfft(sound, 1 << 16))
    assert power.argmax() * RATE_HZ / (1 << 16) == pytest.approx(pitch_hz, rel=0.05)


def test_tones_differ() -> None:
    assert len({tone_sound(tone, RATE_HZ).tobytes() for tone in Tone}) == len(Tone)


def test_a_reply_that_could_not_be_played_is_told() -> None:
    output = FakeOutput()
    output.fails = True
    speaker = LoudSpeaker(FakeVoice(), play=output)
    speaker.say("one")
    quiet_again(speaker)
    with pytest.raises(SpeakerError, match="cable"):
        speaker.say("three")
    with pytest.raises(SpeakerError, match="cable"):
        speaker.say("three")  # now at once, not by the next one
    output.fails = False
    speaker.say("seven")
    speaker.close()
    assert [len(samples) for samples in output.played] == [5]


def fake_program(folder: Path, name: str, script: str) -> None:
    program = folder / name
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)


@pytest.fixture
def no_portaudio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No PortAudio, and a PATH with nothing but the folder that is returned."""
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    folder = tmp_path / "programs"
    folder.mkdir()
    monkeypatch.setenv("PATH", str(folder))
    return folder


@linux_only
def test_without_portaudio_a_player_program_plays(no_portaudio: Path, tmp_path: Path) -> None:
    fake_program(no_portaudio, "aplay", f'/bin/cp "$2" {tmp_path}/heard.wav')
    samples = (np.sin(np.arange(8000) / 5) * 9000).astype(np.int16)
    play_aloud(samples, 16_000, threading.Event())
    heard, rate_hz = decoded(tmp_path / "heard.wav")
    assert rate_hz == 16_000
    assert np.array_equal(heard, samples)


@linux_only
def test_a_player_that_fails_makes_room_for_the_next_one(
    no_portaudio: Path, tmp_path: Path
) -> None:
    fake_program(no_portaudio, "aplay", "echo 'no sound card' >&2; exit 1")
    fake_program(no_portaudio, "paplay", f'/bin/cp "$1" {tmp_path}/heard.wav')
    play_aloud(np.ones(800, np.int16), 16_000, threading.Event())
    assert len(decoded(tmp_path / "heard.wav")[0]) == 800
    (no_portaudio / "paplay").unlink()
    with pytest.raises(SpeakerError, match=r"aplay: no sound card\).*libportaudio2"):
        play_aloud(np.ones(800, np.int16), 16_000, threading.Event())


@linux_only
@pytest.mark.usefixtures("no_portaudio")
def test_where_nothing_can_play_the_way_out_is_named() -> None:
    with pytest.raises(SpeakerError, match=r"Nothing here can play .*libportaudio2.*--mute"):
        LoudSpeaker(FakeVoice()).say("hello")
    with pytest.raises(SpeakerError, match="Nothing here can play"):
        check_output()


@linux_only
def test_a_player_program_counts_as_an_output(no_portaudio: Path) -> None:
    fake_program(no_portaudio, "paplay", "exit 0")
    assert check_output() == "paplay"


@linux_only
def test_a_player_program_is_ended_when_the_reply_is_cut_short(
    no_portaudio: Path,
) -> None:
    fake_program(no_portaudio, "aplay", "exec /bin/sleep 60")
    stopped = threading.Event()
    threading.Timer(0.1, stopped.set).start()
    began = time.monotonic()
    play_aloud(np.ones(16_000 * 60, np.int16), 16_000, stopped)
    assert time.monotonic() - began < 10
