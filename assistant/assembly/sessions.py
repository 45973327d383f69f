"""Builds a session on disk: where it is kept, its log, its dialogue, what it leaves."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from assistant import __version__
from assistant.adapters.clips import Clips
from assistant.adapters.job_file import read_job
from assistant.adapters.learned_file import LearnedFile
from assistant.adapters.session_log import SessionLog, read_log
from assistant.adapters.sheet_file import save_sheet, sheet_template
from assistant.assembly.ears import load_grammar, load_wording
from assistant.dialogue import Call, Dialogue, Turn
from assistant.errors import JobError, LearnedError
from assistant.grammar import Grammar
from assistant.job import Job
from assistant.ports import Speaker
from assistant.record.report import sheet_page, sheet_table
from assistant.record.sheet import sheet_of
from assistant.reply import Wording
from assistant.session import replay
from assistant.utterance import Heard, Utterance

SOFTWARE = f"leafcall {__version__}"


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
