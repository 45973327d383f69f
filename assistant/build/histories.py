"""Builds the history of many sessions, and learned values anew from their logs."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from operator import attrgetter
from pathlib import Path

from assistant.adapters.files.history_files import find_logs
from assistant.adapters.files.history_store import RING, SESSION, HistoryStore
from assistant.adapters.files.parquet_files import write_parquet
from assistant.adapters.files.session_log import read_log
from assistant.bench.learned import Learned, PersonAndTool
from assistant.bench.session import replay
from assistant.build.log_reader import Found, read_past
from assistant.build.sessions import folder_elsewhere, goes_on_elsewhere, session_folders
from assistant.history.past_session import PastSession
from assistant.history.summary import History, Worker, period

Progress = Callable[[int, int], None]


def logs_of(places: Sequence[Path]) -> list[Path]:
    """Logs of folders, of job files (all their sessions), and logs named. Raises LogError."""
    named: list[Path] = []
    for place in places:
        if place.suffix == ".toml" and place.is_file():
            for folder in session_folders(place):
                # Elsewhere it is a whole copy, longer than what is at home.
                elsewhere = goes_on_elsewhere(folder)
                named.append(folder_elsewhere(folder).log if elsewhere else folder.log)
        else:
            named.append(place)
    return find_logs(named)


class PastWork:
    """Many sessions, read once. left_out: (path, why) of logs that cannot be counted.

    copies: logs that held a session which another log holds too; the longest of them counts.
    """

    def __init__(
        self,
        logs: Sequence[Path],
        *,
        progress: Progress = lambda _done, _all: None,
        workers: int | None = None,
    ) -> None:
        """Read the logs. workers: as in ``past_logs.read_past``."""
        self._store = HistoryStore()
        self._logs = len(logs)
        self.left_out: list[tuple[str, str]] = []
        for path, found in read_past(logs, progress=progress, workers=workers):
            if isinstance(found, PastSession):
                rings = map(_of_ring, found.rings)
                self._store.add(path, _of_session(found), found.start, rings)
            else:
                self.left_out.append((path, found))
        self.left_out.sort()
        self.copies = self._store.drop_copies()

    def history(self, *, now: Mapping[PersonAndTool, Learned]) -> History:
        """What the sessions tell. now: learned values, as the next job would start."""
        store = self._store
        told = tuple(
            Worker(
                key := PersonAndTool.read(who),
                period(store.sums(who)),
                tuple(period(row) for row in store.periods(who)),
                now.get(key),
            )
            for who in store.whos()
        )
        return History(told, self._logs, tuple(self.left_out), self.copies)

    def write_parquet(self, folder: Path) -> None:
        """Write the sessions as Parquet: ``parquet_files.write_parquet``."""
        write_parquet(folder, self._store.sessions(), self._store.rings())

    def close(self) -> None:
        """Give the memory back; again does no harm."""
        self._store.close()


def _of_session(session: PastSession) -> tuple[object, ...]:
    return tuple(str(session.who) if name == "who" else getattr(session, name) for name in SESSION)


_of_ring = attrgetter(*RING)


def learned_anew(
    logs: Sequence[Path], *, progress: Progress = lambda _done, _all: None
) -> tuple[dict[PersonAndTool, Learned], list[Found]]:
    """(learned values, logs that could not be used and why).

    Each log holds what its session began with. The newest log whose start had been taught by as
    many rings as the logs before it hold is trusted, and the rings after it are learned from in
    the order in which sessions ended. So values that were lost come back exactly, and rings that a
    start did not know of (the values had been erased, or two sessions ran at once) count again.
    """
    sessions: dict[PersonAndTool, dict[str, tuple[str, PastSession]]] = {}
    bad: list[Found] = []
    for path, found in read_past(logs):
        if not isinstance(found, PastSession):
            bad.append((path, found))
            continue
        same = sessions.setdefault(found.who, {})
        if found.mark not in same or same[found.mark][1].events < found.events:
            same[found.mark] = (path, found)
    made = {}
    for done, (who, marked) in enumerate(sessions.items(), start=1):
        ended = sorted(
            (one for one in marked.values() if one[1].finished), key=lambda one: one[1].ended
        )
        learned = _learned_from(ended)
        if learned is not None:
            made[who] = learned
        progress(done, len(sessions))
    return made, bad


def _learned_from(ended: Sequence[tuple[str, PastSession]]) -> Learned | None:
    known, first = 0, 0
    for n, (_, session) in enumerate(ended):
        taught = 0 if session.start is None else int(session.start["rings"])
        if taught >= known:
            known, first = taught, n
        known += session.finished
    if not ended:
        return None
    start = ended[first][1].start
    learned = None if start is None else Learned.model_validate(start)
    for path, _ in ended[first:]:
        state = replay(read_log(Path(path)))
        learned = replace(state, start=learned).learned
    return learned
