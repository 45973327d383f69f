"""Builds a session on disk: where it is kept, its log, its dialogue, what it leaves."""

import glob
import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from assistant import __version__
from assistant.adapters.files.clips import Clips
from assistant.adapters.files.data_files import page_template
from assistant.adapters.files.failover_log import SturdyLog
from assistant.adapters.files.job_file import read_job
from assistant.adapters.files.learned_file import LearnedFile, usual_path
from assistant.adapters.files.log_heads import LogHeads
from assistant.adapters.files.session_log import LogPlace, in_use, read_log
from assistant.adapters.files.sheet_file import save_sheet
from assistant.bench.dialogue import Call, Dialogue, Turn
from assistant.bench.events import ClipKeepingSet, SessionOpened, VoiceSet
from assistant.bench.job import Job
from assistant.bench.learned import PersonAndTool
from assistant.bench.log_chain import Head, told_damage
from assistant.bench.ports import Speaker
from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.build.log_memory import LogMemory, keep_older_sheets
from assistant.build.words import load_grammar, load_wording
from assistant.ear.utterance import Heard, Utterance
from assistant.errors import JobError, LearnedError, LogDamaged, LogError, LogInUse
from assistant.language.grammar import Grammar

SOFTWARE = f"leafcall {__version__}"


class SystemClock:
    """The clock of the machine, UTC."""

    def now(self) -> datetime:
        """Present time."""
        return datetime.now(UTC)

    def elapsed_s(self) -> float:
        """Seconds from some fixed moment."""
        return time.monotonic()

    def wait(self, seconds: float) -> None:
        """Do nothing for so long."""
        time.sleep(seconds)


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
    def has_log(self) -> bool:
        """Whether the log is there. Raises LogError if that cannot be told."""
        try:
            return self.log.exists()
        except OSError as error:
            raise LogError(f"{self.path} cannot be looked into: {error.strerror}.") from error

    @property
    def sheet(self) -> Path:
        """The build sheet as a page."""
        return self.path / "sheet.html"

    @property
    def table(self) -> Path:
        """The build sheet as a table."""
        return self.path / "sheet.csv"

    @property
    def record(self) -> Path:
        """The build sheet as a record of JSON."""
        return self.path / "sheet.json"

    @property
    def clips(self) -> Path:
        """Notes and kept calls."""
        return self.path / "clips"


def session_folders(job_path: Path) -> list[SessionFolder]:
    """Sessions of a job so far, oldest first, those too that had to be kept elsewhere.

    Raises LogError if their folder is there and cannot be looked into.
    """
    home = _home(job_path)
    found = {path for path in _numbered(home) if SessionFolder(path).has_log}
    for kept in _kept_elsewhere(home.resolve().name):
        number = kept.name.removeprefix(f"{home.resolve().name}-").partition("-")[0]
        path = home / number
        log = kept / "log.jsonl"
        if number.isdecimal() and spare_log(path / log.name) == log and _seen(log):
            found.add(path)
    return [SessionFolder(path) for path in sorted(found, key=lambda path: int(path.name))]


def _kept_elsewhere(home_name: str) -> list[Path]:
    try:
        return list((usual_path().parent / "elsewhere").glob(f"{glob.escape(home_name)}-*"))
    except OSError:  # not ours to look at: nothing of ours is there
        return []


