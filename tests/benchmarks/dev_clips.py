"""Sound of the development voices: made once, kept outside the checkout (the platform's cache, or
the folder that LEAFCALL_BENCH names).

    python -m tests.benchmarks.dev_clips [--human DIR] [--noise DIR]

Needs the extra ``train``, and the programs espeak-ng, flite and text2wave. The voices are those
that models/recipe holds out of training; festival's kal, probably the speaker of a training voice,
is made but never read. Groups: ``session`` (a builder's session, each call with the state before it
known by its number), ``random`` (any sentences of the grammar), ``talk`` (what is not for it),
``people`` (held-out recordings outside the grammar), ``running`` (minutes of both without a break),
``room`` (noise alone). Every clip has its own
seed, so a broken-off run goes on with the same sound; it is made anew when its text has changed.
"""

import argparse
import csv
import os
import random
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import platformdirs
import soundfile
import soxr

from assistant.build.words import load_grammar, load_wording
from assistant.ear.utterance import SAMPLE_RATE_HZ, Samples
from tests.benchmarks.dev_texts import random_sentence, session_calls, talk
from tests.benchmarks.noises import Sound, make_noise

SESSION_SEED = 41
COLUMNS = ("file", "group", "voice", "said", "seconds")
# clips of each voice: session, random, talk
SHARES = {
    "espeak": (110, 150, 420),
    "flite": (70, 80, 240),
    "kokoro": (110, 140, 260),
    "festival": (30, 40, 120),
}
_ACCENTS = ("en-us", "en-gb", "en-gb-x-rp", "en-us-nyc", "en-gb-scotland", "en-029")
_KOKORO_VOICES = 10
_LEFT_OUT = "festival-kal"
_RUNNING_S = 60.0
CALLS = ("session", "random", "given")
"""Groups of clips that are sentences of the grammar; given: those of a manifest."""


Row = tuple[str, str, str, str, str]
"""File, group, voice, words, seconds: a line of the table of clips."""


def home() -> Path:
    """Where the clips are kept."""
    named = os.environ.get("LEAFCALL_BENCH")
    return Path(named) if named else platformdirs.user_cache_path("leafcall-bench", False)


@dataclass(frozen=True)
class DevClip:
    """One clip of the set."""

    path: Path
    group: str
    voice: str
    said: str
    number: int  # in its group


def read_clips(folder: Path | None = None) -> list[DevClip]:
    """All clips that are there. Raises FileNotFoundError, saying how to make them."""
    folder = folder or home()
    if not (folder / "clips.csv").is_file():
        raise FileNotFoundError(f"{folder} holds no clips: python -m tests.benchmarks.dev_clips")
    with (folder / "clips.csv").open(newline="", encoding="utf-8") as file:
        return [
            DevClip(folder / row["file"], row["group"], row["voice"], row["said"],
                    int(Path(row["file"]).stem.rsplit("-", 1)[1]))
            for row in csv.DictReader(file)
            if row["voice"] != _LEFT_OUT
        ]  # fmt: skip


def _espeak(text: str, rng: random.Random) -> tuple[str, Samples]:
    from models.recipe.voices import ESPEAK_HELD_OUT, _run

    variant, accent = rng.choice(ESPEAK_HELD_OUT), rng.choice(_ACCENTS)
    speed, pitch = str(rng.randint(120, 190)), str(rng.randint(30, 70))
    command = ["espeak-ng", "-v", f"{accent}+{variant}", "-s", speed, "-p", pitch, "--stdin", "-w"]
    return f"espeak-{variant}", _run(command, text)


def _flite(text: str, rng: random.Random) -> tuple[str, Samples]:
    from models.recipe.voices import flite

    return "flite-awb", flite(text, rng, held_out=True).samples


def kokoro_sound(number: int, text: str, speed: float) -> Samples:
    """What a held-out voice says, speed 0.8 to 1.25. Needs the extra ``train``."""
    from models.recipe.voices import KOKORO_ACCENTS, kokoro_say, kokoro_style, kokoro_tokens

    person = random.Random(f"kokoro development voice {number}")
    _, weights, disturbance = kokoro_style(person, held_out=True)
    tokens = kokoro_tokens(text, person.choice(KOKORO_ACCENTS))
    return kokoro_say(tokens, weights, disturbance, speed)


