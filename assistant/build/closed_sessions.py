"""What can be done with a session that is over: trace its sheet, mend its log, erase its sound."""

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import count, groupby
from pathlib import Path

from assistant.adapters.files.clips import Clips
from assistant.adapters.files.job_file import read_job
from assistant.adapters.files.learned_file import LearnedFile, usual_path
from assistant.adapters.files.session_log import SessionLog, scan_log
from assistant.adapters.files.sheet_file import read_sheet
from assistant.bench.events import (
    ClipsForgotten,
    Envelope,
    Event,
    RingPicked,
    SessionOpened,
    SessionResumed,
    TroubleNoted,
    envelope,
)
from assistant.bench.log_chain import told_damage
from assistant.build.log_memory import kept_records
from assistant.build.sessions import (
    SOFTWARE,
    LostSession,
    SessionFolder,
    folder_elsewhere,
    fresh_folder,
    goes_on_elsewhere,
    learned_key,
    memory_of,
)
from assistant.build.words import load_grammar, load_wording
from assistant.errors import LogDamaged, LogError, SheetError
from assistant.record.seal import Form, Seal, Verdict, judge, read_seal
from assistant.record.sheet_forms import sheet_record
from assistant.record.sheet_from_log import sheet_of


@dataclass(frozen=True, slots=True)
class Compared:
    """A sheet held against a log. log_events: how many the log holds."""

    log: Path
    seal: Seal
    verdict: Verdict
    log_events: int


def verify_sheet(path: Path, log: Path | None = None) -> Compared:
    """Hold a sheet against its log. log: None = the one it names, in the sheet's own folder.

    Raises SheetError if it is no sheet, LogError if the log cannot be read, LogDamaged.
    """
    try:
        form = Form(path.suffix.lower().lstrip("."))
    except ValueError:
        raise SheetError(f"{path} is no build sheet: name a .html, .csv or .json file.") from None
    seal = read_seal(read_sheet(path), form)
    if log is None:
        # Only the last part: a sheet from elsewhere must not lead to other folders.
        name = seal.log_name.replace("\\", "/").rpartition("/")[2]
        log = path.parent / (name or "log.jsonl")
    found = scan_log(log)
    if found.damages:
        raise LogDamaged(f"{log}: {found.damages[0].reason} It cannot be held against a sheet.")
    return Compared(log, seal, judge(seal, found.checks), len(found.events))


def sound_of(folder: SessionFolder) -> Sequence[Path]:
    """Where a session's sound is kept: clips of calls and notes, and pages that hold such clips."""
    pages = [page for page in folder.path.glob("*.html") if b"data:audio/" in page.read_bytes()]
    return [*Clips(folder.clips).all(), *sorted(pages)]


def forget_sound(folder: SessionFolder) -> Sequence[Path]:
    """Erase the kept sound of a session and note that in its log; which files.

    The log stays whole; what was understood stays in it. Raises LogError if a file cannot be
    erased or a part of the session is elsewhere, LogInUse while it is under way, LogDamaged.
    """
    away = folder_elsewhere(folder)
    if goes_on_elsewhere(folder):
        raise LogError(
            f"A part of this session is in {away.path}, because {folder.path} cannot be written. "
            "Bring that back first, then forget again."
        )
    sound = sound_of(folder)
    log = SessionLog(folder.log, memory_of(folder))
    try:
        stored = log.read()
        if not stored:
            raise LogError(f"The log {folder.log} is empty: there is no sound to erase.")
        # The log first: an erased clip that nobody noted would look like damage.
        at = max(datetime.now(UTC), stored[-1].at)
        event = ClipsForgotten(clips=len(Clips(folder.clips).all()))
        log.append([envelope(event, seq=stored[-1].seq + 1, at=at, turn=stored[-1].turn + 1)])
        Clips(folder.clips).erase()
        for page in sound:
            page.unlink(missing_ok=True)
    except OSError as error:
        raise LogError(
            f"{error.filename} cannot be erased: {error.strerror}. Erase it by hand."
        ) from error
    finally:
        log.close()
    return sound


