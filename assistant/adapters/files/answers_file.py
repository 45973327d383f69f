"""Answers of an interview that was broken off, kept beside the job file that it would have made.

Plain text, one ``key = answer`` a line; lines that are none are passed over.
"""

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from assistant.adapters.files.whole_file import write_whole
from assistant.errors import JobError

_LARGEST_BYTES = 64_000
_HEAD = "# Answers to 'leafcall new', which was stopped: the next one for this job offers them.\n"


def answers_path(job: Path) -> Path:
    """Where the answers for a job are kept."""
    return job.with_name(f"{job.name}.answers")


def keep_answers(job: Path, answers: Mapping[str, str]) -> Path | None:
    """Keep them; the file, or None if there was none to keep. Raises JobError, with the reason."""
    if not answers:
        return None
    path = answers_path(job)
    lines = [f"{key} = {' '.join(answer.split())}\n" for key, answer in answers.items()]
    try:
        write_whole(path, (_HEAD + "".join(lines)).encode())
    except OSError as error:
        raise JobError(
            f"Stopped. The answers cannot be kept in {path}: {error.strerror}."
        ) from error
    return path


def kept_answers(job: Path) -> dict[str, str]:
    """What was kept; nothing if there is no such file, or none that can be read."""
    try:
        data = answers_path(job).read_bytes()
    except OSError:
        return {}
    if len(data) > _LARGEST_BYTES:
        return {}
    found = {}
    for line in data.decode("utf-8", "replace").splitlines():
        key, sign, answer = line.partition("=")
        if sign and not line.startswith("#"):
            found[key.strip()] = answer.strip()
    return found


def drop_answers(job: Path) -> None:
    """They are in the job now; one that cannot be erased does no harm."""
    with suppress(OSError):
        answers_path(job).unlink(missing_ok=True)
