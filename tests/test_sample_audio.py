"""The sound that ships: listed whole, true to the grammar, heard by the ear that ships."""

import csv
import wave
from collections.abc import Iterator

import pytest

from assistant.adapters.files.data_files import shipped
from assistant.adapters.sound.wav_file import WavFile
from assistant.build.ears import Ear, open_ear
from assistant.build.words import load_grammar

FOLDER = shipped("sample_audio")
with (FOLDER / "manifest.csv").open(encoding="utf-8", newline="") as _file:
    CLIPS = list(csv.DictReader(_file))
CALLS = [clip for clip in CLIPS if clip["file"].startswith("calls/") and clip["noise"] == "none"]
OTHERS = [clip for clip in CLIPS if clip["file"].startswith(("talk/", "noise/"))]


@pytest.fixture(scope="module")
def ear() -> Iterator[Ear]:
    with open_ear(load_grammar()) as opened:
        yield opened


def taken(ear: Ear, clip: dict[str, str]) -> list[str]:
    """What was accepted as a call in the clip."""
    calls = ear.listener(WavFile(FOLDER / clip["file"])).calls()
    return [
        " ".join(heard.words)
        for _, heard in calls
        if heard.score >= heard.sure_from and ear.grammar.parse(heard.words)
    ]


def test_the_manifest_lists_every_clip_and_no_other() -> None:
    there = {str(path.relative_to(FOLDER).as_posix()) for path in FOLDER.rglob("*.wav")}
    assert {clip["file"] for clip in CLIPS} == there


def test_every_call_is_a_sentence_of_the_grammar_and_no_talk_is() -> None:
    grammar = load_grammar()
    for clip in CLIPS:
        parsed = grammar.parse(clip["said"].split()) if clip["said"] else None
        assert (parsed is not None) == (clip["in_grammar"] == "yes"), clip


def test_clips_are_mono_16_khz_16_bit() -> None:
    forms = set()
    for clip in CLIPS:
        with wave.open(str(FOLDER / clip["file"])) as sound:
            forms.add((sound.getnchannels(), sound.getframerate(), sound.getsampwidth()))
    assert forms == {(1, 16_000, 2)}


def test_every_clip_names_its_voice_licence_and_source() -> None:
    for clip in CLIPS:
        assert clip["licence"], clip
        assert clip["source"], clip


@pytest.mark.audio
def test_most_clean_calls_are_heard_word_for_word_and_hardly_one_is_wrong(ear: Ear) -> None:
    right = wrong = 0
    for clip in CALLS:
        words = taken(ear, clip)
        right += words == [clip["said"]]
        wrong += bool(words) and " ".join(words) != clip["said"]
    assert right >= 0.85 * len(CALLS), (right, wrong, len(CALLS))
    assert wrong <= 0.05 * len(CALLS), (right, wrong, len(CALLS))


@pytest.mark.audio
def test_talk_and_noise_pass_without_effect(ear: Ear) -> None:
    accepted = {clip["file"]: taken(ear, clip) for clip in OTHERS}
    assert {file: words for file, words in accepted.items() if words} == {}