def mend_log(folder: SessionFolder) -> tuple[SessionFolder, Sequence[str]]:
    """A new session beside this one with all that can still be read of its damaged log.

    The damaged log is left as it is; its clips are copied. Returns the new session and sentences
    that tell the damage, and what a sheet knew that the log does not. Raises LogError if the log is
    sound, or if it cannot be read; LogDamaged if its job is lost.
    """
    found = memory_of(folder).scan()
    if not found.damages:
        raise LogError(f"The log {folder.log} is sound: there is nothing to mend.")
    known = found.events
    if not any(isinstance(one.event, SessionOpened) for one in known):
        raise LogDamaged(
            f"{folder.log}: {found.damages[0].reason} The line with the job cannot be read, so "
            "it cannot be mended: begin anew with --new."
        )
    told = told_damage(known, found.damages)
    new = _beside(folder)
    log = SessionLog(new.log, memory_of(new))
    try:
        for _, turn in groupby(_renumbered(known, told), key=lambda one: one.turn):
            log.append(list(turn))
    finally:
        log.close()
    told = (*told, *_known_by_sheet(folder, new, known))
    if folder.clips.is_dir():
        shutil.copytree(folder.clips, new.clips, dirs_exist_ok=True)
    return new, told


def mend_lost(lost: LostSession, job_path: Path) -> tuple[SessionFolder, Sequence[str]]:
    """A new session in place of one whose log is gone, with a note of that in its log and sheet.

    Returns it and sentences: what is known of the log, and of each ring by a sheet. Raises JobError
    if the job file is not there, LogError if the session cannot be written.
    """
    job, new = read_job(job_path), fresh_folder(job_path)
    start = LearnedFile(usual_path()).read().get(learned_key(job))
    told = (
        lost.told, "What was called out there is missing here: measure every ring before you rely "
        "on it.",
    )  # fmt: skip
    first = next(job.places())
    events: tuple[Event, ...] = (
        SessionOpened(job=job, software=SOFTWARE, start=start),
        RingPicked(cylinder=first[0], position=first[1]),
        TroubleNoted(about="log damaged", detail=" ".join(told)),
    )
    at = datetime.now(UTC)
    log = SessionLog(new.log, memory_of(new))
    try:
        log.append([envelope(one, seq=seq, at=at, turn=0) for seq, one in enumerate(events)])
    finally:
        log.close()
    return new, (*told, *_known_by_sheet(lost.folder, new, log.read()))


def _known_by_sheet(
    folder: SessionFolder, new: SessionFolder, known: Sequence[Envelope]
) -> Sequence[str]:
    """What the fullest sheet beside a damaged or lost log tells of each ring and the log does not.

    It cannot become events, for a sheet has no times; the builder reads it and calls it anew.
    """
    wording = load_wording(load_grammar())
    held = json.loads(sheet_record(sheet_of(known, log_name=new.log.name, wording=wording)))
    now = {(ring["cylinder"], ring["ring"]): ring for ring in held["rings"]}
    for path, record in kept_records(folder.path):
        more = [
            f"{path.name} knew of cylinder {ring['cylinder']} {ring['ring']}, {ring['state']}: "
            f"{'; '.join(ring['readings']) or 'no reading'}."
            for ring in record["rings"]
            if any(ring[part] != now.get((ring["cylinder"], ring["ring"]), {}).get(part)
                   for part in ("readings", "state"))
        ]  # fmt: skip
        if more:
            return more
    return ()


def _beside(folder: SessionFolder) -> SessionFolder:
    home = folder.path.resolve().parent
    if not folder.path.resolve().name.isdecimal():  # a log that lies alone
        number = next(n for n in count(1) if not _mended(folder, n).path.exists())
        return _mended(folder, number)
    taken = [int(path.name) for path in home.iterdir() if path.name.isdecimal()]
    return SessionFolder(folder.path.parent / f"{max(taken) + 1:03d}")


def _mended(folder: SessionFolder, number: int) -> SessionFolder:
    return SessionFolder(folder.path / ("mended" if number == 1 else f"mended-{number}"))


def _renumbered(known: Sequence[Envelope], told: Sequence[str]) -> Sequence[Envelope]:
    """The known events without gaps, and a note of the damage at their end."""
    last = known[-1]
    at = max(datetime.now(UTC), last.at)
    ending = (
        SessionResumed(software=SOFTWARE),
        TroubleNoted(about="log damaged", detail=" ".join(told)),
    )
    more = [envelope(one, seq=0, at=at, turn=last.turn + 1) for one in ending]
    return [one.model_copy(update={"seq": seq}) for seq, one in enumerate([*known, *more])]
