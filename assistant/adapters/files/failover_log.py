"""A log that outlives its folder: when the disk is full or gone it goes on elsewhere.

Home is the log beside the job, the spare a whole copy of it in another place. What neither takes
stays in memory, and ``only_in_memory`` says so: then nothing may be called safe.
"""

from collections.abc import Sequence
from contextlib import suppress
from itertools import groupby
from typing import Protocol

from assistant.bench.events import Envelope, Trouble
from assistant.bench.ports import EventStore
from assistant.errors import LogDamaged, LogError, LogInUse


class Place(Protocol):
    """Where a log can be. name: for messages."""

    @property
    def name(self) -> str:
        """What the builder would call it: a path."""

    def exists(self) -> bool:
        """Whether a log is there now."""

    def open(self) -> EventStore:
        """Open it, made new if there is none. Raises LogError, LogInUse, LogDamaged."""

    def read(self) -> Sequence[Envelope]:
        """All events of a log that cannot be opened to be written. Raises LogError, LogDamaged."""

    def erase(self) -> None:
        """Remove it; no harm if it is not there or cannot be."""


class _Copy:
    """One of the two copies: its store while it is open, how many events it is known to hold."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.store: EventStore | None = None
        self.holds = 0

    def catch_up(self, events: Sequence[Envelope]) -> None:
        """Write what is missing of ``events``, call by call. Raises LogError."""
        store = self.store or self.reopen(events)
        for _, turn in groupby(events[self.holds :], key=lambda envelope: envelope.turn):
            call = list(turn)
            store.append(call)
            self.holds += len(call)

    def reopen(self, events: Sequence[Envelope]) -> EventStore:
        """Open it again. Raises LogError if it is another log than the one that ``events`` tell."""
        store = self.place.open()
        found = list(store.read())
        if found != list(events[: len(found)]):
            store.close()
            raise LogError(f"{self.place.name} holds another session.")
        self.store, self.holds = store, len(found)
        return store

    def close(self) -> None:
        """Let go of it; it can be opened again."""
        if self.store is not None:
            with suppress(OSError):  # the device may be gone
                self.store.close()
        self.store = None


class SturdyLog:
    """EventStore that never refuses an event while it is open.

    home, spare: where it is kept, and where it goes on when home cannot be written. Opening brings
    back what an earlier session had to leave in the spare. Raises LogDamaged, LogInUse; LogError
    if neither can be opened, or if the spare holds something else than home (then both are left).
    """

    def __init__(self, home: Place, spare: Place) -> None:
        self._home, self._spare = _Copy(home), _Copy(spare)
        self._closed = False
        self._told: Trouble = "log back"
        self._troubles: list[tuple[Trouble, str]] = []
        kept = self._read_spare()
        try:
            self._home.store = home.open()
        except (LogInUse, LogDamaged):
            self.close()
            raise
        except LogError as error:
            try:
                self._events = self._all_known(kept)
            except LogError:
                self.close()
                raise
            if not self._go_elsewhere(error):
                self.close()
                raise
            return
        self._events = list(self._home.store.read())
        self._home.holds = len(self._events)
        self._bring_back(kept)

    @property
    def only_in_memory(self) -> bool:
        """Whether something is on no disk."""
        return max(self._home.holds, self._spare.holds) < len(self._events)

    @property
    def elsewhere(self) -> bool:
        """Whether home could not be written last time, so that the spare is the log."""
        return self._told != "log back"

    def troubles(self) -> Sequence[tuple[Trouble, str]]:
        """What went wrong or came right since the last look: (name, detail); each is told once."""
        told, self._troubles = self._troubles, []
        return told

    def append(self, events: Sequence[Envelope]) -> None:
        """Write all events where it can be done. Raises LogError only after ``close``."""
        if self._closed:
            raise LogError("The log is closed: open it again to write.")
        self._events.extend(events)
        self._write()

    def read(self) -> Sequence[Envelope]:
        """All events, oldest first."""
        return tuple(self._events)

    def close(self) -> None:
        """Bring home what is not there, and let go of both; calling it twice does no harm.

        Raises LogError if something is only in memory and must be lost.
        """
        if self._closed:
            return
        self._closed = True
        lost = 0
        if hasattr(self, "_events") and self.elsewhere and self._events:
            self._write()
            lost = len(self._events) - max(self._home.holds, self._spare.holds)
        self._home.close()
        self._spare.close()
        if lost:
            raise LogError(
                f"The last {lost} events could be written neither to {self._home.place.name} nor "
                f"to {self._spare.place.name} and are lost: write down what the screen shows."
            )

    def _write(self) -> None:
        try:
            if self._home.store is None and not self._home.place.exists():
                # Never made anew: at the place of a pulled stick that would be another disk.
                raise LogError(f"The log {self._home.place.name} is not there.")
            self._home.catch_up(self._events)
        except LogError as error:
            self._go_elsewhere(error)
            return
        self._spare.close()
        if self._told != "log back":
            self._tell("log back", "")
            self._spare.place.erase()
            self._spare.holds = 0

    def _go_elsewhere(self, error: LogError) -> bool:
        """Write to the spare; whether it takes all."""
        self._home.close()  # a stick that was pulled gives its place a new file when it comes back
        try:
            self._spare.catch_up(self._events)
        except LogError as also:
            self._spare.close()
            self._tell("log only in memory", f"{_what(error)} {_what(also)}")
            return False
        self._tell("log elsewhere", f"{_what(error)} It goes on in {self._spare.place.name}.")
        return True

    def _tell(self, about: Trouble, detail: str) -> None:
        if about != self._told:
            self._told = about
            self._troubles.append((about, detail))

    def _read_spare(self) -> list[Envelope]:
        """What an earlier session had to leave there; the spare stays open."""
        if not self._spare.place.exists():
            return []
        self._spare.store = self._spare.place.open()
        kept = list(self._spare.store.read())
        self._spare.holds = len(kept)
        return kept

    def _all_known(self, kept: list[Envelope]) -> list[Envelope]:
        """All events where home may be there but cannot be written, as on a disk that is read-only.

        Raises LogError if home is there and cannot be read, and the spare has nothing.
        """
        if not self._home.place.exists():
            return kept
        try:
            at_home = list(self._home.place.read())
        except LogDamaged:
            raise
        except LogError:
            if kept:  # a whole copy
                return kept
            raise
        self._compare(kept, at_home)
        return max(kept, at_home, key=len)

    def _compare(self, kept: list[Envelope], at_home: list[Envelope]) -> None:
        """Raises LogError if one is not the beginning of the other."""
        common = min(len(kept), len(at_home))
        if kept[:common] != at_home[:common]:
            raise LogError(
                f"{self._spare.place.name} holds calls that do not belong to the log "
                f"{self._home.place.name}. Look at both with 'leafcall review', move one away."
            )

    def _bring_back(self, kept: list[Envelope]) -> None:
        if not kept:
            self._spare.close()
            return
        try:
            self._compare(kept, self._events)
        except LogError:
            self._events = []
            self.close()
            raise
        if len(kept) > len(self._events):
            self._events = kept
            self._told = "log elsewhere"
            self._write()
            return
        self._spare.close()
        self._spare.place.erase()
        self._spare.holds = 0


def _what(error: LogError) -> str:
    """What went wrong, without the advice that follows it: nothing was lost here."""
    return f"{str(error).partition('. ')[0].rstrip('.')}."
