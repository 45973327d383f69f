"""What every speaker promises; test_speakers_contract.py says how to open each."""

from collections.abc import Callable

import pytest

from assistant.bench.events import FASTEST_WPM, LOUDEST_PERCENT, SLOWEST_WPM, SOFTEST_PERCENT
from assistant.bench.ports import Speaker, Tone
from assistant.errors import SpeakerError

Heard = Callable[[], int]


class SpeakerContract:
    """Subclasses give ``speaker`` and ``heard``: how many replies have come out of it so far.

    ``heard`` may wait, or let time go by, until nothing is under way.
    """

    @pytest.fixture
    def speaker(self) -> Speaker:
        raise NotImplementedError

    @pytest.fixture
    def heard(self, speaker: Speaker) -> Heard:
        raise NotImplementedError

    def test_at_first_it_is_silent(self, speaker: Speaker, heard: Heard) -> None:
        assert not speaker.speaking
        assert heard() == 0

    def test_every_reply_is_said_and_then_it_is_silent_again(
        self, speaker: Speaker, heard: Heard
    ) -> None:
        speaker.say("Ground two thou.")
        speaker.say("Deburr.", tone=Tone.HEARD)
        speaker.say("Try fifteen.")
        assert heard() == 3
        assert not speaker.speaking

    def test_nothing_to_say_is_no_reply(self, speaker: Speaker, heard: Heard) -> None:
        speaker.say("")
        assert heard() == 0
        assert not speaker.speaking

    @pytest.mark.parametrize("tone", list(Tone))
    def test_a_tone_needs_no_words(self, speaker: Speaker, heard: Heard, tone: Tone) -> None:
        speaker.say("", tone=tone)
        speaker.say("Square.")
        heard()
        assert not speaker.speaking

    def test_after_it_was_stopped_it_falls_silent_and_the_next_reply_is_said(
        self, speaker: Speaker, heard: Heard
    ) -> None:
        speaker.say("Cylinder one, top ring.")
        speaker.stop()
        before = heard()
        assert not speaker.speaking
        speaker.say("Go ahead.")
        assert heard() == before + 1

    def test_stopping_while_it_is_silent_does_no_harm(self, speaker: Speaker, heard: Heard) -> None:
        speaker.stop()
        speaker.stop()
        speaker.say("Noted.")
        assert heard() == 1

    @pytest.mark.parametrize("volume_percent", [SOFTEST_PERCENT, LOUDEST_PERCENT])
    @pytest.mark.parametrize("words_per_minute", [SLOWEST_WPM, FASTEST_WPM])
    def test_it_sounds_as_loud_and_as_fast_as_the_bench_may_ask(
        self, speaker: Speaker, heard: Heard, volume_percent: int, words_per_minute: int
    ) -> None:
        speaker.set_voice(volume_percent=volume_percent, words_per_minute=words_per_minute)
        speaker.say("From now on it sounds like this.")
        assert heard() == 1

    def test_close_twice_does_no_harm(self, speaker: Speaker) -> None:
        speaker.say("Wrapped up.")
        speaker.close()
        speaker.close()


class FailingSpeakerContract(SpeakerContract):
    """Of speakers that can fail. Subclasses give ``broken``: takes their voice, and gives it back.

    What is asked for next fails; the failure may be told by the reply after it.
    """

    @pytest.fixture
    def broken(self, speaker: Speaker) -> Callable[[bool], None]:
        raise NotImplementedError

    def test_a_lost_voice_is_told_and_comes_back(
        self, speaker: Speaker, heard: Heard, broken: Callable[[bool], None]
    ) -> None:
        def say_some() -> None:
            for _ in range(3):
                speaker.say("Deburr.")
                heard()

        broken(True)
        with pytest.raises(SpeakerError):
            say_some()
        broken(False)
        before = heard()
        speaker.say("The voice is back.")
        assert heard() == before + 1
