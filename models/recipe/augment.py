"""Sound as a shop gives it: speed, vocal tract, tilt, echo, noise, level, drawn afresh each time.

One jitted function makes a batch of windows with their labels out of the whole store, which lies in
the memory of the device as int16.
"""

from dataclasses import dataclass

import jax
import jax.numpy as jnp
import numpy as np
from numpy.typing import NDArray

from models.recipe.features import FRAME, SHIFT, frame_count, mel_filters, mfcc
from models.recipe.network import SUBSAMPLING, Shape

WARPS = np.linspace(0.86, 1.16, 13)
PIECES = 4  # clips in one window at most
MOST_SEGMENTS = 72  # units in one window at most
_FFT = 65536
_TAIL = 11200  # samples of echo, 0.7 s
_BANKS = np.stack([mel_filters(w) for w in WARPS])


@dataclass(frozen=True, slots=True)
class Store:
    """All sound and labels of a training set.

    sound: int16; every clip starts at a multiple of 160. unit, segment: one entry each 10 ms: the
    unit, and a running number of the segment (-1 in quiet). clips: [C, 2] first sample and
    length of each clip; weight: how often a clip is drawn, against the others. noise: int16.
    """

    sound: NDArray[np.int16]
    unit: NDArray[np.uint8]
    segment: NDArray[np.int32]
    clips: NDArray[np.int64]
    weight: NDArray[np.float64]
    noise: NDArray[np.int16]


def window_samples(shape: Shape, outputs: int) -> int:
    """Samples in one window."""
    return (shape.frames_for(outputs) - 1) * SHIFT + FRAME


def draw_pieces(
    store: Store, rng: np.random.Generator, rows: int, samples: int
) -> dict[str, NDArray[np.generic]]:
    """Which clips stand where in each window: the part of the lottery that is done on the host."""
    chosen = rng.choice(len(store.clips), (rows, PIECES), p=store.weight)
    first, length = store.clips[chosen, 0], store.clips[chosen, 1]
    rate = np.exp(rng.uniform(np.log(0.87), np.log(1.15), (rows, PIECES)))
    made = length / rate
    gaps = rng.exponential(4000.0, (rows, PIECES)) + 800
    # The first clip may lie partly before the window, and begins at the latest after half a second.
    lead = np.where(rng.random(rows) < 0.4, -rng.random(rows) * made[:, 0], rng.random(rows) * 9600)
    starts = np.cumsum(np.concatenate([lead[:, None], (made + gaps)[:, :-1]], 1), 1)
    empty = rng.random(rows) < 0.03
    starts[empty] += samples + 1
    return {
        "start": np.round(starts).astype(np.int32),
        "first": first.astype(np.int32),
        "length": length.astype(np.int32),
        "rate": rate.astype(np.float32),
        "noise_at": rng.integers(0, max(1, len(store.noise) - samples - 4), rows).astype(np.int32),
        "babble_at": rng.integers(0, max(1, len(store.sound) - samples - 4), (rows, 4)).astype(
            np.int32
        ),
    }


def _place(at: jax.Array, pieces: dict[str, jax.Array]) -> tuple[jax.Array, jax.Array, jax.Array]:
    """For each sample of the window: place in its clip, the clip's first sample, inside or not."""
    piece = (at[None, :, None] >= pieces["start"][:, None, :]).sum(-1) - 1
    known = piece >= 0
    piece = jnp.maximum(piece, 0)
    take = lambda name: jnp.take_along_axis(pieces[name], piece, 1)  # noqa: E731
    local = (at[None] - take("start")).astype(jnp.float32) * take("rate")
    inside = known & (local >= 1.0) & (local < take("length") - 3.0)
    return jnp.where(inside, local, 1.0), take("first"), inside


def _read(sound: jax.Array, first: jax.Array, local: jax.Array) -> jax.Array:
    """Cubic reading (Catmull-Rom) between samples."""
    base = jnp.floor(local)
    f = local - base
    index = first + base.astype(jnp.int32)
    a, b, c, d = (sound[index + k].astype(jnp.float32) for k in (-1, 0, 1, 2))
    return b + 0.5 * f * (c - a + f * (2 * a - 5 * b + 4 * c - d + f * (3 * (b - c) + d - a)))


