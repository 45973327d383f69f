"""Tells speech from noise: a small recurrent network on the spectrum of each frame. Pure.

For every frame of 10 ms: the last 25 ms, a Hann window, power in 24 mel bands from 80 to 7600 Hz,
their logarithms. The network sees how far each band stands over its own running floor, and the
shape of the spectrum, so that neither the level nor a machine that runs on tells it anything; then
a layer of rectifiers, gated recurrent units (Cho et al. 2014, "Learning Phrase Representations
using RNN Encoder-Decoder"), one output. Its weights are data, made by ``models/recipe``.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.errors import AudioError

BANDS = 24
INPUTS = 2 * BANDS + 1
WINDOW = 400  # samples, 25 ms
_FFT = 512
_LOW_HZ, _HIGH_HZ = 80.0, 7600.0
_LEAST_POWER = 1e-7  # of a band: about -90 dB of full scale, quieter than any room
_RISE = 0.007  # of the floor, nepers of power a frame: 3 dB a second, as a machine that starts
_SMOOTH = 0.3  # share of the newest frame in what the floor follows
_MOST = 4.0  # of an input

Numbers = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class DetectorWeights:
    """Of the network, float32. Each matrix is [inputs, outputs].

    first: spectrum to rectifiers. take, keep: rectifiers and last state to update gate, reset gate
    and candidate, side by side. last: state to output.
    """

    first: Numbers
    first_bias: Numbers
    take: Numbers
    keep: Numbers
    gates_bias: Numbers
    last: Numbers
    last_bias: Numbers

    @classmethod
    def of(cls, arrays: Mapping[str, NDArray[np.generic]]) -> "DetectorWeights":
        """Weights by their names. Raises AudioError if they do not fit together."""
        try:
            weights = cls(**{name: np.asarray(arrays[name], np.float32) for name in cls.__slots__})
            wide, units = weights.first.shape[1], weights.last.shape[0]
        except (KeyError, IndexError, TypeError, ValueError) as error:
            raise AudioError(_DAMAGED) from error
        shapes = [(INPUTS, wide), (wide,), (wide, 3 * units), (units, 3 * units), (3 * units,),
                  (units, 1), (1,)]  # fmt: skip
        if [getattr(weights, name).shape for name in cls.__slots__] != shapes:
            raise AudioError(_DAMAGED)
        return weights


_DAMAGED = "The weights of the speech detector do not fit this version: install Leafcall again."


class VoiceActivity:
    """Speech probability of a stream, frame by frame."""

    def __init__(self, weights: DetectorWeights) -> None:
        self._weights = weights
        self.reset()

    def reset(self) -> None:
        """Forget the stream; what follows is told as by a new one."""
        self._past = np.zeros(WINDOW - FRAME_SAMPLES, np.float32)
        self._floor = Floor()
        self._state = np.zeros(self._weights.last.shape[0], np.float32)

    def speech(self, frame: Samples) -> float:
        """Probability 0..1 that somebody speaks in the frame of FRAME_SAMPLES.

        Raises AudioError if the frame has another length.
        """
        if frame.shape != (FRAME_SAMPLES,):
            raise AudioError(
                f"A frame of shape {frame.shape} came in; {FRAME_SAMPLES} samples are needed."
            )
        line = np.concatenate([self._past, frame])
        self._past = line[FRAME_SAMPLES:]
        return self._step(self._floor.inputs(log_bands(line)))

    def _step(self, seen: Numbers) -> float:
        of, units = self._weights, len(self._state)
        hidden = np.maximum(seen @ of.first + of.first_bias, 0.0)
        new = hidden @ of.take + of.gates_bias
        old = self._state @ of.keep
        gates = 1.0 / (1.0 + np.exp(-(new[: 2 * units] + old[: 2 * units])))
        update, reset = gates[:units], gates[units:]
        candidate = np.tanh(new[2 * units :] + reset * old[2 * units :])
        self._state = update * self._state + (1.0 - update) * candidate
        odds = float(self._state @ of.last[:, 0] + of.last_bias[0])
        return float(1.0 / (1.0 + np.exp(-odds)))


class Floor:
    """The running floor of each band: falls at once, rises slowly."""

    def __init__(self) -> None:
        self._smooth: Numbers | None = None
        self._floor: Numbers | None = None

    def inputs(self, bands: Numbers) -> Numbers:
        """What the network sees of one more frame [..., INPUTS], by its log_bands [..., BANDS]."""
        whole = np.logaddexp.reduce(bands, axis=-1, keepdims=True)
        levels = np.concatenate([bands, whole], axis=-1)
        if self._smooth is None or self._floor is None:
            self._smooth, self._floor = levels, levels
        self._smooth = self._smooth + _SMOOTH * (levels - self._smooth)
        self._floor = np.minimum(self._smooth, self._floor + np.float32(_RISE))
        over = np.clip((levels - self._floor) / 3.0, 0.0, _MOST)
        shape = np.clip((bands - bands.mean(axis=-1, keepdims=True)) / 3.0, -_MOST, _MOST)
        return np.asarray(np.concatenate([over, shape], axis=-1), np.float32)


def log_bands(line: Samples) -> Numbers:
    """Logarithm of the power in each band [..., BANDS] of WINDOW samples [..., WINDOW]."""
    spectrum = np.fft.rfft(line * _HANN, _FFT, axis=-1)
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    return np.asarray(np.log(power @ _MEL + _LEAST_POWER), np.float32)


def _mel_filters() -> Numbers:
    """[_FFT // 2 + 1, BANDS] triangles, even on the mel scale 1127 ln(1 + f / 700 Hz)."""
    edges = np.linspace(_mel(np.array(_LOW_HZ)), _mel(np.array(_HIGH_HZ)), BANDS + 2)
    bins = _mel(np.arange(_FFT // 2 + 1) * SAMPLE_RATE_HZ / _FFT)
    up = (bins[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    down = (edges[2:] - bins[:, None]) / (edges[2:] - edges[1:-1])
    return np.maximum(0.0, np.minimum(up, down)).astype(np.float32)


def _mel(hz: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(1127.0 * np.log(1.0 + hz / 700.0), np.float64)


_HANN = np.hanning(WINDOW).astype(np.float32)
_MEL = _mel_filters()
