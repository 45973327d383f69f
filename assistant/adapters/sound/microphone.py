"""The microphone as a source, through PortAudio; ``sounddevice`` is imported when it is opened.

The callback runs in PortAudio's own thread and does nothing but put copies into a queue.
"""

import importlib
import queue
import sys
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_S, FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import MicrophoneError

_DEAD_S = 3.0  # no sound for so long: the device is gone (PortAudio often does not say so)
_WAIT_S = 0.25
_LONGEST_QUEUE_S = 120.0
_WAYS_OUT = {
    "linux": "install it with 'sudo apt install libportaudio2' or 'sudo dnf install portaudio'",
    "darwin": "reinstall it with 'pip install --force-reinstall sounddevice'",
    "win32": "reinstall it with 'pip install --force-reinstall sounddevice'",
}


class Microphone:
    """An input device, mono, as an AudioSource.

    device: number or part of the name of an input device; None takes the system's default.

    A device that cannot do 16 kHz is opened at its own rate and converted while it runs.
    Raises MicrophoneError when PortAudio or the device is missing or busy.
    """

    def __init__(self, device: int | str | None = None) -> None:
        self._audio = _import_sounddevice()
        self._queue: queue.Queue[NDArray[np.float32]] = queue.Queue(
            maxsize=round(_LONGEST_QUEUE_S / FRAME_S)
        )
        self._lost_frames = 0
        self._left_over = np.zeros(0, np.float32)
        self._converter: Any = None
        self._stream: Any = None
        self._name = ""
        self._open(device)

    @property
    def name(self) -> str:
        """The device's name."""
        return self._name

    @property
    def overflows(self) -> int:
        """How often sound was lost because the machine was too slow; look at it after each call."""
        return self._lost_frames

    def frames(self) -> Iterator[Samples]:
        """Frames of FRAME_SAMPLES, without end until ``close``.

        Raises MicrophoneError when the device stops giving sound; a new Microphone may be tried.
        """
        while self._stream is not None:
            block = self._next_block()
            if block is None:
                return
            line = np.concatenate([self._left_over, self._convert(block)])
            whole = len(line) // FRAME_SAMPLES * FRAME_SAMPLES
            self._left_over = line[whole:]
            for first in range(0, whole, FRAME_SAMPLES):
                yield _harmless(line[first : first + FRAME_SAMPLES])

    def drop_waiting(self) -> float:
        """Drop sound that came in and was not read yet; seconds of it."""
        samples = len(self._left_over)
        self._left_over = np.zeros(0, np.float32)
        while True:
            try:
                samples += len(self._convert(self._queue.get_nowait()))
            except queue.Empty:
                return samples / SAMPLE_RATE_HZ

    def close(self) -> None:
        """Let go of the device; calling it twice does no harm."""
        stream, self._stream = self._stream, None
        if stream is not None:
            try:
                stream.close()
            except self._audio.PortAudioError as exc:
                raise MicrophoneError(f"{self._name} could not be closed: {exc}.") from exc

    def _open(self, device: int | str | None) -> None:
        audio = self._audio
        try:
            found = audio.query_devices(device, "input")
            self._name = str(found["name"])
            rate_hz = SAMPLE_RATE_HZ
            try:
                audio.check_input_settings(device=device, channels=1, samplerate=rate_hz)
            except audio.PortAudioError:
                rate_hz = round(float(found["default_samplerate"]))
            if rate_hz != SAMPLE_RATE_HZ:
                soxr = importlib.import_module("soxr")
                self._converter = soxr.ResampleStream(rate_hz, SAMPLE_RATE_HZ, 1, dtype="float32")
            self._stream = audio.InputStream(
                device=device,
                channels=1,
                samplerate=rate_hz,
                blocksize=round(rate_hz * FRAME_S),
                dtype="float32",
                callback=self._take,
            )
            self._stream.start()
        except (audio.PortAudioError, ValueError) as exc:
            wanted = "No microphone" if device is None else f"No microphone {device!r}"
            raise MicrophoneError(f"{wanted} can be opened ({exc}). {_devices(audio)}") from exc

    def _take(self, block: NDArray[np.float32], frames: int, when: object, status: Any) -> None:  # noqa: ARG002 - PortAudio's arguments
        if status and status.input_overflow:
            self._lost_frames += 1
        try:
            self._queue.put_nowait(block[:, 0].copy())
        except queue.Full:
            self._lost_frames += 1

    def _next_block(self) -> NDArray[np.float32] | None:
        """The next block, or None when the microphone was closed meanwhile."""
        gives_up = time.monotonic() + _DEAD_S
        while self._stream is not None:
            try:
                return self._queue.get(timeout=_WAIT_S)
            except queue.Empty:
                stream = self._stream
                if stream is not None and (not stream.active or time.monotonic() > gives_up):
                    raise MicrophoneError(
                        f"{self._name} gives no sound any more: look at its plug and switch. "
                        f"{_devices(self._audio)}"
                    ) from None
        return None

    def _convert(self, block: NDArray[np.float32]) -> NDArray[np.float32]:
        if self._converter is None:
            return block
        return np.asarray(self._converter.resample_chunk(block), np.float32)


def _harmless(frame: Samples) -> Samples:
    """The frame within full scale; what a driver sends that is no number is quiet."""
    return np.clip(np.nan_to_num(frame, nan=0.0, posinf=0.0, neginf=0.0), -1.0, 1.0)


def look_again() -> None:
    """Have PortAudio look for devices anew: it else knows only those of its start.

    Only while nothing is played or recorded. Raises MicrophoneError.
    """
    audio = _import_sounddevice()
    try:
        audio._terminate()
        audio._initialize()
    except audio.PortAudioError as exc:
        raise MicrophoneError(f"PortAudio cannot look for devices anew: {exc}.") from exc


def _devices(audio: Any) -> str:
    """A sentence with the input devices there are, the default one first."""
    try:
        devices = [d for d in audio.query_devices() if d["max_input_channels"] > 0]
        default = audio.default.device[0]
    except audio.PortAudioError:
        devices = []
    if not devices:
        return "This machine shows no input device: plug one in, or use recordings or the keyboard."
    devices.sort(key=lambda d: d.get("index") != default)
    return f"Input devices here: {', '.join(str(d['name']) for d in devices)}."


def _import_sounddevice() -> Any:
    """The module, which loads PortAudio when it is imported."""
    try:
        return importlib.import_module("sounddevice")
    except ModuleNotFoundError as exc:
        raise MicrophoneError(
            "The microphone needs the package sounddevice: run 'pip install sounddevice'."
        ) from exc
    except OSError as exc:
        way_out = _WAYS_OUT.get(sys.platform, "install the PortAudio library of your system")
        raise MicrophoneError(
            f"The microphone needs the PortAudio library, which is not here: {way_out}. "
            "Recordings and the keyboard work without it."
        ) from exc
