"""What every speech detector promises; test_speech_detectors_contract.py says how to open each."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.ear.ports import SpeechDetector
from assistant.ear.utterance import FRAME_SAMPLES, SAMPLE_RATE_HZ, Samples

CLIP = Path(__file__).parent / "clips/fifteen_goes_sixteen_snug.flac"
ROOM_FRAMES = 100


@pytest.fixture(scope="module")
def call() -> list[Samples]:
    """A second of a quiet room, then a call near full scale, frame by frame."""
    clip, _ = soundfile.read(CLIP, dtype="float32")
    room = np.random.default_rng(4).normal(0, 2e-4, SAMPLE_RATE_HZ)
    sound = np.concatenate([room, clip / np.abs(clip).max()]).astype(np.float32)
    whole = len(sound) // FRAME_SAMPLES
    return np.split(sound[: whole * FRAME_SAMPLES], whole)


class SpeechDetectorContract:
    """Subclasses give ``detector``."""

    @pytest.fixture
    def detector(self) -> SpeechDetector:
        raise NotImplementedError

    def test_it_tells_chances(self, detector: SpeechDetector, call: list[Samples]) -> None:
        told = [detector.speech(frame) for frame in call]
        assert all(isinstance(chance, float) and 0.0 <= chance <= 1.0 for chance in told)

    def test_a_call_is_likelier_speech_than_the_room_before_it(
        self, detector: SpeechDetector, call: list[Samples]
    ) -> None:
        told = [detector.speech(frame) for frame in call]
        assert max(told[ROOM_FRAMES // 2 : ROOM_FRAMES]) < 0.5
        assert max(told[ROOM_FRAMES:]) > 0.9

    def test_after_a_reset_the_same_sound_is_told_the_same(
        self, detector: SpeechDetector, call: list[Samples]
    ) -> None:
        first = [detector.speech(frame) for frame in call]
        detector.reset()
        assert [detector.speech(frame) for frame in call] == first

    def test_the_frame_is_left_as_it_was(
        self, detector: SpeechDetector, call: list[Samples]
    ) -> None:
        for frame in call[ROOM_FRAMES:]:
            before = frame.copy()
            detector.speech(frame)
            assert np.array_equal(frame, before)