def _kokoro(text: str, rng: random.Random) -> tuple[str, Samples]:
    number = rng.randrange(_KOKORO_VOICES)
    return f"kokoro-{number}", kokoro_sound(number, text, rng.uniform(0.85, 1.2))


def _festival(text: str, rng: random.Random) -> tuple[str, Samples]:
    stretch = f"(Parameter.set 'Duration_Stretch {rng.uniform(0.85, 1.2):.2f})"
    with tempfile.NamedTemporaryFile(suffix=".wav") as wav:
        command = ["text2wave", "-eval", "(voice_kal_diphone)", "-eval", stretch, "-o", wav.name]
        subprocess.run(command, input=text, text=True, check=True, capture_output=True)
        samples, rate = soundfile.read(wav.name, dtype="float32")
    return "festival-kal", np.asarray(soxr.resample(samples, rate, SAMPLE_RATE_HZ), np.float32)


_SAY: dict[str, Callable[[str, random.Random], tuple[str, Samples]]] = {
    "espeak": _espeak, "flite": _flite, "festival": _festival, "kokoro": _kokoro,
}  # fmt: skip


def wanted() -> Iterator[tuple[str, int, str, str]]:
    """(group, number, kind of voice, text) of every made clip, cheap voices first."""
    grammar = load_grammar()
    rng = random.Random(7)
    count = sum(share[0] for share in SHARES.values())
    calls = session_calls(grammar, load_wording(grammar), SESSION_SEED, count)
    texts = {
        "session": [call.text for call in calls],
        "random": [
            random_sentence(grammar, rng) for _ in range(sum(s[1] for s in SHARES.values()))
        ],
        "talk": [],
    }
    supply = talk(rng)
    while len(texts["talk"]) < sum(s[2] for s in SHARES.values()):
        text = next(supply)
        if grammar.parse(text.split()) is None:
            texts["talk"].append(text)
    kinds = {
        group: rng.sample([k for k, s in SHARES.items() for _ in range(s[at])], len(texts[group]))
        for at, group in enumerate(texts)
    }
    for kind in _SAY:
        for group, listed in texts.items():
            for number, text in enumerate(listed):
                if kinds[group][number] == kind:
                    yield group, number, kind, text


def make(folder: Path, human: Path | None, noise: Path | None) -> None:
    """Make what is missing, and the table of all."""
    (folder / "clips").mkdir(parents=True, exist_ok=True)
    rows = _rooms(folder, noise) + (_people(folder, human) if human else [])
    for group, number, kind, text in wanted():
        name = f"clips/{group}-{number:04d}.flac"
        voice, sound = _cached(folder / name, text, partial(
            _SAY[kind], text, random.Random(f"{group} {number}")))  # fmt: skip
        rows.append((name, group, voice, text, f"{len(sound) / SAMPLE_RATE_HZ:.2f}"))
        if len(rows) % 20 == 0:
            print(f"{len(rows)} clips", flush=True)
            _table(folder, rows)
    _table(folder, rows + _running(folder, rows))


def _running(folder: Path, rows: list[Row]) -> list[Row]:
    """Talk that goes on: sentences of one voice, or one set of people, a breath between them."""
    made: list[Row] = []
    by_voice: dict[str, list[Row]] = {}
    for row in rows:
        if row[1] in ("talk", "people") and row[2] != _LEFT_OUT:
            kind = row[2] if row[1] == "talk" else row[2].rpartition("-")[0]
            by_voice.setdefault(kind, []).append(row)
    for voice, sentences in sorted(by_voice.items()):
        rng, parts, texts = random.Random(f"running {voice}"), list[Samples](), list[str]()
        rng.shuffle(sentences)
        for at, (file, _, _, text, _) in enumerate(sentences, start=1):
            with soundfile.SoundFile(folder / file) as sound:
                parts.append(sound.read(dtype="float32"))
            parts.append(np.zeros(round(rng.uniform(0.1, 0.6) * SAMPLE_RATE_HZ), np.float32))
            texts.append(text)
            seconds = sum(map(len, parts)) / SAMPLE_RATE_HZ
            if seconds >= _RUNNING_S or (at == len(sentences) and seconds >= _RUNNING_S / 2):
                name, said = f"clips/running-{len(made):04d}.flac", ", ".join(texts)
                _cached(folder / name, said, partial(_as_is, voice, np.concatenate(parts)))
                made.append((name, "running", voice, said, f"{seconds:.2f}"))
                parts, texts = [], []
    return made


