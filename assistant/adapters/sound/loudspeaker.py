"""Replies and tones made heard: PortAudio, else a player program of the system.

A reply is made in the caller's thread (the voices of some systems want the main one) and played in
another, so that the bench can go on listening for a key while it speaks.
"""

import contextlib
import queue
import shutil
import subprocess  # fixed programs, no shell
import tempfile
import threading
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from assistant.bench.ports import Tone
from assistant.errors import SpeakerError

Sound = NDArray[np.int16]
Play = Callable[[Sound, int, threading.Event], None]
"""Plays mono samples at a rate in Hz; returns when they have been heard, or soon after the event
is set. Raises SpeakerError."""

_PLAYERS = (("aplay", "-q"), ("paplay",), ("pw-play",))
_NOTHING_PLAYS = (
    "Nothing here can play sound ({reason}). Install PortAudio (Debian: libportaudio2) and plug in "
    "a loudspeaker, or use --mute."
)
_LOOK_S = 0.01
_LONGEST_CLOSE_S = 60.0
_TONES_HZ = {Tone.HEARD: (880.0,), Tone.AGAIN: (587.0, 440.0), Tone.TROUBLE: (330.0, 330.0, 330.0)}
_TONE_S = 0.07
_TONE_PEAK = 0.12  # soft: about 18 dB under full scale
_AFTER_TONE_S = 0.05


class Voice(Protocol):
    """Makes sound of text."""

    def sound(self, text: str) -> tuple[Sound, int]:
        """``text`` as samples and their rate in Hz; empty text gives none. Raises SpeakerError."""

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        """How to sound from the next text on. Raises SpeakerError."""

    def close(self) -> None:
        """Let go of the voice."""


class LoudSpeaker:
    """A Speaker that is heard. tones: whether tones are sounded. play: what makes samples heard.

    A reply that fails while it is played is told by the next ``say``; after a failure ``say`` waits
    for the end, until one reply is heard again.
    """

    def __init__(self, voice: Voice, *, tones: bool = True, play: Play | None = None) -> None:
        self._voice = voice
        self._tones = tones
        self._play = play or play_aloud
        self._ready = play is not None
        self._volume = 1.0
        self._waiting: queue.Queue[tuple[Sound, int] | None] = queue.Queue()
        self._under_way = 0
        self._lock = threading.Lock()
        self._stopped = threading.Event()
        self._failure: SpeakerError | None = None
        self._heard_well = True
        self._worker: threading.Thread | None = None

    def say(self, text: str, *, tone: Tone | None = None) -> None:
        """Begin to speak ``text`` after ``tone``; returns at once when it has been made.

        Raises SpeakerError if it cannot be made, or if an earlier reply could not be played.
        """
        self._raise_failure()
        if not self._ready:
            check_output()
            self._ready = True
        samples, rate_hz = self._voice.sound(text)
        if tone is not None and self._tones:
            samples = np.concatenate([tone_sound(tone, rate_hz, volume=self._volume), samples])
        if not samples.size:
            return
        if self._worker is None:
            self._worker = threading.Thread(target=self._work, name="loudspeaker", daemon=True)
            self._worker.start()
        with self._lock:
            if not self._under_way:
                self._stopped.clear()
            self._under_way += 1
        self._waiting.put((samples, rate_hz))
        if not self._heard_well:
            self._waiting.join()
            self._raise_failure()

    def _raise_failure(self) -> None:
        failure, self._failure = self._failure, None
        if failure is not None:
            self._heard_well = False
            raise failure

    @property
    def speaking(self) -> bool:
        """Whether something is still to be heard."""
        return self._under_way > 0

    def stop(self) -> None:
        """Fall silent at once; what was still to be said is dropped."""
        with self._lock:
            if self._under_way:
                self._stopped.set()

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        """How to sound from the next reply on; tones follow the volume. Raises SpeakerError."""
        self._voice.set_voice(volume_percent=volume_percent, words_per_minute=words_per_minute)
        self._volume = volume_percent / 100

    def close(self) -> None:
        """Finish what is being said and let go of the voice; calling it twice does no harm."""
        worker, self._worker = self._worker, None
        if worker is not None:
            self._waiting.put(None)
            worker.join(_LONGEST_CLOSE_S)
        self._voice.close()

    def _work(self) -> None:
        while (item := self._waiting.get()) is not None:
            if not self._stopped.is_set():
                try:
                    self._play(*item, self._stopped)
                    self._heard_well = True
                except SpeakerError as error:
                    self._failure = error
            with self._lock:
                self._under_way -= 1
            self._waiting.task_done()


