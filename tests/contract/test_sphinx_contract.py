"""pocketsphinx keeps the promises of a recogniser, on clips of a free synthetic voice."""

from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile

from assistant.adapters.recognisers.sphinx_recognizer import SphinxRecognizer
from assistant.ear.ports import Recognizer
from assistant.errors import RecognizerError
from assistant.language.sentence_graph import WordGraph, from_sentences
from tests.contract.recognizer_contract import FOREIGN, GRAPH, SENTENCES, RecognizerContract

CLIPS = Path(__file__).parent / "clips"


def play(recognizer: Recognizer, text: str) -> None:
    sound, _ = soundfile.read(CLIPS / f"{text.replace(' ', '_')}.flac", dtype="float32")
    for first in range(0, len(sound), 160):
        recognizer.feed(sound[first : first + 160])


@pytest.mark.audio
class TestSphinx(RecognizerContract):
    @pytest.fixture
    def recognizer(self) -> SphinxRecognizer:
        return SphinxRecognizer(GRAPH)

    @pytest.fixture
    def say(self) -> Callable[[Recognizer, str], None]:
        return play

    def test_foreign_talk_is_not_taken_for_a_call(self, recognizer: SphinxRecognizer) -> None:
        heard = self.hear(recognizer, play, FOREIGN)
        assert not heard.words or heard.score < 0.5

    def test_only_sentences_of_the_graph_come_out(self, recognizer: SphinxRecognizer) -> None:
        for text in ("fifteen goes sixteen snug", "sixteen snug", FOREIGN):
            for hypothesis in self.hear(recognizer, play, text).hypotheses:
                assert " ".join(hypothesis.words) in SENTENCES

    def test_a_made_up_word_works_with_its_pronunciation(self) -> None:
        graph = from_sentences(
            ["fufteen goes", "sixteen snug"],
            pronunciations={"fufteen": ("F IH0 F T IY1 N", "F IH F T IY N")},
        )
        heard = self.hear(SphinxRecognizer(graph), play, "fifteen goes")
        assert heard.words == ("fufteen", "goes")

    def test_letters_of_other_languages_work(self) -> None:
        graph = from_sentences(
            ["fünfzehn goes", "sixteen snug"], pronunciations={"fünfzehn": ("F IH F T IY N",)}
        )
        assert self.hear(SphinxRecognizer(graph), play, "fifteen goes").words[0] == "fünfzehn"


def test_a_word_without_pronunciation_is_named_with_the_file_to_write_it_in() -> None:
    with pytest.raises(RecognizerError, match=r"'snorfle'.*pronunciations\.yaml"):
        SphinxRecognizer(from_sentences(["fifteen snorfle"]))


@pytest.mark.parametrize("phones", ["S N QQ", "", "SNUG"])
def test_a_wrong_phone_is_named(phones: str) -> None:
    with pytest.raises(RecognizerError, match=f"'{phones}'"):
        SphinxRecognizer(from_sentences(["snug"], pronunciations={"snug": (phones,)}))


def test_an_empty_graph_is_refused() -> None:
    with pytest.raises(RecognizerError, match="no sentence"):
        SphinxRecognizer(WordGraph(0, frozenset(), (), ()))
