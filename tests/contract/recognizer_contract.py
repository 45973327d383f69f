"""What every recogniser promises; each backend has a thin file that says how to speak to it."""

from collections.abc import Callable

import numpy as np
import pytest

from assistant.ear.ports import Recognizer
from assistant.ear.utterance import FRAME_SAMPLES, Heard, Samples
from assistant.errors import RecognizerError
from assistant.language.sentence_graph import WordGraph
from tests.graphs import from_sentences

SENTENCES = (
    "fifteen goes",
    "fifteen snug",
    "sixteen goes",
    "sixteen snug",
    "fifteen goes sixteen snug",
    "what now",
)
GRAPH: WordGraph = from_sentences(SENTENCES)
FOREIGN = "the radio is far too loud in here"


class RecognizerContract:
    """Subclasses give ``recognizer`` and ``say`` (feeds words to it, as sound or else)."""

    hears_sound = True

    @pytest.fixture
    def recognizer(self) -> Recognizer:
        raise NotImplementedError

    @pytest.fixture
    def say(self) -> Callable[[Recognizer, str], None]:
        raise NotImplementedError

    def hear(
        self, recognizer: Recognizer, say: Callable[[Recognizer, str], None], text: str
    ) -> Heard:
        recognizer.begin()
        say(recognizer, text)
        return recognizer.end()

    @pytest.mark.parametrize("sentence", ["fifteen goes", "sixteen snug", "what now"])
    def test_a_sentence_of_the_grammar_is_heard(self, recognizer, say, sentence: str) -> None:
        heard = self.hear(recognizer, say, sentence)
        assert " ".join(heard.words) == sentence
        assert heard.score > 0.5

    def test_scores_are_shares_in_falling_order(self, recognizer, say) -> None:
        heard = self.hear(recognizer, say, "fifteen goes sixteen snug")
        scores = [hypothesis.score for hypothesis in heard.hypotheses]
        assert 0.0 < sum(scores) <= 1.0 + 1e-9
        assert scores == sorted(scores, reverse=True)
        assert len({hypothesis.words for hypothesis in heard.hypotheses}) == len(scores)

    def test_words_come_while_the_speech_goes_on(self, recognizer, say) -> None:
        recognizer.begin()
        assert recognizer.words_so_far() == ()
        say(recognizer, "fifteen goes sixteen snug")
        assert recognizer.words_so_far() == ("fifteen", "goes", "sixteen", "snug")

    def test_many_utterances_in_a_row_do_not_disturb_each_other(self, recognizer, say) -> None:
        rounds = ["fifteen goes", "what now", "sixteen snug"] * 4
        assert [" ".join(self.hear(recognizer, say, text).words) for text in rounds] == rounds

    def test_an_unfinished_utterance_is_dropped_by_the_next(self, recognizer, say) -> None:
        recognizer.begin()
        say(recognizer, "sixteen snug")
        assert self.hear(recognizer, say, "what now").words == ("what", "now")

    def test_an_utterance_of_nothing_gives_no_hypotheses(self, recognizer) -> None:
        recognizer.begin()
        heard = recognizer.end()
        assert (heard.hypotheses, heard.score) == ((), 0.0)

    @pytest.mark.parametrize(
        "sound",
        [
            np.zeros(0, np.float32),
            np.zeros(1, np.float32),
            np.zeros(2 * FRAME_SAMPLES, np.float32),
            np.zeros(16_000, np.float32),
        ],
        ids=["no samples", "one sample", "two frames", "a second of digital silence"],
    )
    def test_quiet_gives_nothing_to_act_on(self, recognizer, sound: Samples) -> None:
        recognizer.begin()
        recognizer.feed(sound)
        heard = recognizer.end()
        assert not heard.words or heard.score < 0.5

    def test_garbage_sound_does_no_harm(self, recognizer, say) -> None:
        recognizer.begin()
        recognizer.feed(np.random.default_rng(3).uniform(-4, 4, 8_000).astype(np.float32))
        heard = recognizer.end()
        assert not heard.words or heard.score < 0.5
        assert self.hear(recognizer, say, "what now").words == ("what", "now")

    def test_time_spent_is_told(self, recognizer, say) -> None:
        heard = self.hear(recognizer, say, "fifteen goes")
        assert 0.0 <= heard.final_s <= heard.compute_s < 60.0
        assert not self.hears_sound or heard.compute_s > 0.0

    def test_feeding_or_ending_before_the_begin_is_refused(self, recognizer) -> None:
        with pytest.raises(RecognizerError, match="begin"):
            recognizer.feed(np.zeros(160, np.float32))
        with pytest.raises(RecognizerError, match="begin"):
            recognizer.end()

    def test_ending_twice_is_refused(self, recognizer, say) -> None:
        self.hear(recognizer, say, "what now")
        with pytest.raises(RecognizerError, match="begin"):
            recognizer.end()

    def test_close_twice_does_no_harm_and_use_after_it_is_refused(self, recognizer) -> None:
        recognizer.begin()
        recognizer.close()
        recognizer.close()
        with pytest.raises(RecognizerError, match="closed"):
            recognizer.begin()

    def test_it_has_a_name_for_people(self, recognizer) -> None:
        assert recognizer.name.strip() == recognizer.name != ""
