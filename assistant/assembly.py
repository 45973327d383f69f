"""Builds the parts into a whole: an ear, a session on disk. Only this and the cli know adapters."""

import json
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from assistant import __version__
from assistant.adapters.clips import Clips
from assistant.adapters.data_files import grammar_texts, shipped
from assistant.adapters.job_file import read_job
from assistant.adapters.learned_file import LearnedFile
from assistant.adapters.own_model import compiled, usual_cache
from assistant.adapters.rnnoise import open_front_end
from assistant.adapters.session_log import SessionLog, read_log
from assistant.adapters.sheet_file import save_sheet, sheet_template
from assistant.adapters.vosk_recognizer import VoskRecognizer
from assistant.dialogue import Call, Dialogue, Turn
from assistant.errors import JobError, LearnedError, RecognizerError
from assistant.grammar import REPLIES_FILE, Grammar
from assistant.interpretation import refused_by_ear
from assistant.job import Job
from assistant.listening import Listener
from assistant.ports import AudioSource, FrontEnd, Recognizer, Speaker
from assistant.reply import Wording
from assistant.report import sheet_page, sheet_table
from assistant.session import replay
from assistant.sheet import sheet_of
from assistant.units import Unit
from assistant.utterance import Heard, Utterance
from assistant.wordgraph import WordGraph

SOFTWARE = f"leafcall {__version__}"
DEFAULT_EAR = "own"
STOCK_EAR = "pocketsphinx"
EARS = (DEFAULT_EAR, STOCK_EAR)
OWN_MODEL = "leafcall-en"


def load_grammar(folder: Path | None = None, *, unit: Unit = Unit.INCH) -> Grammar:
    """The grammar in ``folder``, or the bench's own. Raises GrammarError."""
    return Grammar(grammar_texts(folder if folder is not None else shipped("grammar")), unit=unit)


def load_wording(grammar: Grammar | None = None) -> Wording:
    """The bench's replies, numbers worded by ``grammar``; None leaves them in figures."""
    numbers = grammar.numbers if grammar is not None else None
    return Wording(grammar_texts(shipped("grammar"))[REPLIES_FILE], numbers)


def open_recognizer(ear: str, graph: WordGraph) -> Recognizer:
    """The recogniser named ``ear``: one of EARS, or the folder of a Vosk model.

    Raises RecognizerError if there is no such recogniser or model.
    """
    if ear == DEFAULT_EAR:
        grammar_model, loop_model = compiled(shipped("models") / OWN_MODEL, graph, usual_cache())
        return VoskRecognizer(graph, grammar_model, loop_folder=loop_model, name=OWN_MODEL)
    if ear == STOCK_EAR:
        # Only when it is wanted: its decoder is slow to load.
        from assistant.adapters.sphinx_recognizer import SphinxRecognizer

        return SphinxRecognizer(graph)
    if Path(ear).is_dir():
        return VoskRecognizer(graph, Path(ear))
    raise RecognizerError(
        f"There is no ear {ear!r}: write {' or '.join(EARS)}, or the folder of a Vosk model "
        "('leafcall models' explains)."
    )


@dataclass(frozen=True, slots=True)
class Ear:
    """A grammar with a recogniser and a front end for it; close it when done.

    notice: a sentence to show if hearing is worse than it could be, else empty.
    """

    grammar: Grammar
    front_end: FrontEnd
    recognizer: Recognizer
    notice: str

    def listener(self, source: AudioSource) -> Listener:
        """Listens to one source."""
        self.front_end.reset()
        return Listener(
            source, self.front_end, self.recognizer, is_complete=self.grammar.is_complete
        )


@contextmanager
def open_ear(
    grammar: Grammar, *, ear: str = DEFAULT_EAR, denoise: bool | None = None
) -> Iterator[Ear]:
    """An ear for ``grammar``. Raises RecognizerError.

    denoise: None = as the ear was made: our own model learned to hear in noise and takes the sound
    as it is, others hear better through the denoiser.
    """
    cleaned = ear != DEFAULT_EAR if denoise is None else denoise
    recognizer = open_recognizer(ear, grammar.graph)
    try:
        front_end, notice = open_front_end(denoise=cleaned)
        yield Ear(grammar, front_end, recognizer, notice)
    finally:
        recognizer.close()


def heard_record(
    ear: Ear, file: str, utterance: Utterance | None, heard: Heard, *, audio_s: float,
    compute_s: float,
) -> str:  # fmt: skip
    """One line of JSON on one utterance (None: the file held no speech), for other programs.

    latency_s: from the end of speech to the result, the quiet waited for included.
    """
    parsed = ear.grammar.parse(heard.words) if heard.words else None
    refused = "no speech" if utterance is None else refused_by_ear(heard, ear.grammar)
    latency_s = None if utterance is None else utterance.decided_s - utterance.end_s + heard.final_s
    return json.dumps(
        {
            "file": file,
            "words": " ".join(heard.words),
            "command": parsed.command if parsed is not None and refused is None else None,
            "refused": refused,
            "score": round(heard.score, 4),
            "audio_s": round(audio_s, 3),
            "compute_s": round(compute_s, 4),
            "latency_s": None if latency_s is None else round(latency_s, 4),
            "start_s": None if utterance is None else round(utterance.start_s, 2),
            "end_s": None if utterance is None else round(utterance.end_s, 2),
        },
        ensure_ascii=False,
    )


