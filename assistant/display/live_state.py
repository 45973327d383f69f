"""What the ear and the machine tell from moment to moment, kept for whoever draws it. Pure."""

from collections.abc import Sequence

from assistant.bench import events as ev
from assistant.bench.dialogue import Turn
from assistant.bench.ports import Mode
from assistant.display.panel_model import LiveFacts
from assistant.ear.levels import RunningFloor

_MOST_TROUBLES = 2


class LiveState:
    """Folds turns, levels and warnings into LiveFacts; cheap enough for every frame.

    mode: before the first level is told. cautions: to be read before the first call.
    """

    def __init__(self, mode: Mode = Mode.LISTENING, *, cautions: Sequence[str] = ()) -> None:
        self._mode = mode
        self._cautions = tuple(cautions)
        self._troubles: tuple[str, ...] = ()
        self._floor = RunningFloor()
        self._stand_by = False
        self._noting = False
        self._level_db: float | None = None
        self._noise_db: float | None = None

    @property
    def facts(self) -> LiveFacts:
        """What is to be seen now."""
        return LiveFacts(
            self._shown_mode(), self._level_db, self._noise_db, self._troubles, self._cautions
        )

    def take(self, turn: Turn) -> None:
        """A turn: its troubles stay until they are over or a call is taken."""
        if turn.command is not None:
            self._cautions = ()
        self._stand_by = not turn.state.listening and not turn.state.closed
        self._noting = turn.state.noting
        about = [e.about for e in turn.events if isinstance(e, ev.TroubleNoted)]
        if about and not about[-1].endswith("back"):
            self.warn(turn.reply.shown)
        elif about or turn.command is not None:
            self._troubles = ()

    def level(self, level_db: float | None, noise_db: float | None, mode: Mode) -> bool:
        """What the ear does now; whether its mode has changed.

        level_db, noise_db: of full scale; noise_db None: the floor of the levels told so far.
        """
        if level_db is not None and noise_db is None:
            noise_db = self._floor.take(level_db)
        changed = mode != self._mode
        self._mode, self._level_db, self._noise_db = mode, level_db, noise_db
        return changed

    def warn(self, text: str) -> None:
        """A trouble; the newest two are kept."""
        if text and text not in self._troubles:
            self._troubles = (*self._troubles, text)[-_MOST_TROUBLES:]

    def _shown_mode(self) -> Mode:
        """The mode with what the session knows: the ear listens on while it stands by."""
        if self._stand_by and self._mode in (Mode.LISTENING, Mode.HEARING, Mode.HELD):
            return Mode.STAND_BY
        if self._noting and self._mode in (Mode.LISTENING, Mode.HELD):
            return Mode.NOTE
        return self._mode