def _people(folder: Path, human: Path) -> list[Row]:
    """Held-out recordings of people; what is in the grammar is no part of it."""
    from models.recipe.human import human_clips, human_sets, human_sound

    grammar = load_grammar()
    rows: list[Row] = []
    for name in human_sets(human):
        clips = [clip for clip, held_out in human_clips(human, name) if held_out]
        sound = human_sound(human, name)
        for clip in clips:
            if grammar.parse(clip.words) is None:
                file = f"clips/people-{len(rows):04d}.flac"
                cut = (sound[clip.first : clip.last] / 32768).astype(np.float32)
                said = " ".join(clip.words)
                _cached(folder / file, said, partial(_as_is, clip.speaker, cut))
                seconds = f"{len(cut) / SAMPLE_RATE_HZ:.2f}"
                rows.append((file, "people", clip.speaker, said, seconds))
    return rows


def _rooms(folder: Path, noise: Path | None) -> list[Row]:
    """Noise alone: made, loud and faint, and the held-out recordings of machines."""
    rows, rng = [], np.random.default_rng(5)
    parts = [(kind, 10 ** (rng.uniform(-50, -12) / 20) * _unit(make_noise(kind, 60 * 16_000, at)))
             for at in range(6) for kind in ("pink", "white", "shop")]  # fmt: skip
    if noise:
        from models.recipe.pack import noise_parts

        for kind, cut in noise_parts(noise, held_out=True):
            loud = _unit(cut.astype(np.float64))
            parts += [(f"recorded {kind}", loud * 10 ** (level / 20)) for level in (-35.0, -18.0)]
    for number, (kind, sound) in enumerate(parts):
        file = f"clips/room-{number:04d}.flac"
        samples = np.clip(sound, -1, 1).astype(np.float32)
        _cached(folder / file, kind, partial(_as_is, kind, samples))
        rows.append((file, "room", kind, "", f"{len(samples) / SAMPLE_RATE_HZ:.2f}"))
    return rows


def _unit(sound: Sound) -> Sound:
    return sound / max(1e-9, float(np.sqrt(np.mean(sound**2))))


def _as_is(voice: str, sound: Samples) -> tuple[str, Samples]:
    return voice, sound


def _cached(path: Path, text: str, say: Callable[[], tuple[str, Samples]]) -> tuple[str, Samples]:
    """The clip at ``path``, made by ``say`` if it is not there or ``text`` is not what it says.

    The voice is kept as its title, the text as its comment.
    """
    if not path.exists() or soundfile.SoundFile(path).comment != text:
        voice, sound = say()
        peak = float(np.abs(sound).max(initial=1e-6))
        level = min(1.0, 0.5 / peak) if peak > 0.5 else 1.0
        fresh = path.with_suffix(".part")
        with soundfile.SoundFile(fresh, "w", SAMPLE_RATE_HZ, 1, "PCM_16", format="FLAC") as file:
            file.title, file.comment = voice, text
            file.write(sound * level)
        fresh.rename(path)
    with soundfile.SoundFile(path) as file:
        return file.title, file.read(dtype="float32")


def _table(folder: Path, rows: list[Row]) -> None:
    with (folder / "clips.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([COLUMNS, *rows])


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--human", type=Path, help="folder of labelled human recordings")
    parser.add_argument("--noise", type=Path, help="folder of recorded noise")
    given = parser.parse_args()
    make(home(), given.human, given.noise)