def hear_records(ear: Ear, source: AudioSource, *, file: str) -> Iterator[str]:
    """A JSON line for every utterance of a source, at least one. file: its name in the lines."""
    listener = ear.listener(source)
    count, stream_s, began = 0, 0.0, time.perf_counter()
    for utterance, heard in listener.calls():
        now_s, now = listener.stream_s, time.perf_counter()
        yield heard_record(
            ear, file, utterance, heard, audio_s=now_s - stream_s, compute_s=now - began
        )
        count, stream_s, began = count + 1, now_s, time.perf_counter()
    if not count:
        yield heard_record(
            ear, file, None, Heard((), 0.0), audio_s=listener.stream_s,
            compute_s=time.perf_counter() - began,
        )  # fmt: skip


class SystemClock:
    """The clock of the machine, UTC."""

    def now(self) -> datetime:
        """Present time."""
        return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class SessionFolder:
    """Where one session is kept: log, sheet, clips; all in one folder beside the job file."""

    path: Path
    log_name: str = "log.jsonl"

    @property
    def log(self) -> Path:
        """The session log."""
        return self.path / self.log_name

    @property
    def sheet(self) -> Path:
        """The build sheet as a page."""
        return self.path / "sheet.html"

    @property
    def table(self) -> Path:
        """The build sheet as a table."""
        return self.path / "sheet.csv"

    @property
    def clips(self) -> Path:
        """Notes and kept calls."""
        return self.path / "clips"


def session_folders(job_path: Path) -> list[SessionFolder]:
    """Sessions of a job so far, oldest first."""
    home = _home(job_path)
    numbered = (p for p in home.glob("*") if p.is_dir() and p.name.isdecimal())
    found = sorted(numbered, key=lambda path: int(path.name))
    return [SessionFolder(path) for path in found if (path / "log.jsonl").exists()]


def _home(job_path: Path) -> Path:
    return job_path.with_name(f"{job_path.stem}-sessions")


def session_to_use(job_path: Path, *, new: bool) -> SessionFolder:
    """The newest session if it has rings to do, else a new one.

    new: always a new one. Raises LogError if the newest log cannot be read.
    """
    folders = session_folders(job_path)
    if folders and not new:
        state = replay(read_log(folders[-1].log))
        if state.job is None or state.open_rings():
            return folders[-1]
    number = int(folders[-1].path.name) + 1 if folders else 1
    return SessionFolder(_home(job_path) / f"{number:03d}")


@dataclass(frozen=True, slots=True)
class Session:
    """A session ready for calls. repaired: file that took a torn last line, else None."""

    job: Job
    dialogue: Dialogue
    folder: SessionFolder
    grammar: Grammar
    wording: Wording
    repaired: Path | None
    first: Turn

    def call(self, utterance: Utterance, heard: Heard, source: str) -> Call:
        """An utterance as a call whose sound can be kept as a note."""
        clips = Clips(self.folder.clips)
        return Call(
            heard, source, utterance.start_s, utterance.end_s,
            keep=lambda: clips.keep(utterance.samples),
        )  # fmt: skip


@contextmanager
def open_session(
    job_path: Path,
    *,
    speaker: Speaker,
    show: Callable[[Turn, Wording], None],
    new: bool = False,
    learned: LearnedFile | None = None,
) -> Iterator[Session]:
    """Open the job's unfinished session, or a new one, and say where it stands.

    learned: gives the starting values of a new session, and takes what was learned at its end.
    Raises JobError, LogError, LogInUse, GrammarError.
    """
    job = read_job(job_path)
    grammar = load_grammar(unit=job.unit)
    wording = load_wording(grammar)
    folder = session_to_use(job_path, new=new)
    with ExitStack() as stack:
        log = SessionLog(folder.log)
        stack.callback(log.close)
        state = replay(log.read())
        dialogue = Dialogue(
            store=log, clock=SystemClock(), grammar=grammar, wording=wording, speaker=speaker,
            show=lambda turn: show(turn, wording), state=state,
        )  # fmt: skip
        start = learned.read().get(learned_key(job)) if learned is not None else None
        first = dialogue.open(job, software=SOFTWARE, start=start)
        try:
            yield Session(job, dialogue, folder, grammar, wording, log.repaired, first)
        except BaseException:
            with suppress(LearnedError):  # what ended the session is to be told
                _keep_learned(learned, dialogue)
            raise
        _keep_learned(learned, dialogue)


def learned_key(job: Job) -> str:
    """Under which name the learned values of a job are kept: who, with what."""
    return f"{job.person or 'anyone'}, {job.grinder.kind.value}"


def _keep_learned(learned: LearnedFile | None, dialogue: Dialogue) -> None:
    state = dialogue.state
    now = state.learned
    if learned is not None and now.rings > (state.start.rings if state.start is not None else 0):
        learned.keep(learned_key(state.the_job), now)


def folder_of(path: Path) -> SessionFolder:
    """Folder of a session: ``path`` is its log, or a job file (its newest session).

    Raises JobError if the job has no session yet.
    """
    if path.suffix == ".jsonl":
        return SessionFolder(path.parent, path.name)
    folders = session_folders(path)
    if not folders:
        raise JobError(f"{path} has no session yet: begin one with 'leafcall fit {path}'.")
    return folders[-1]


def write_sheet(folder: SessionFolder, wording: Wording) -> None:
    """Write the build sheet of a session beside its log, as a page and as a table.

    Raises LogError if the log cannot be read, LeafcallError if a file cannot be written.
    """
    sheet = sheet_of(
        read_log(folder.log), log_name=f"{folder.path.name}/{folder.log.name}", wording=wording
    )
    save_sheet(folder.sheet, sheet_page(sheet, template=sheet_template()))
    save_sheet(folder.table, sheet_table(sheet))