def _colour(key: jax.Array, rows: int, tilt_db: float) -> jax.Array:
    """[rows, F] random smooth gains: a tilt per octave, two bumps, now and then a narrow band."""
    k = jax.random.split(key, 7)
    octave = jnp.log2(jnp.maximum(jnp.arange(_FFT // 2 + 1) * 16_000.0 / _FFT, 30.0) / 1000.0)[None]
    tilt = jax.random.uniform(k[0], (rows, 1), minval=-tilt_db, maxval=tilt_db)
    gain = jnp.clip(tilt * octave, -30.0, 30.0)
    for n in (1, 2):
        centre = jax.random.uniform(k[n], (rows, 1), minval=-3.0, maxval=3.0)
        height = jax.random.normal(k[n + 2], (rows, 1)) * 4.0
        gain = gain + height * jnp.exp(-0.5 * ((octave - centre) / 0.7) ** 2)
    low = jax.random.uniform(k[5], (rows, 1), minval=-5.0, maxval=-1.5)
    high = jax.random.uniform(k[6], (rows, 1), minval=1.7, maxval=6.0)
    gain = gain - 18.0 * jnp.maximum(low - octave, 0.0) - 24.0 * jnp.maximum(octave - high, 0.0)
    return 10.0 ** (gain / 20.0)


def _echo(key: jax.Array, rows: int) -> jax.Array:
    """[rows, F] spectrum of a room: the direct sound and a decaying tail, often faint.

    The tail falls by 60 dB in 0.08 to 1.0 s, the longest ones being rare.
    """
    k = jax.random.split(key, 5)
    t = jnp.arange(_TAIL) / 16_000.0
    decay = jax.random.uniform(k[0], (rows, 1), minval=0.08, maxval=0.5)
    hall = jax.random.uniform(k[4], (rows, 1)) < 0.2
    decay = jnp.where(hall, 2.0 * decay, decay)
    tail = jax.random.normal(k[1], (rows, _TAIL)) * jnp.exp(-6.9 * t / decay) * (t > 0.002)
    tail = tail / jnp.sqrt((tail**2).sum(-1, keepdims=True))
    direct_db = jax.random.uniform(k[2], (rows, 1), minval=0.0, maxval=22.0)
    wet = 10.0 ** (-direct_db / 20.0) * (jax.random.uniform(k[3], (rows, 1)) < 0.6)
    return jnp.fft.rfft((tail * wet).at[:, 0].add(1.0), _FFT)


def _noise(
    key: jax.Array, sounds: jax.Array, noises: jax.Array, pieces: dict[str, jax.Array], samples: int
) -> tuple[jax.Array, jax.Array]:
    """[rows, N] noise of power one: hiss, shop noise, babble, hum, knocks, one far talker; [rows]
    whether it is the talker.
    """
    rows = pieces["rate"].shape[0]
    k = jax.random.split(key, 12)
    at = jnp.arange(samples)
    slope = jax.random.uniform(k[0], (rows, 1), minval=-6.5, maxval=0.5)
    octave = jnp.log2(jnp.maximum(jnp.arange(_FFT // 2 + 1) * 16_000.0 / _FFT, 20.0) / 1000.0)
    white = jnp.fft.rfft(jax.random.normal(k[1], (rows, samples)), _FFT)
    hiss = jnp.fft.irfft(white * 10.0 ** (slope * octave / 20.0) * _colour(k[2], rows, 0.1), _FFT)[
        :, :samples
    ]
    shop = _read(
        noises,
        pieces["noise_at"][:, None],
        1.0 + at[None] * jnp.minimum(pieces["rate"][:, :1], 1.0),
    )
    shop = jnp.fft.irfft(jnp.fft.rfft(shop, _FFT) * _colour(k[3], rows, 3.0), _FFT)[:, :samples]
    babble = sum(
        sounds[pieces["babble_at"][:, n, None] + at[None]].astype(jnp.float32) for n in range(4)
    )
    talker = sounds[pieces["babble_at"][:, :1] + at[None]].astype(jnp.float32)  # a radio's speaker
    mains = jax.random.uniform(k[4], (rows, 1), minval=45.0, maxval=200.0)
    hum = sum(
        jax.random.normal(jax.random.fold_in(k[5], n), (rows, 1))
        / n
        * jnp.sin(2 * np.pi * n * mains * at[None] / 16_000.0)
        for n in range(1, 9)
    )
    hit = (jax.random.uniform(k[6], (rows, samples)) < 6.0 / 16_000) * jax.random.normal(
        k[7], (rows, samples)
    )
    ring = jnp.fft.rfft(
        jax.random.normal(k[8], (rows, 2400)) * jnp.exp(-jnp.arange(2400) / 300.0), _FFT
    )
    knocks = jnp.fft.irfft(jnp.fft.rfft(hit, _FFT) * ring, _FFT)[:, :samples]
    kinds = jnp.stack([hiss, shop, babble, hum + 0.2 * knocks, knocks, talker], 1)
    kinds = kinds / jnp.sqrt((kinds**2).mean(-1, keepdims=True) + 1e-6)
    main = jax.random.categorical(
        k[9], jnp.log(jnp.array([0.36, 0.39, 0.09, 0.06, 0.05, 0.05])), shape=(rows,)
    )
    share = jax.nn.one_hot(main, 6) + 0.25 * jax.random.uniform(k[10], (rows, 6)) * (
        jax.random.uniform(k[11], (rows, 6)) < 0.3
    )
    mixed = (kinds * share.at[:, 5].set(share[:, 5] * (main == 5))[..., None]).sum(1)
    return mixed / jnp.sqrt((mixed**2).mean(-1, keepdims=True) + 1e-6), main == 5


def _microphone(key: jax.Array, heard: jax.Array) -> jax.Array:
    """What the microphone makes of it: a tilt, a dead band, an overdriven or a clipping stage."""
    rows, samples = heard.shape
    k = jax.random.split(key, 8)
    octave = jnp.log2(jnp.maximum(jnp.arange(_FFT // 2 + 1) * 16_000.0 / _FFT, 30.0) / 1000.0)[None]
    tilt = jax.random.uniform(k[0], (rows, 1), minval=-2.0, maxval=2.0)
    centre = jax.random.uniform(k[1], (rows, 1), minval=-2.5, maxval=2.8)
    depth = 25.0 * (jax.random.uniform(k[2], (rows, 1)) < 0.2)
    width = jax.random.uniform(k[3], (rows, 1), minval=0.04, maxval=0.25)
    gain_db = tilt * octave - depth * jnp.exp(-0.5 * ((octave - centre) / width) ** 2)
    coloured = jnp.fft.irfft(jnp.fft.rfft(heard, _FFT) * 10.0 ** (gain_db / 20.0), _FFT)
    coloured = jnp.where(jax.random.uniform(k[4], (rows, 1)) < 0.5, coloured[:, :samples], heard)
    top = jnp.sqrt((coloured**2).mean(-1, keepdims=True)) * jax.random.uniform(
        k[5], (rows, 1), minval=1.5, maxval=14.0
    )
    bent = top * jnp.tanh(coloured / top)
    heard = jnp.where(top < 4.0 * jnp.sqrt((coloured**2).mean(-1, keepdims=True)), bent, coloured)
    ceiling = jnp.abs(heard).max(-1, keepdims=True) * 10.0 ** (
        -jax.random.uniform(k[6], (rows, 1), minval=3.0, maxval=20.0) / 20.0
    )
    clips = jax.random.uniform(k[7], (rows, 1)) < 0.08
    return jnp.where(clips, jnp.clip(heard, -ceiling, ceiling), heard)


def make_batch(
    key: jax.Array,
    sounds: jax.Array,
    unit: jax.Array,
    segment: jax.Array,
    noises: jax.Array,
    pieces: dict[str, jax.Array],
    *,
    shape: Shape,
    outputs: int,
) -> dict[str, jax.Array]:
    """Windows of sound turned into features and labels.

    Returns features [B, T, 40], targets [B, outputs] (class of each step), and units, begins, ends
    [B, K] (segments in output steps) for the numerator; sure [B]: whether K was enough.
    """
    samples, rows = window_samples(shape, outputs), pieces["rate"].shape[0]
    k = jax.random.split(key, 9)
    at = jnp.arange(samples)
    local, first, inside = _place(at, pieces)
    clean = jnp.where(inside, _read(sounds, first, local), 0.0)
    # labels every 10 ms, at the middle of each frame
    frames = frame_count(samples)
    local10, first10, inside10 = _place(jnp.arange(frames) * SHIFT + FRAME // 2, pieces)
    row10 = first10 // SHIFT + jnp.maximum(jnp.round((local10 - FRAME // 2) / SHIFT), 0).astype(
        jnp.int32
    )
    units10 = jnp.where(inside10, unit[row10].astype(jnp.int32), 0)
    segments10 = jnp.where(units10 > 0, segment[row10], -1)
    voiced = jnp.repeat(units10 > 0, SHIFT, 1)
    voiced = jnp.pad(voiced, ((0, 0), (FRAME // 2 - SHIFT // 2, FRAME)))[:, :samples]
    power = (clean**2 * voiced).sum(-1) / jnp.maximum(voiced.sum(-1), 1)
    level = jnp.sqrt(jnp.where(voiced.sum(-1) > 800, power, 1e6)) + 1.0
    spoken = jnp.fft.irfft(
        jnp.fft.rfft(clean, _FFT) * _colour(k[0], rows, 3.0) * _echo(k[1], rows), _FFT
    )[:, :samples]
    spoken = spoken / level[:, None]
    loud = jnp.sqrt((spoken**2 * voiced).sum(-1) / jnp.maximum(voiced.sum(-1), 1))
    spoken = spoken / jnp.where(voiced.sum(-1) > 800, loud, 1.0)[:, None]
    quiet = jax.random.uniform(k[2], (rows,)) < 0.27
    ratio_db = jnp.where(
        quiet,
        jax.random.uniform(k[3], (rows,), minval=28.0, maxval=55.0),
        jax.random.uniform(k[4], (rows,), minval=-4.0, maxval=24.0),
    )
    noise, is_talk = _noise(k[5], sounds, noises, pieces, samples)
    ratio_db = jnp.where(is_talk, jnp.maximum(ratio_db, 10.0), ratio_db)  # else: who is meant?
    heard = spoken + 10.0 ** (-ratio_db / 20.0)[:, None] * noise
    heard = _microphone(k[8], heard)
    loudness_db = jax.random.uniform(k[6], (rows, 1), minval=-48.0, maxval=-12.0)
    heard = jnp.clip(jnp.round(heard * 32768.0 * 10.0 ** (loudness_db / 20.0)), -32768.0, 32767.0)
    bank = jax.random.randint(k[7], (rows,), 0, len(WARPS))
    features = mfcc(heard, jnp.asarray(_BANKS)[bank])
    # output steps
    middle = shape.first_frame + SUBSAMPLING * jnp.arange(outputs)
    before = middle - SUBSAMPLING
    same = segments10[:, middle] == segments10[:, before]
    targets = 2 * units10[:, middle] + same
    # segments, from the 10 ms labels, in output steps
    span = slice(shape.first_frame, shape.first_frame + SUBSAMPLING * outputs)
    changed = jnp.concatenate(
        [jnp.zeros((rows, 1), bool), segments10[:, span][:, 1:] != segments10[:, span][:, :-1]], 1
    )
    number = jnp.cumsum(changed, 1)
    step = jnp.broadcast_to(jnp.arange(SUBSAMPLING * outputs) // SUBSAMPLING, number.shape)
    row = jnp.arange(rows)[:, None]
    blank = jnp.zeros((rows, MOST_SEGMENTS), jnp.int32)
    units = blank.at[row, number].set(units10[:, span], mode="drop")
    begins = (blank + 10 * outputs).at[row, number].min(step, mode="drop")
    ends = (blank - 1).at[row, number].max(step, mode="drop")
    return {
        "features": features,
        "targets": targets,
        "units": units,
        "begins": begins,
        "ends": ends,
        "sure": number[:, -1] < MOST_SEGMENTS,
    }
