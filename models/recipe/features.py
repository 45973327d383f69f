"""Kaldi's MFCC in JAX: the same numbers as Vosk computes from conf/mfcc.conf, on any device.

25 ms frames every 10 ms, pre-emphasis 0.97, Povey window, 40 mel filters 20..7600 Hz, 40 cepstra,
lifter 22, no dither, samples in the scale of int16. Source: the option list of Kaldi's feature
extraction; checked against kaldi-native-fbank in tests/models.
"""

import jax
import jax.numpy as jnp
import numpy as np
from numpy.typing import NDArray

FRAME = 400
SHIFT = 160
FFT = 512
CEPSTRA = 40
LOW_HZ, HIGH_HZ, RATE_HZ = 20.0, 7600.0, 16_000.0
MFCC_CONF = """--use-energy=false
--num-mel-bins=40
--num-ceps=40
--low-freq=20
--high-freq=7600
--dither=0
"""


def _mel(hz: NDArray[np.float64] | float) -> NDArray[np.float64]:
    return 1127.0 * np.log(1.0 + np.asarray(hz) / 700.0)


def mel_filters(warp: float = 1.0) -> NDArray[np.float32]:
    """[257, 40] triangles over power-spectrum bins; ``warp`` > 1 hears a longer vocal tract."""
    edges = np.linspace(_mel(LOW_HZ), _mel(HIGH_HZ), CEPSTRA + 2)
    bins = _mel(np.clip(np.arange(FFT // 2) * RATE_HZ / FFT * warp, 0.0, 1e5))
    up = (bins[:, None] - edges[:-2]) / (edges[1:-1] - edges[:-2])
    down = (edges[2:] - bins[:, None]) / (edges[2:] - edges[1:-1])
    filters = np.maximum(0.0, np.minimum(up, down))
    return np.vstack([filters, np.zeros((1, CEPSTRA))]).astype(np.float32)


def _cepstral_matrix() -> NDArray[np.float32]:
    rows = np.arange(CEPSTRA)
    matrix = np.sqrt(2.0 / CEPSTRA) * np.cos(np.pi / CEPSTRA * np.outer(rows + 0.5, rows))
    matrix[:, 0] = np.sqrt(1.0 / CEPSTRA)
    lifter = 1.0 + 11.0 * np.sin(np.pi * rows / 22.0)
    return np.asarray(matrix * lifter, np.float32)


def _frame_matrix() -> NDArray[np.float32]:
    """[400, 400] remove the mean, pre-emphasise, window: one linear map of a frame."""
    centre = np.eye(FRAME) - 1.0 / FRAME
    emphasis = np.eye(FRAME) - 0.97 * np.eye(FRAME, k=-1)
    emphasis[0, 0] -= 0.97
    window = (0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(FRAME) / (FRAME - 1))) ** 0.85
    return np.asarray((window[:, None] * (emphasis @ centre)).T, np.float32)


_FRAME_MATRIX = _frame_matrix()
_CEPSTRAL = _cepstral_matrix()
_FILTERS = mel_filters()


def frame_count(samples: int) -> int:
    """Frames in so many samples (only whole frames)."""
    return 1 + (samples - FRAME) // SHIFT if samples >= FRAME else 0


def mfcc(samples: jax.Array, filters: jax.Array | None = None) -> jax.Array:
    """[B, N] samples in int16 scale -> [B, T, 40]; ``filters`` [257, 40] or [B, 257, 40]."""
    batch, length = samples.shape
    frames = frame_count(length)
    blocks = jnp.pad(
        samples,
        ((0, 0), (0, (frames + 2) * SHIFT - length))
        if length < (frames + 2) * SHIFT
        else ((0, 0), (0, 0)),
    )
    blocks = blocks[:, : (frames + 2) * SHIFT].reshape(batch, frames + 2, SHIFT)
    framed = jnp.concatenate(
        [blocks[:, :frames], blocks[:, 1 : frames + 1], blocks[:, 2:, : FRAME - 2 * SHIFT]], -1
    )
    shaped = jnp.matmul(framed, _FRAME_MATRIX, precision="highest")
    power = jnp.abs(jnp.fft.rfft(shaped, FFT, axis=-1)) ** 2
    mel = jnp.matmul(power, _FILTERS if filters is None else filters, precision="highest")
    return jnp.matmul(jnp.log(jnp.maximum(mel, 1.1920929e-7)), _CEPSTRAL, precision="highest")
