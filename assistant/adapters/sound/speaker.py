"""The voice: replies as samples, through pyttsx3; and speakers that write them or stay silent.

What makes them heard is loudspeaker.py, so what the demo writes is what is heard.
On Linux the eSpeak NG library inside the espeakng-loader wheel is used, whatever the system has or
lacks: the same voice everywhere, and no system package. Learned from the installed driver (pyttsx3
2.99): its own live speech needs the program aplay, its file writing prints a line, and it may be
initialised once per process only; all three are dealt with here.
"""

import atexit
import contextlib
import ctypes
import io
import os
import shutil
import sys
import tempfile
import threading
import time
import wave
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assistant.bench.events import FASTEST_WPM, LOUDEST_PERCENT, SLOWEST_WPM, SOFTEST_PERCENT
from assistant.bench.ports import Tone
from assistant.errors import SpeakerError

Sound = NDArray[np.int16]

LONGEST_TEXT = 2_000

_SYNTHESIS_TIMEOUT_S = 30.0
_TELL_AGAIN_S = 0.05
_LONGEST_DATA_PATH = 159  # eSpeak NG 1.52 cuts longer paths off, then ends the whole process

_lock = threading.Lock()
_engine: Any = None  # one per process: eSpeak cannot be initialised twice


class VoiceSpeaker:
    """Makes sound of replies with the voice of this machine.

    words_per_minute, volume_percent: within the limits of ``bench.events``. voice: a name that the
    driver knows; None = American English on Linux, the system's own voice elsewhere.
    Raises SpeakerError if there is no voice, or if speed or volume are out of range.
    """

    def __init__(
        self, *, words_per_minute: int = 170, volume_percent: int = 100, voice: str | None = None
    ) -> None:
        self.set_voice(volume_percent=volume_percent, words_per_minute=words_per_minute)
        self._voice = voice or ("en-us" if sys.platform == "linux" else None)
        self._open = True
        with _lock:
            _the_engine()

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        """How to sound from now on. Raises SpeakerError if a value is out of range."""
        if not SLOWEST_WPM <= words_per_minute <= FASTEST_WPM:
            raise SpeakerError(
                f"A voice speed of {words_per_minute} words a minute is out of range: "
                f"allowed are {SLOWEST_WPM} to {FASTEST_WPM}."
            )
        if not SOFTEST_PERCENT <= volume_percent <= LOUDEST_PERCENT:
            raise SpeakerError(
                f"A volume of {volume_percent} % is out of range: allowed are {SOFTEST_PERCENT} "
                f"to {LOUDEST_PERCENT}."
            )
        self._wpm, self._volume = words_per_minute, volume_percent / 100

    def save(self, text: str, path: Path) -> None:
        """Write ``text`` as spoken to ``path``: wav, mono, 16 bit. Raises SpeakerError."""
        samples, rate_hz = self.sound(text)
        try:
            with path.open("wb") as file, wave.open(file, "wb") as wav:
                wav.setnchannels(1)
                wav.setsampwidth(2)
                wav.setframerate(rate_hz)
                wav.writeframes(samples.astype("<i2").tobytes())
        except OSError as exc:
            raise SpeakerError(
                f"The reply cannot be written to {path}: {exc.strerror}. Choose another folder, or "
                "use --mute."
            ) from exc

    def sound(self, text: str) -> tuple[Sound, int]:
        """``text`` as int16 samples (n,), and their rate in Hz; empty text gives no samples.

        Raises SpeakerError if the text is longer than 2000 characters, the speaker is closed or
        the voice fails.
        """
        if not self._open:
            raise SpeakerError("This voice is closed: open a new one.")
        if len(text) > LONGEST_TEXT:
            raise SpeakerError(
                f"A reply of {len(text)} characters is too long: say {LONGEST_TEXT} at most."
            )
        plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
        if not plain:
            return np.zeros(0, np.int16), 22_050
        with _lock:
            samples, rate_hz = _synthesise(_the_engine(), plain, self._voice, self._wpm)
        return (samples * self._volume).astype(np.int16), rate_hz

    def close(self) -> None:
        """Let go of the voice; calling it twice does no harm."""
        self._open = False


class _Steady:
    """What all speakers share that never have a reply under way."""

    speaking = False

    def stop(self) -> None:
        """Nothing is ever under way."""


