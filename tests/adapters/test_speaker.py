"""Voice out: wav that can be decoded, the bundled voice, a clear sentence where there is none."""

import os
import subprocess
import sys
import threading
import wave
from pathlib import Path

import espeakng_loader
import numpy as np
import pytest

from assistant.adapters.sound import speaker
from assistant.adapters.sound.speaker import (
    SilentSpeaker,
    Sound,
    VoiceSpeaker,
    WavSpeaker,
)
from assistant.errors import SpeakerError

REPLY = "Cylinder one, top ring. Take two and a half thou, then deburr and try fifteen."
WORDS = 15

linux_only = pytest.mark.skipif(sys.platform != "linux", reason="the bundled library is for Linux")


def decoded(path: Path) -> tuple[Sound, int]:
    with wave.open(str(path)) as wav:
        assert (wav.getnchannels(), wav.getsampwidth()) == (1, 2)
        return np.frombuffer(wav.readframes(wav.getnframes()), "<i2"), wav.getframerate()


def in_a_fresh_process(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.fixture
def no_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    """As in a new process that has not spoken yet."""
    monkeypatch.setattr(speaker, "_engine", None)


def test_a_saved_reply_is_speech_of_the_right_length_and_level(tmp_path: Path) -> None:
    path = tmp_path / "reply.wav"
    VoiceSpeaker(words_per_minute=170).save(REPLY, path)
    samples, rate_hz = decoded(path)
    seconds = len(samples) / rate_hz
    # "words per minute" of speech engines counts words of ordinary text: a coarse check.
    assert 0.6 < seconds / (WORDS * 60 / 170) < 1.6
    level = np.abs(samples.astype(float)) / 32768
    assert 0.2 < level.max() <= 1.0
    assert (level > 0.02).mean() > 0.2, "mostly silence"
    # Speech, not a tone or noise: most of its energy is below 4 kHz and not all at one frequency.
    power = np.abs(np.fft.rfft(samples)) ** 2
    hertz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    assert power[hertz < 4000].sum() > 0.8 * power.sum()
    assert power.max() < 0.1 * power.sum()


def test_saving_again_and_again_gives_the_whole_sentence_each_time(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    voice = VoiceSpeaker()
    lengths = []
    for number in range(8):
        voice.save(REPLY, tmp_path / f"{number}.wav")
        lengths.append(len(decoded(tmp_path / f"{number}.wav")[0]))
    assert max(lengths) - min(lengths) < 0.02 * max(lengths)
    voice.save("Hi.", tmp_path / "short.wav")
    assert 0 < len(decoded(tmp_path / "short.wav")[0]) < 0.4 * min(lengths)
    assert capfd.readouterr() == ("", "")  # the driver is kept from printing


def test_a_faster_voice_is_shorter() -> None:
    for _ in range(5):  # a lost setting shows now and then only
        slow, _ = VoiceSpeaker(words_per_minute=100).sound(REPLY)
        fast, _ = VoiceSpeaker(words_per_minute=300).sound(REPLY)
        assert 2 < len(slow) / len(fast) < 4


@pytest.mark.parametrize("wpm", [79, 401, 0, -170])
def test_a_speed_out_of_range_is_refused(wpm: int) -> None:
    with pytest.raises(SpeakerError, match=f"{wpm} words a minute.* 80 to 400"):
        VoiceSpeaker(words_per_minute=wpm)


def test_hostile_text_is_only_spoken(tmp_path: Path) -> None:
    voice = VoiceSpeaker()
    plain, _ = voice.sound("ring nine")
    odd, _ = voice.sound("ring\x00\x1b[31m nine <audio src='x'/> ' \" $(touch x) `y`")
    assert len(odd) > len(plain)
    with pytest.raises(SpeakerError, match="2001 characters is too long"):
        voice.sound("a" * 2001)


def test_threads_may_speak_at_the_same_time() -> None:
    voice = VoiceSpeaker()
    lengths: list[int] = []
    threads = [
        threading.Thread(target=lambda: lengths.append(len(voice.sound(REPLY)[0])))
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(lengths) == 4
    assert max(lengths) - min(lengths) < 0.02 * max(lengths)


def test_a_closed_voice_says_so_and_may_be_closed_twice() -> None:
    voice = VoiceSpeaker()
    voice.close()
    voice.close()
    with pytest.raises(SpeakerError, match="closed"):
        voice.sound("hello")
    assert VoiceSpeaker().sound("hello")[0].size  # another one is not touched


@linux_only
def test_an_unknown_voice_is_refused_and_the_next_reply_works() -> None:
    with pytest.raises(SpeakerError, match=r"The voice failed: .*no-such-voice"):
        VoiceSpeaker(voice="no-such-voice").sound("hello")
    assert VoiceSpeaker().sound("hello")[0].size


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(SpeakerError, match=r"cannot be written to .*none.* use --mute"):
        VoiceSpeaker().save("hello", tmp_path / "none" / "reply.wav")
    (tmp_path / "file").write_text("")
    with pytest.raises(SpeakerError, match="cannot be made"):
        WavSpeaker(tmp_path / "file" / "folder", VoiceSpeaker())


def test_replies_are_numbered_in_their_order(tmp_path: Path) -> None:
    replies = WavSpeaker(tmp_path / "replies", VoiceSpeaker())
    replies.say("one")
    replies.say("two and a half thou")
    replies.close()
    assert [path.name for path in replies.paths] == ["001.wav", "002.wav"]
    first, second = (decoded(path)[0] for path in replies.paths)
    assert 0 < len(first) < len(second)


def test_a_muted_speaker_keeps_what_it_would_have_said() -> None:
    muted = SilentSpeaker()
    muted.say("one")
    muted.close()
    assert muted.said == ["one"]


class Drowsy:
    """An engine that sleeps over what it is told first."""

    def __init__(self, sleeps: int) -> None:
        self.rate, self.told, self._sleeps = 200, 0, sleeps
        self.proxy = self

    def setProperty(self, _name: str, value: int) -> None:  # noqa: N802 - the library's name
        self.told += 1
        if self.told > self._sleeps:
            self.rate = value

    def getProperty(self, _name: str) -> int:  # noqa: N802
        return self.rate

    def setBusy(self, busy: bool) -> None:  # noqa: N802
        self.busy = busy


def test_a_voice_that_sleeps_over_its_speed_is_told_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaker, "_TELL_AGAIN_S", 0.01)
    engine = Drowsy(sleeps=2)
    engine.setProperty("rate", 150)
    speaker._wait_for_rate(engine, 150)
    assert (engine.rate, engine.told, engine.busy) == (150, 3, True)
    monkeypatch.setattr(speaker, "_SYNTHESIS_TIMEOUT_S", 0.05)
    with pytest.raises(TimeoutError, match="170 words a minute"):
        speaker._wait_for_rate(Drowsy(sleeps=10**6), 170)


@linux_only
def test_the_voice_is_the_bundled_one_and_the_process_ends_well() -> None:
    done = in_a_fresh_process(
        "from pathlib import Path\n"
        "from assistant.adapters.sound.speaker import VoiceSpeaker\n"
        "assert VoiceSpeaker().sound('ready')[0].size > 4000\n"
        "maps = Path('/proc/self/maps').read_text().splitlines()\n"
        "print({line.split()[-1] for line in maps if 'libespeak' in line})\n"
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.strip() == str({os.path.realpath(espeakng_loader.get_library_path())})


@linux_only
def test_a_very_long_path_to_the_voice_data_still_works(tmp_path: Path) -> None:
    # eSpeak NG 1.52 keeps 160 bytes of the path and ends the process where it finds no data.
    folder = tmp_path / ("x" * 200)
    folder.mkdir()
    (folder / "espeak-ng-data").symlink_to(espeakng_loader.get_data_path())
    done = in_a_fresh_process(
        "import espeakng_loader\n"
        f"espeakng_loader.get_data_path = lambda: {str(folder / 'espeak-ng-data')!r}\n"
        "from assistant.adapters.sound.speaker import VoiceSpeaker\n"
        "print(VoiceSpeaker().sound('ready')[0].size > 4000)\n"
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "True\n", "")


@linux_only
@pytest.mark.usefixtures("no_engine")
def test_missing_voice_data_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(espeakng_loader, "get_data_path", lambda: str(tmp_path))
    with pytest.raises(SpeakerError, match=r"no voice to speak with: .* use --mute\.$"):
        VoiceSpeaker()


@linux_only
@pytest.mark.usefixtures("no_engine")
def test_a_missing_library_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(espeakng_loader, "get_library_path", lambda: "/none/libespeak-ng.so")
    with pytest.raises(SpeakerError, match=r"no voice to speak with: .* use --mute\.$"):
        VoiceSpeaker()


@pytest.mark.usefixtures("no_engine")
def test_a_missing_pyttsx3_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyttsx3", None)
    with pytest.raises(SpeakerError, match=r"no voice to speak with: .*pyttsx3"):
        VoiceSpeaker()


def test_a_softer_voice_is_lower_by_its_share_and_sounds_the_same() -> None:
    voice = VoiceSpeaker()
    loud, _ = voice.sound(REPLY)
    voice.set_voice(volume_percent=50, words_per_minute=170)
    soft, _ = voice.sound(REPLY)
    assert np.abs(soft).max() == pytest.approx(np.abs(loud).max() / 2, rel=0.05)


@pytest.mark.parametrize("percent", [0, 9, 101])
def test_a_volume_out_of_range_is_refused(percent: int) -> None:
    with pytest.raises(SpeakerError, match="10 to 100"):
        VoiceSpeaker(volume_percent=percent)
