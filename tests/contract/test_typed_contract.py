"""The keyboard keeps the promises of a recogniser."""

from collections.abc import Callable

import pytest

from assistant.adapters.recognisers.typed_recognizer import TypedRecognizer
from assistant.ear.ports import Recognizer
from assistant.errors import RecognizerError
from tests.contract.recognizer_contract import FOREIGN, RecognizerContract


def words_of(line: str) -> tuple[str, ...]:
    return tuple(line.lower().replace("15", "fifteen").split())


class TestTyped(RecognizerContract):
    hears_sound = False

    @pytest.fixture
    def recognizer(self) -> TypedRecognizer:
        return TypedRecognizer(words_of)

    @pytest.fixture
    def say(self) -> Callable[[Recognizer, str], None]:
        return lambda recognizer, text: recognizer.type(text)

    def test_a_line_goes_through_the_words_of_the_grammar(
        self, recognizer: TypedRecognizer
    ) -> None:
        assert recognizer.hear("15 GOES\n").words == ("fifteen", "goes")

    def test_a_foreign_line_comes_out_as_typed(self, recognizer: TypedRecognizer) -> None:
        assert " ".join(recognizer.hear(FOREIGN).words) == FOREIGN

    @pytest.mark.parametrize("line", ["", "   ", "\n"])
    def test_an_empty_line_is_nothing(self, recognizer: TypedRecognizer, line: str) -> None:
        assert recognizer.hear(line).hypotheses == ()

    def test_typing_before_the_begin_is_refused(self, recognizer: TypedRecognizer) -> None:
        with pytest.raises(RecognizerError, match="begin"):
            recognizer.type("what now")