class SilentSpeaker(_Steady):
    """Says nothing (``--mute``); keeps the texts in ``said``."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str, *, tone: Tone | None = None) -> None:  # noqa: ARG002 - silent
        """Keep ``text``; a tone alone is nothing said."""
        if text:
            self.said.append(text)

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        """It has none."""

    def close(self) -> None:
        """Nothing to let go of."""


class WavSpeaker(_Steady):
    """Writes every reply to ``folder`` as 001.wav, 002.wav, ...; ``paths`` holds them in order.

    Raises SpeakerError if the folder cannot be made.
    """

    def __init__(self, folder: Path, voice: VoiceSpeaker) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise SpeakerError(
                f"The folder {folder} for the replies cannot be made: {exc.strerror}."
            ) from exc
        self._folder, self._voice = folder, voice
        self.paths: list[Path] = []

    def say(self, text: str, *, tone: Tone | None = None) -> None:  # noqa: ARG002 - words only
        """Write ``text`` as spoken; no file for none. Raises SpeakerError."""
        if not text:
            return
        path = self._folder / f"{len(self.paths) + 1:03d}.wav"
        self._voice.save(text, path)
        self.paths.append(path)

    def set_voice(self, *, volume_percent: int, words_per_minute: int) -> None:
        """How to sound from the next reply on. Raises SpeakerError."""
        self._voice.set_voice(volume_percent=volume_percent, words_per_minute=words_per_minute)

    def close(self) -> None:
        """Let go of the voice; calling it twice does no harm."""
        self._voice.close()


def _the_engine() -> Any:
    """The engine of this process, made at first use; the lock must be held."""
    global _engine
    if _engine is not None:
        return _engine
    try:
        if sys.platform == "linux":
            _use_bundled_espeak()
        import pyttsx3  # loads the system's voice at import

        _engine = pyttsx3.init()
        atexit.register(_forget_engine)
    except Exception as exc:  # the drivers raise whatever their platform raises
        raise SpeakerError(
            f"There is no voice to speak with: {exc}. Install the voice again with 'pip install "
            "--force-reinstall espeakng-loader pyttsx3', or use --mute."
        ) from exc
    if sys.platform == "linux":
        # The driver prints each file that it writes; only its own module loses its print.
        sys.modules["pyttsx3.drivers.espeak"].print = lambda *_, **__: None  # type: ignore[attr-defined]
    return _engine


def _forget_engine() -> None:
    """Free the engine while the modules that its end needs are still there."""
    global _engine
    _engine = None


def _use_bundled_espeak() -> None:
    """Load the wheel's library first: the driver asks for the same soname and gets this one."""
    import espeakng_loader

    data = Path(espeakng_loader.get_data_path())
    # Without these eSpeak would end the process, not return an error.
    if not (data / "phontab").is_file():
        raise SpeakerError(f"{data} holds no voice data")
    if len(os.fsencode(str(data))) > _LONGEST_DATA_PATH:
        short = tempfile.mkdtemp(prefix="leafcall-")
        atexit.register(shutil.rmtree, short, ignore_errors=True)
        Path(short, "espeak-ng-data").symlink_to(data)
        data = Path(short, "espeak-ng-data")
    os.environ["ESPEAK_DATA_PATH"] = str(data)
    ctypes.CDLL(espeakng_loader.get_library_path(), mode=ctypes.RTLD_GLOBAL)


def _synthesise(engine: Any, text: str, voice: str | None, wpm: int) -> tuple[Sound, int]:
    done = threading.Event()
    errors: list[BaseException] = []
    tokens = [
        engine.connect("finished-utterance", lambda **_: done.set()),
        engine.connect("error", lambda **told: errors.append(told["exception"])),
    ]
    try:
        if sys.platform == "linux":
            engine.proxy.setBusy(False)  # so that properties are set at once
        if voice is not None:
            engine.setProperty("voice", voice)
        engine.setProperty("rate", wpm)
        if sys.platform == "linux":
            _wait_for_rate(engine, wpm)
            wav = _into_memory(engine, text, done, errors)
        else:
            wav = _through_a_file(engine, text, done)
    except Exception as exc:
        with contextlib.suppress(Exception):  # so that the next reply finds an idle engine
            engine.endLoop()
        raise SpeakerError(f"The voice failed: {exc}. Go on with --mute.") from exc
    finally:
        for token in tokens:
            engine.disconnect(token)
    if errors:
        raise SpeakerError(
            f"The voice failed: {errors[0]}. Choose another voice, or go on with --mute."
        ) from errors[0]
    return wav


def _wait_for_rate(engine: Any, wpm: int) -> None:
    """eSpeak sets the rate in its own thread; the loop that follows would cancel it on the way.

    A thread that has only just started may sleep over its first order until another one comes
    (eSpeak NG 1.52: 11 of 60 new processes, on a fast machine), so it is told again.
    """
    began = told = time.monotonic()
    while engine.getProperty("rate") != wpm:
        now = time.monotonic()
        if now - began > _SYNTHESIS_TIMEOUT_S:
            raise TimeoutError(f"the speed of {wpm} words a minute is not taken")
        if now - told > _TELL_AGAIN_S:
            engine.setProperty("rate", wpm)
            told = now
        time.sleep(0.001)
    # Busy again: text must wait for the loop, which else could cancel it as well.
    engine.proxy.setBusy(True)


def _into_memory(
    engine: Any, text: str, done: threading.Event, errors: list[BaseException]
) -> tuple[Sound, int]:
    # wave.open, which the driver calls, takes a file in memory as well as a name.
    memory = io.BytesIO()
    engine.save_to_file(text, memory)
    engine.runAndWait()  # may return before eSpeak's own thread has ended the sentence
    if not errors and not done.wait(_SYNTHESIS_TIMEOUT_S):
        raise TimeoutError(f"no speech within {_SYNTHESIS_TIMEOUT_S:.0f} seconds")
    if errors:
        return np.zeros(0, np.int16), 22_050
    memory.seek(0)
    with wave.open(memory, "rb") as wav:
        samples = np.frombuffer(wav.readframes(wav.getnframes()), "<i2").astype(np.int16)
        return samples, wav.getframerate()


def _through_a_file(engine: Any, text: str, done: threading.Event) -> tuple[Sound, int]:
    # macOS writes AIFF under any name, Windows wav; soundfile reads both.
    import soundfile

    with tempfile.TemporaryDirectory(prefix="leafcall-") as folder:
        path = Path(folder, "reply.wav")
        engine.save_to_file(text, str(path))
        engine.runAndWait()
        deadline = time.monotonic() + _SYNTHESIS_TIMEOUT_S
        while time.monotonic() < deadline:
            with contextlib.suppress(soundfile.LibsndfileError):
                samples, rate_hz = soundfile.read(str(path), dtype="int16", always_2d=True)
                if len(samples):
                    return samples[:, 0], int(rate_hz)
            done.wait(0.05)
    raise TimeoutError(f"no speech within {_SYNTHESIS_TIMEOUT_S:.0f} seconds")
