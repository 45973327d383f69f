"""The network that tells speech from noise (assistant/ear/voice_activity.py): made here.

    python -m models.recipe.voice_activity --human DIR --noise DIR --target DIR/voice_activity.npz

Streams of a quarter of a minute: noise or a quiet room, then clips with pauses between them, at
any level, in noise of any kind from -3 dB up, with and without echo. What is speech is told by the
clean clips: frames within 30 dB of their loud ones, and gaps of 30 ms between such frames. Longer
ones are not filled: the network would have to guess at every end whether more comes. Voices and
noises that are held out elsewhere are held out here too.
"""

import argparse
import random
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples
from assistant.ear.voice_activity import INPUTS, WINDOW, Floor, log_bands
from models.recipe.human import human_clips, human_sets, human_sound
from models.recipe.noises import KINDS
from models.recipe.pack import noise_parts
from models.recipe.progress import say
from models.recipe.texts import Texts
from models.recipe.voices import VOICES

STREAM_S = 15.0
WIDE, UNITS = 40, 48
_UNDER_DB = 30.0  # the loud frames of a clip
_GAP_FRAMES, _LEAST_FRAMES = 4, 3
Sound = NDArray[np.float64]


def speech_frames(clip: Samples) -> NDArray[np.bool_]:
    """Which frames of a clean clip hold speech; weak hissing sounds are lifted to be seen."""
    told = np.zeros(len(clip) // FRAME_SAMPLES, bool)
    for sound in (clip, np.diff(clip, prepend=clip[:1])):
        frames = sound[: len(told) * FRAME_SAMPLES].reshape(-1, FRAME_SAMPLES)
        power_db = 10 * np.log10(np.mean(np.square(frames, dtype=np.float64), axis=1) + 1e-12)
        loud_db, quiet_db = np.percentile(power_db, 95), np.percentile(power_db, 3)
        told |= power_db > max(loud_db - _UNDER_DB, min(quiet_db + 8.0, loud_db - 12.0))
    at = np.flatnonzero(told)
    for first, last in pairwise(at):
        if last - first <= _GAP_FRAMES:
            told[first:last] = True
    edges = np.flatnonzero(np.diff(np.concatenate([[0], told.astype(int), [0]])))
    for first, last in edges.reshape(-1, 2):
        if last - first < _LEAST_FRAMES:
            told[first:last] = False
    return told


def _noise(rng: np.random.Generator, count: int, recorded: list[NDArray[np.int16]]) -> Sound:
    """Noise of power one: recorded, made, hiss of any slope, many talkers at once; or two."""
    kind = rng.random()
    if kind < 0.25 and recorded:
        part = recorded[int(rng.integers(len(recorded)))].astype(np.float64)
        at = int(rng.integers(len(part)))
        sound = np.take(part, np.arange(at, at + count), mode="wrap")
    elif kind < 0.65:
        make = KINDS[int(rng.integers(len(KINDS)))]
        sound = np.concatenate([make(rng, count // 2), make(rng, count - count // 2)])
    else:
        hz = np.fft.rfftfreq(count, 1 / SAMPLE_RATE_HZ) + 20.0
        slope = rng.uniform(-1.0, 0.5)
        sound = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * hz**slope, count)
    sound = sound / (sound.std() + 1e-9)
    if rng.random() < 0.2:
        sound = sound + rng.uniform(0.2, 1.0) * _noise(rng, count, recorded)
    return sound / (sound.std() + 1e-9)


def _swell(rng: np.random.Generator, count: int) -> Sound:
    """Level of a noise: steady, or switched on and off, or changing by steps."""
    if rng.random() < 0.6:
        return np.ones(count)
    edges = np.sort(rng.integers(0, count, int(rng.integers(1, 4))))
    levels = 10 ** (rng.uniform(-25, 0, len(edges) + 1) / 20)
    steps = levels[np.searchsorted(edges, np.arange(count), side="right")]
    width = int(rng.uniform(0.005, 0.5) * SAMPLE_RATE_HZ)
    sums = np.cumsum(np.concatenate([np.full(width, steps[0]), steps]))
    return (sums[width:] - sums[:-width]) / width


def _echo(rng: np.random.Generator, sound: Sound) -> Sound:
    fall_s = rng.uniform(0.1, 0.6)
    count = int(fall_s * SAMPLE_RATE_HZ)
    tail = rng.standard_normal(count) * 10 ** (-3.0 * np.arange(count) / count)
    tail[:40] = 0.0
    tail *= 10 ** (-rng.uniform(3.0, 18.0) / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    size = len(sound) + count
    return np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(tail, size), size)[: len(sound)]


def _through_a_microphone(rng: np.random.Generator, speech: Sound) -> Sound:
    """A tilt, a bump, now and then a narrow band."""
    octave = np.log2((np.fft.rfftfreq(len(speech), 1 / SAMPLE_RATE_HZ) + 50.0) / 1000.0)
    bump = np.exp(-0.5 * ((octave - rng.normal(0.0, 2.0)) / 0.7) ** 2)
    gain_db = rng.normal(0.0, 2.0) * octave + rng.normal(0.0, 4.0) * bump
    if rng.random() < 0.15:
        gain_db -= 30.0 * np.maximum(octave - rng.uniform(1.7, 2.5), 0.0)
        gain_db -= 20.0 * np.maximum(-1.7 - octave, 0.0)
    return np.fft.irfft(np.fft.rfft(speech) * 10 ** (gain_db / 20), len(speech))


def stream(
    seed: int, clips: list[Samples], recorded: list[NDArray[np.int16]]
) -> tuple[NDArray[np.float16], NDArray[np.uint8]]:
    """Log powers [T, BANDS] of one stream and which frames are speech [T]."""
    rng = np.random.default_rng(seed)
    count = int(STREAM_S * SAMPLE_RATE_HZ) // FRAME_SAMPLES * FRAME_SAMPLES
    speech, told = np.zeros(count), np.zeros(count // FRAME_SAMPLES, np.uint8)
    at = int(rng.choice([0.0, 0.4, 1.0, 4.0, 11.0, 20.0], p=[0.1, 0.4, 0.2, 0.12, 0.15, 0.03])
             * rng.uniform(0.7, 1.3) * 100)  # fmt: skip
    busy = rng.random() < 0.3
    while at < len(told):
        clip = clips[int(rng.integers(len(clips)))]
        marks = speech_frames(clip)
        level = 10 ** (rng.normal(0.0, 3.0) / 20) / (np.sqrt(np.mean(clip**2)) + 1e-6)
        length = min(len(marks), len(told) - at)
        first = at * FRAME_SAMPLES
        speech[first : first + length * FRAME_SAMPLES] += level * clip[
            : length * FRAME_SAMPLES
        ].astype(np.float64)
        told[at : at + length] = marks[:length]
        at += length + int(rng.exponential(0.4 if busy else 2.5) * 100) + 15
    if rng.random() < 0.5:
        speech = _echo(rng, speech)
    speech = _through_a_microphone(rng, speech)
    active = np.repeat(told > 0, FRAME_SAMPLES)
    level = np.sqrt(np.mean(speech[active] ** 2)) if active.any() else 1.0
    speech = speech / (level + 1e-9)
    room = 10 ** (rng.uniform(-60.0, -25.0) / 20)
    sound = speech + room * _noise(rng, count, [])
    if rng.random() < 0.8:
        snr_db = rng.uniform(-3.0, 25.0)
        sound = sound + 10 ** (-snr_db / 20) * _noise(rng, count, recorded) * _swell(rng, count)
    if rng.random() < 0.15:  # many talkers far away are noise
        crowd = np.zeros(count)
        for _ in range(int(rng.integers(4, 9))):
            voice = np.concatenate([clips[int(rng.integers(len(clips)))] for _ in range(25)])
            crowd += np.resize(voice, count) / (np.std(voice) + 1e-6)
        sound = sound + 10 ** (-rng.uniform(8, 25) / 20) * crowd / crowd.std()
    sound = sound * 10 ** (rng.uniform(-50.0, -14.0) / 20)
    if rng.random() < 0.1:
        sound = np.clip(sound, -0.1, 0.1)
    if rng.random() < 0.1:
        first, last = np.sort(rng.integers(0, count, 2))
        sound[first : min(last, first + 3 * SAMPLE_RATE_HZ)] = 0.0  # muted
        told[first // FRAME_SAMPLES : min(last, first + 3 * SAMPLE_RATE_HZ) // FRAME_SAMPLES] = 0
    line = np.concatenate([np.zeros(WINDOW - FRAME_SAMPLES), np.clip(sound, -1, 1)])
    windows = np.lib.stride_tricks.sliding_window_view(line.astype(np.float32), WINDOW)
    return log_bands(windows[::FRAME_SAMPLES]).astype(np.float16), told


def _say(numbered: tuple[int, str], kind: str) -> Samples:
    number, text = numbered
    rng = random.Random(f"voice activity {kind} {number}")  # noqa: S311 - not for secrets
    return np.asarray(VOICES[kind](text, rng).samples, np.float32)


def made_clips(shares: dict[str, int], run: Callable[..., Iterator[Samples]]) -> list[Samples]:
    """Made voices: calls of the bench and other sentences."""
    clips: list[Samples] = []
    for kind, count in shares.items():
        texts = [text for _, text in Texts(f"voice activity {kind}").many(count)]
        clips += run(partial(_say, kind=kind), list(enumerate(texts)))
    return clips


def human_training(folder: Path, rng: random.Random, each: int) -> list[Samples]:
    """Clips of people, ``each`` of every set at most; short ones stand alone as long ones do."""
    chosen: list[Samples] = []
    for name in human_sets(folder):
        clips = [clip for clip, held_out in human_clips(folder, name) if not held_out]
        sound = human_sound(folder, name)
        for clip in rng.sample(clips, min(each, len(clips))):
            chosen.append((sound[clip.first : clip.last] / 32768).astype(np.float32))
    return [clip for clip in chosen if len(clip) > 20 * FRAME_SAMPLES]


_material: tuple[list[Samples], list[NDArray[np.int16]]] = ([], [])  # of a process


def _get_ready(clips: list[Samples], recorded: list[NDArray[np.int16]]) -> None:
    global _material
    _material = clips, recorded


def _stream_of(seed: int) -> tuple[NDArray[np.float16], NDArray[np.uint8]]:
    return stream(seed, *_material)


def inputs_of(bands: NDArray[np.float16]) -> NDArray[np.float16]:
    """What the network sees [T, B, INPUTS] of streams [B, T, BANDS]."""
    floor = Floor()
    frames = np.swapaxes(bands, 0, 1).astype(np.float32)
    return np.stack([floor.inputs(frame).astype(np.float16) for frame in frames])


def train(
    inputs: NDArray[np.float16],
    told: NDArray[np.uint8],
    *,
    steps: int,
    rows: int,
    rate: float,
    start: dict[str, NDArray[np.float32]] | None = None,
) -> dict[str, NDArray[np.float32]]:
    """Weights after ``steps`` of Adam on ``rows`` streams each; one stream in ten is for a look.

    inputs: [T, B, INPUTS]; told: [B, T]; start: weights to begin with, else drawn.
    """
    import jax
    import jax.numpy as jnp

    rng = np.random.default_rng(3)
    shapes = {"first": (INPUTS, WIDE), "take": (WIDE, 3 * UNITS), "keep": (UNITS, 3 * UNITS),
              "last": (UNITS, 1)}  # fmt: skip
    weights = {n: jnp.asarray(rng.standard_normal(s) / np.sqrt(s[0]), jnp.float32)
               for n, s in shapes.items()}  # fmt: skip
    weights |= {"first_bias": jnp.zeros(WIDE), "gates_bias": jnp.zeros(3 * UNITS),
                "last_bias": jnp.zeros(1)}  # fmt: skip

    if start is not None:
        weights = {name: jnp.asarray(values) for name, values in start.items()}

    def odds(of: dict[str, jax.Array], seen: jax.Array) -> jax.Array:
        new = jax.nn.relu(seen @ of["first"] + of["first_bias"]) @ of["take"] + of["gates_bias"]

        def step(state: jax.Array, one: jax.Array) -> tuple[jax.Array, jax.Array]:
            old = state @ of["keep"]
            gates = jax.nn.sigmoid(one[:, : 2 * UNITS] + old[:, : 2 * UNITS])
            candidate = jnp.tanh(one[:, 2 * UNITS :] + gates[:, UNITS:] * old[:, 2 * UNITS :])
            state = gates[:, :UNITS] * state + (1 - gates[:, :UNITS]) * candidate
            return state, state

        _, states = jax.lax.scan(step, jnp.zeros((seen.shape[1], UNITS)), new, unroll=4)
        return (states @ of["last"] + of["last_bias"])[..., 0]

    def loss(of: dict[str, jax.Array], seen: jax.Array, is_speech: jax.Array) -> jax.Array:
        found = odds(of, seen)
        return jnp.mean(jax.nn.softplus(found) - is_speech * found)

    @jax.jit
    def update(of, mean, square, seen, is_speech, at):  # type: ignore[no-untyped-def]
        value, slope = jax.value_and_grad(loss)(of, seen, is_speech)
        norm = jnp.sqrt(sum(jnp.sum(g**2) for g in slope.values()))
        slope = {n: g / jnp.maximum(1.0, norm) for n, g in slope.items()}
        mean = {n: 0.9 * mean[n] + 0.1 * slope[n] for n in of}
        square = {n: 0.995 * square[n] + 0.005 * slope[n] ** 2 for n in of}
        now = rate * jnp.minimum(1.0, at / 30) * 0.5 * (1 + jnp.cos(jnp.pi * at / steps))
        big = {n: mean[n] / (1 - 0.9**at) for n in of}
        of = {n: of[n] - now * big[n] / (jnp.sqrt(square[n] / (1 - 0.995**at)) + 1e-7) for n in of}
        return of, mean, square, value

    nothing = {n: jnp.zeros_like(w) for n, w in weights.items()}
    mean, square = nothing, nothing
    kept = inputs.shape[1] // 10
    order = np.arange(kept, inputs.shape[1])
    look = jax.jit(loss)
    for at in range(1, steps + 1):
        mine = rng.choice(order, rows, replace=False)
        length = inputs.shape[0]
        weights, mean, square, value = update(
            weights, mean, square, jnp.asarray(inputs[:length, mine], jnp.float32),
            jnp.asarray(told[mine, :length].T, jnp.float32), float(at),
        )  # fmt: skip
        if at % 100 == 0 or at == steps:
            seen = look(weights, jnp.asarray(inputs[:, :kept], jnp.float32),
                        jnp.asarray(told[:kept].T, jnp.float32))  # fmt: skip
            say(f"step {at}: loss {float(value):.4f}, of streams not learned {float(seen):.4f}")
    return {name: np.asarray(values, np.float32) for name, values in weights.items()}


def main() -> None:
    """Make the weights."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--human", type=Path, required=True)
    parser.add_argument("--noise", type=Path, required=True)
    parser.add_argument("--target", type=Path, required=True)
    parser.add_argument("--streams", type=int, default=1200)
    parser.add_argument("--steps", type=int, default=1100)
    parser.add_argument("--made", type=int, default=150, help="third of the made clips")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    given = parser.parse_args()
    clips = human_training(given.human, random.Random(1), 700)  # noqa: S311 - not for secrets
    recorded = [sound for _, sound in noise_parts(given.noise, held_out=False)]
    context = get_context("spawn")
    with ProcessPoolExecutor(given.jobs, context) as pool:
        clips += made_clips({"espeak": 2 * given.made, "flite": given.made}, pool.map)
    say(f"{len(clips)} clips")
    with ProcessPoolExecutor(given.jobs, context, _get_ready, (clips, recorded)) as pool:
        streams = list(pool.map(_stream_of, range(given.streams), chunksize=8))
    bands, told = (np.stack(part) for part in zip(*streams, strict=True))
    say(f"{given.streams} streams")
    weights = train(inputs_of(bands), told, steps=given.steps, rows=64, rate=4e-3)
    np.savez(given.target, **weights)


if __name__ == "__main__":
    main()