def tone_sound(tone: Tone, rate_hz: int, *, volume: float = 1.0) -> Sound:
    """A tone and a short quiet after it, int16 samples (n,); soft ends, so that it never clicks."""
    count = round(_TONE_S * rate_hz)
    swell = np.sin(np.pi * np.arange(count) / count) ** 2
    quiet = np.zeros(round(_AFTER_TONE_S * rate_hz))
    parts: list[NDArray[Any]] = []
    for pitch_hz in _TONES_HZ[tone]:
        parts += [swell * np.sin(2 * np.pi * pitch_hz * np.arange(count) / rate_hz), quiet]
    peak = _TONE_PEAK * volume * np.iinfo(np.int16).max
    return (np.concatenate(parts) * peak).astype(np.int16)


def check_output() -> str:
    """What will make replies heard: an output device, or a player program.

    Raises SpeakerError, naming the way out, if there is neither.
    """
    try:
        import sounddevice  # loads PortAudio at import, which may be missing

        return str(sounddevice.query_devices(None, "output")["name"])
    except Exception as exc:  # sounddevice.PortAudioError cannot be named without PortAudio
        reason = f"PortAudio: {exc}"
    for program in _PLAYERS:
        if shutil.which(program[0]):
            return program[0]
    raise SpeakerError(_NOTHING_PLAYS.format(reason=reason))


def play_aloud(samples: Sound, rate_hz: int, stopped: threading.Event) -> None:
    """Play through PortAudio, else through a player program of the system, and wait for the end.

    Raises SpeakerError, naming the way out, if neither is there or none can play.
    """
    try:
        _play_portaudio(samples, rate_hz, stopped)
        return
    except Exception as exc:  # sounddevice.PortAudioError cannot be named without PortAudio
        reason = f"PortAudio: {exc}"
    for program in _PLAYERS:
        if shutil.which(program[0]):
            failure = _play_with(program, samples, rate_hz, stopped)
            if failure is None:
                return
            reason = f"{program[0]}: {failure}"
    raise SpeakerError(_NOTHING_PLAYS.format(reason=reason))


def _play_portaudio(samples: Sound, rate_hz: int, stopped: threading.Event) -> None:
    import sounddevice  # loads PortAudio at import, which may be missing

    sounddevice.play(samples, rate_hz, latency="high")  # low ones stutter on busy machines
    while sounddevice.get_stream().active:
        if stopped.wait(_LOOK_S):
            break
    sounddevice.stop()


def _play_with(
    program: tuple[str, ...], samples: Sound, rate_hz: int, stopped: threading.Event
) -> str | None:
    """None if it was played, else why not."""
    with tempfile.TemporaryDirectory(prefix="leafcall-") as folder:
        path = Path(folder, "reply.wav")
        with wave.open(str(path), "wb") as wav:
            wav.setnchannels(1)
            wav.setsampwidth(2)
            wav.setframerate(rate_hz)
            wav.writeframes(samples.astype("<i2").tobytes())
        try:
            player = subprocess.Popen(  # noqa: S603
                [*program, str(path)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
            )
        except OSError as exc:
            return str(exc)
        deadline = time.monotonic() + len(samples) / rate_hz + 10
        with player:
            while player.poll() is None:
                if stopped.wait(_LOOK_S) or time.monotonic() > deadline:
                    player.kill()
            told = player.stderr.read().strip().splitlines() if player.stderr else []
        if player.returncode == 0 or stopped.is_set():
            return None
        with contextlib.suppress(IndexError):
            return str(told[-1])
        return f"exit {player.returncode}"