def _numbered(home: Path) -> list[Path]:
    try:
        inside = list(home.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []
    except OSError as error:
        raise LogError(f"{home} cannot be looked into: {error.strerror}.") from error
    return [path for path in inside if path.name.isdecimal() and path.is_dir()]


def job_of(folder: SessionFolder) -> Path:
    """The job file whose session a folder holds."""
    home = folder.path.resolve().parent
    return home.with_name(f"{home.name.removesuffix('-sessions')}.toml")


def _home(job_path: Path) -> Path:
    return job_path.with_name(f"{job_path.stem}-sessions")


def spare_log(log: Path) -> Path:
    """Where a log goes on while its own folder cannot be written: in this user's data folder."""
    return usual_path().parent / "elsewhere" / _name_here(log) / "log.jsonl"


def memory_of(folder: SessionFolder) -> LogMemory:
    """What is known of a session's log apart from it."""
    heads = LogHeads(usual_path().parent / "heads", _name_here(folder.log))
    return LogMemory(folder.log, heads)


def _name_here(log: Path) -> str:
    """A name for a log in this user's data folder, of its whole path."""
    home = log.resolve()
    number = hashlib.sha256(str(home).encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{home.parent.parent.name}-{home.parent.name}-{number}"


@dataclass(frozen=True, slots=True)
class LostSession:
    """A session whose log is gone. known: what is still known of the log's end."""

    folder: SessionFolder
    known: Head

    @property
    def told(self) -> str:
        """A sentence that tells it."""
        return (
            f"The log {self.folder.log} is gone, but {self.known.where} knows of "
            f"{self.known.events} events in it. Look for it, on a backup or another disk, and put "
            "it back."
        )


def lost_session(job_path: Path) -> LostSession | None:
    """The newest session of a job, if its log is gone though a sheet or this computer knows it."""
    folders = session_folders(job_path)
    newest = int(folders[-1].path.name) if folders else 0
    home = _home(job_path)
    for number in range(int(fresh_folder(job_path).path.name) - 1, newest, -1):
        lost = lost_at(SessionFolder(home / f"{number:03d}"))
        if lost is not None:
            return lost
    return None


def lost_at(folder: SessionFolder) -> LostSession | None:
    """That session, if its log is gone and something is known of it."""
    if folder.has_log or goes_on_elsewhere(folder):
        return None
    known = memory_of(folder).fullest()
    return LostSession(folder, known) if known is not None else None


def session_to_use(job_path: Path, *, new: bool) -> SessionFolder:
    """The newest session if it has rings to do, else a new one.

    new: always a new one. Raises LogError if the newest log cannot be read, LogDamaged if it is
    gone, LogInUse if a new one would be a second session under way on one engine.
    """
    folders = session_folders(job_path)
    if not new and (lost := lost_session(job_path)) is not None:
        raise LogDamaged(
            f"{lost.told} Else 'leafcall mend {job_path}' goes on in a new session and tells what "
            "is known; or begin anew with --new."
        )
    if folders and not new:
        newest = folders[-1]
        elsewhere = goes_on_elsewhere(newest)
        state = replay(read_log(folder_elsewhere(newest).log if elsewhere else newest.log))
        if state.job is None or state.open_rings():
            return newest
    for folder in folders:
        for log in (folder.log, folder_elsewhere(folder).log):
            if in_use(log):
                raise LogInUse(
                    f"Another session of this job is under way, in {folder.path}: end that one "
                    "first (wrap up, or Ctrl-C in its window)."
                )
    return fresh_folder(job_path)


def fresh_folder(job_path: Path) -> SessionFolder:
    """One that no session has had, even if its log is gone: its sheet or its head may be left."""
    home = _home(job_path)
    taken = [int(folder.path.name) for folder in session_folders(job_path)]
    taken += [int(path.name) for path in _numbered(home) if any(path.iterdir())]
    number = max(taken, default=0) + 1
    while memory_of(fresh := SessionFolder(home / f"{number:03d}")).knows_any():
        number += 1
    return fresh


@dataclass(frozen=True, slots=True)
class Session:
    """A session ready for calls. home: its folder beside the job; away: where it goes on while that
    cannot be written. repaired: file that took a torn last line, else None.
    """

    job: Job
    dialogue: Dialogue
    log: SturdyLog
    home: SessionFolder
    away: SessionFolder
    grammar: Grammar
    wording: Wording
    speaker: Speaker
    repaired: Path | None
    first: Turn

    @property
    def folder(self) -> SessionFolder:
        """Where the whole session is now."""
        return self.away if self.log.elsewhere else self.home

    def call(self, utterance: Utterance, heard: Heard, source: str) -> Call:
        """An utterance as a call whose sound can be kept."""
        clips = Clips(self.folder.clips)
        # Away the numbers at home are not known; a place in the log comes only once.
        stem = f"away-{self.dialogue.state.seq + 1:05d}" if self.log.elsewhere else None
        return Call(
            heard, source, utterance.start_s, utterance.end_s,
            keep=lambda most_bytes: clips.keep(
                utterance.samples, most_bytes=most_bytes, stem=stem
            ),
        )  # fmt: skip


@contextmanager
def open_session(
    job_path: Path,
    *,
    speaker: Speaker,
    show: Callable[[Turn, Wording], None],
    new: bool = False,
    learned: LearnedFile | None = None,
    voice: VoiceSet | None = None,
    keeping: ClipKeepingSet | None = None,
) -> Iterator[Session]:
    """Open the job's unfinished session, or a new one, and say where it stands.

    learned: gives the starting values of a new session, and takes what was learned at its end.
    voice, keeping: how replies sound and whether the sound of calls is kept, None = as before.
    Raises JobError, LogError, LogInUse, GrammarError.
    """
    job = read_job(job_path)
    grammar = load_grammar(unit=job.unit)
    wording = load_wording(grammar)
    folder = session_to_use(job_path, new=new)
    with ExitStack() as stack:
        home = LogPlace(folder.log, memory_of(folder))
        away = folder_elsewhere(folder)
        log = SturdyLog(home, LogPlace(away.log))
        stack.callback(_bring_home, log, away, folder)
        stack.callback(log.close)
        _bring_home(log, away, folder)
        state = replay(log.read())
        dialogue = Dialogue(
            store=log, clock=SystemClock(), grammar=grammar, wording=wording, speaker=speaker,
            show=lambda turn: show(turn, wording), state=state,
        )  # fmt: skip
        start = learned.read().get(learned_key(job)) if learned is not None else None
        settings = tuple(new for new in (voice, keeping) if new is not None)
        first = dialogue.open(job, software=SOFTWARE, start=start, settings=settings)
        try:
            yield Session(
                job, dialogue, log, folder, away, grammar, wording, speaker, home.repaired, first
            )
        except BaseException:
            with suppress(LearnedError):  # what ended the session is to be told
                _keep_learned(learned, dialogue)
            raise
        _keep_learned(learned, dialogue)


def _bring_home(log: SturdyLog, away: SessionFolder, home: SessionFolder) -> None:
    """What is beside a log that has come home: its clips; sheets are written anew at home."""
    if log.elsewhere or not _seen(away.path):
        return
    for path in (away.sheet, away.table, away.record):
        with suppress(OSError):
            path.unlink(missing_ok=True)
    Clips(away.clips).move_to(home.clips)


def learned_key(job: Job) -> PersonAndTool:
    """To whom the learned values of a job belong."""
    return PersonAndTool(job.person, job.grinder.kind)


def _keep_learned(learned: LearnedFile | None, dialogue: Dialogue) -> None:
    state = dialogue.state
    now = state.learned
    if learned is None or now.rings <= (state.start.rings if state.start is not None else 0):
        return
    kept = learned.read().get(learned_key(state.the_job))
    if kept is not None:
        if kept.rings >= now.rings:  # an old session that was taken up again: others know more
            return
        now = now.with_offset_of(kept)  # it may have been measured since the session began
    learned.keep(learned_key(state.the_job), now)


def folder_of(path: Path, *, told: Callable[[str], None] = lambda _: None) -> SessionFolder:
    """Folder of a session: ``path`` is its log, or a job file (its newest session that has a log).

    told: is given a sentence if the log of a newer one is gone.

    What was left elsewhere is brought home first; the folder elsewhere is given if that cannot be
    done. Raises JobError if the job has no session yet, LogDamaged if its only log is gone.
    """
    if path.suffix == ".jsonl":
        return _settled(SessionFolder(path.parent, path.name))
    folders, lost = session_folders(path), lost_session(path)
    if lost is not None and not folders:
        raise LogDamaged(f"{lost.told} 'leafcall mend {path}' tells what is known.")
    if lost is not None:
        told(f"{lost.told} This is of the session before it.")
    if not folders and not path.exists():
        raise JobError(f"There is no file {path}: name a job file, or the log of a session.")
    if not folders:
        raise JobError(f"{path} has no session yet: begin one with 'leafcall fit {path}'.")
    return _settled(folders[-1])


def folder_elsewhere(folder: SessionFolder) -> SessionFolder:
    """Where a session goes on while its own folder cannot be written."""
    return SessionFolder(spare_log(folder.log).parent)


def goes_on_elsewhere(folder: SessionFolder) -> bool:
    """Whether a part of the session is elsewhere; False too where nobody may look."""
    return _seen(folder_elsewhere(folder).log)


def _seen(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:
        return False


def _settled(folder: SessionFolder) -> SessionFolder:
    away = folder_elsewhere(folder)
    if not goes_on_elsewhere(folder):
        return folder
    try:
        log = SturdyLog(LogPlace(folder.log, memory_of(folder)), LogPlace(away.log))
    except LogInUse:  # a session is under way, elsewhere
        return away
    except LogError:  # the log at home is damaged, or another one
        return folder
    log.close()
    _bring_home(log, away, folder)
    return away if log.elsewhere else folder


def write_sheet(folder: SessionFolder, wording: Wording) -> tuple[str, ...]:
    """Write the build sheet of a session beside its log: as a page, a table and a record.

    Of a damaged log, or one that lost its end, it holds what can still be read; sentences about
    that are returned and stand on it. A sheet that held more is kept beside, and that is told too.
    Raises LogError if the log cannot be read, LogDamaged if its job is lost, SheetError if a file
    cannot be written.
    """
    # Here: pages take a while to load, and nobody waits for them before the first call.
    from assistant.record.sheet_forms import sheet_page, sheet_record, sheet_table
    from assistant.record.sheet_from_log import sheet_of

    found = memory_of(folder).scan()
    if not any(isinstance(envelope.event, SessionOpened) for envelope in found.events):
        if found.damages:
            raise LogDamaged(
                f"{folder.log}: {found.damages[0].reason} The line with the job cannot be "
                "read, so there is nothing to make a sheet of."
            )
        raise LogError(f"The log {folder.log} is empty: there is nothing to make a sheet of.")
    damage = told_damage(found.events, found.damages)
    sheet = sheet_of(
        found.events, log_name=f"{folder.path.name}/{folder.log.name}", wording=wording,
        log_check="" if damage else found.check, damage=damage, local=datetime.astimezone,
    )  # fmt: skip
    kept = keep_older_sheets(folder.path, found)
    save_sheet(folder.sheet, sheet_page(sheet, template=page_template("sheet")))
    save_sheet(folder.table, sheet_table(sheet))
    save_sheet(folder.record, sheet_record(sheet))
    if not kept:
        return damage
    names = ", ".join(path.name for path in kept)
    return (*damage, f"The sheet that was there holds what the log does not; it is kept: {names}.")
