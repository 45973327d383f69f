"""All that stands for a SpeechDetector keeps its promises: the one that ships and the fakes."""

import pytest

from assistant.build.ears import open_detector
from assistant.ear.ports import SpeechDetector
from tests.bench.test_turn_taking import Loudness as WorldLoudness
from tests.contract.speech_detector_contract import SpeechDetectorContract, call
from tests.ear.test_listener import Loudness

__all__ = ["call"]


class TestVoiceActivity(SpeechDetectorContract):
    @pytest.fixture
    def detector(self) -> SpeechDetector:
        return open_detector()


@pytest.mark.parametrize("fake", [Loudness, WorldLoudness], scope="class")
class TestLoudness(SpeechDetectorContract):
    @pytest.fixture
    def detector(self, fake: type[Loudness | WorldLoudness]) -> SpeechDetector:
        return fake()
