"""Vosk keeps the promises of a recogniser, on a model whose words are tones."""

import urllib.error
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from assistant.adapters.recognisers import vosk_recognizer
from assistant.adapters.recognisers.vosk_recognizer import (
    VoskRecognizer,
    check_model_folder,
    fetch_model,
)
from assistant.ear.ports import Recognizer
from assistant.errors import RecognizerError
from assistant.language.sentence_graph import WordGraph
from tests.contract.recognizer_contract import GRAPH, RecognizerContract
from tests.contract.tone_model import say_tones, write_tone_model
from tests.graphs import from_sentences


@pytest.fixture(scope="session")
def models(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folders = {kind: tmp_path_factory.mktemp("models") / kind for kind in ("static", "dynamic")}
    for kind, folder in folders.items():
        write_tone_model(folder, GRAPH, static=kind == "static")
    return folders


def play(recognizer: Recognizer, text: str) -> None:
    sound = say_tones(tuple(text.split()), GRAPH.vocabulary)
    for first in range(0, len(sound), 800):
        recognizer.feed(sound[first : first + 800])


@pytest.mark.audio
class TestVosk(RecognizerContract):
    @pytest.fixture(params=["static", "dynamic"])
    def recognizer(self, models: dict[str, Path], request: pytest.FixtureRequest) -> VoskRecognizer:
        return VoskRecognizer(GRAPH, models[request.param])

    @pytest.fixture
    def say(self) -> Callable[[Recognizer, str], None]:
        return play

    def test_a_pause_that_vosk_takes_for_the_end_does_not_lose_words(
        self, recognizer: VoskRecognizer
    ) -> None:
        recognizer.begin()
        play(recognizer, "fifteen goes")
        quiet = np.random.default_rng(1).normal(0, 1e-4, 16_000).astype(np.float32)
        recognizer.feed(quiet)
        recognizer.feed(quiet)
        assert recognizer.words_so_far() == ("fifteen", "goes")
        assert recognizer.end().words == ("fifteen", "goes")

    def test_its_name_says_which_model(self, recognizer: VoskRecognizer) -> None:
        assert recognizer.name in {"vosk static", "vosk dynamic"}


@pytest.mark.audio
def test_a_run_time_grammar_lets_only_whole_sentences_out(models: dict[str, Path]) -> None:
    """Vosk's own phrase list would let 'goes fifteen' through: pairs are all it knows."""
    recognizer = VoskRecognizer(GRAPH, models["dynamic"])
    for text in ("goes fifteen", "now now now", "snug snug"):
        recognizer.begin()
        play(recognizer, text)
        assert recognizer.words_so_far() != ()
        heard = recognizer.end()
        assert (heard.words == ()) or heard.score < 0.5


@pytest.mark.audio
def test_a_word_that_the_model_lacks_is_named(models: dict[str, Path]) -> None:
    graph = from_sentences(["fifteen goes", "fifteen wobbles"])
    for folder in models.values():
        with pytest.raises(RecognizerError, match="'wobbles'"):
            VoskRecognizer(graph, folder)


def test_an_empty_graph_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecognizerError, match="no sentence"):
        VoskRecognizer(WordGraph(0, frozenset(), (), ()), tmp_path)


def test_a_missing_folder_is_refused_and_nothing_is_fetched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("socket.socket.connect", lambda *_: pytest.fail("used the network"))
    with pytest.raises(RecognizerError, match=r"no model folder .*nowhere"):
        VoskRecognizer(GRAPH, tmp_path / "nowhere")


@pytest.mark.parametrize(
    "lost", ["am/final.mdl", "conf/model.conf", "conf/mfcc.conf", "graph/Gr.fst"]
)
def test_a_model_with_a_file_missing_is_refused_with_its_name(tmp_path: Path, lost: str) -> None:
    write_tone_model(tmp_path / "model", GRAPH, static=False)
    (tmp_path / "model" / lost).unlink()
    with pytest.raises(RecognizerError, match=lost):
        check_model_folder(tmp_path / "model")


def test_the_kind_of_a_model_is_told_by_its_files(models: dict[str, Path]) -> None:
    assert check_model_folder(models["static"]) is True
    assert check_model_folder(models["dynamic"]) is False


@pytest.mark.parametrize("name", ["../evil", "a/b", "", "-x", "a b"])
def test_a_name_that_is_no_model_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecognizerError, match="not the name of a model"):
        fetch_model(tmp_path, name=name)


def test_no_network_is_said_clearly_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    vosk = pytest.importorskip("vosk")

    def no_network(*_: object, **__: object) -> None:
        raise urllib.error.URLError("Name or service not known")

    monkeypatch.setattr(vosk, "urlretrieve", no_network)
    with pytest.raises(RecognizerError, match="is there a network"):
        fetch_model(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_model_is_fetched_with_progress_and_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The package's own unpacking runs; only the transfer is replaced by a local file."""
    import shutil

    vosk = pytest.importorskip("vosk")
    name = vosk_recognizer.STANDARD_MODEL
    write_tone_model(tmp_path / "server" / name, GRAPH, static=False)
    archive = shutil.make_archive(str(tmp_path / "packed"), "zip", tmp_path / "server")

    def retrieve(url: str, target: str, reporthook, data: object) -> None:
        size = Path(archive).stat().st_size
        reporthook(0, 1024, size)
        reporthook(size // 1024 + 1, 1024, size)
        shutil.copy(archive, target)

    monkeypatch.setattr(vosk, "urlretrieve", retrieve)
    seen: list[tuple[int, int]] = []
    folder = fetch_model(tmp_path / "here", progress=lambda done, total: seen.append((done, total)))
    assert folder == tmp_path / "here" / name
    assert check_model_folder(folder) is False
    size = Path(archive).stat().st_size
    assert seen == [(0, size), (size, size)]
    assert [path.name for path in folder.parent.iterdir()] == [name]


@pytest.mark.parametrize(
    ("found", "shares"),
    [
        ([[(("yes",), -5.0)], [(("yes",), -9.0)]], {("yes",): 1.0}),
        ([[(("yes",), -5.0)], [(("no",), -5.0)]], {("yes",): 0.5, ("no",): 0.5}),
        ([[(("yes",), 0.0), (("no",), -np.log(3.0))], [(("yes",), 0.0)]],
         {("yes",): 0.875, ("no",): 0.125}),
        ([[], [(("yes",), 0.0)]], {("yes",): 0.5}),
        ([[]], {}),
    ],
)  # fmt: skip
def test_where_two_hearings_differ_neither_has_all(
    found: list[list[tuple[tuple[str, ...], float]]], shares: dict[tuple[str, ...], float]
) -> None:
    assert vosk_recognizer._mixed(found) == pytest.approx(shares)


def test_the_same_hearing_twice_is_as_one(models: dict[str, Path]) -> None:
    once, twice = (
        VoskRecognizer(GRAPH, models["static"], speeds=speeds) for speeds in ((1.0,), (1.0, 1.0))
    )
    found = []
    for recognizer in (once, twice):
        recognizer.begin()
        play(recognizer, "fifteen goes")
        found.append(recognizer.end())
    assert found[0].words == ("fifteen", "goes")
    assert found[0].hypotheses == found[1].hypotheses
