"""Where speech starts and ends: frames with a speech probability in, decisions out.

One endpointer for microphone and file. It sees no sound: the caller hands in one probability for
every frame of 10 ms, and gets frame numbers back, counted from 0 at the last ``reset``.

The rule, in frames:
- a *run* is an unbroken row of frames at or above ``stay``; speech starts when a run holds
  ``onset`` frames at or above ``start``; its first frame is the first of that run;
- speech ends when ``hang`` frames follow the last clear one; already after ``long_hang`` when the
  words so far are a sentence or perhaps one, and after ``short_hang`` when nothing can follow them;
- it also ends when ``middle_hang`` quiet frames (below ``stay``) follow each other and the words so
  far are a sentence that may go on: its next word may begin softly, so clear ones do not count;
- clear is a frame at or above ``clear``, or at or above ``stay`` where less than half of the frames
  so far were clear; the first clear one is the frame that started the speech;
- its last frame is the last one at or above ``stay``; what lingers there after the end, below
  ``clear``, as noise makes it, still belongs to it;
- speech with fewer than ``least`` frames at or above ``start`` was a click and is dropped;
- speech that reaches ``longest`` frames is cut there, and the next stretch starts afresh.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from assistant.ear.ports import Standing
from assistant.ear.utterance import FRAME_S
from assistant.errors import SettingsError


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """Settings of an endpointer. Probabilities 0..1, times in seconds (rounded to 10 ms).

    Raises SettingsError if a value is out of range.
    """

    start: float = 0.4
    stay: float = 0.2
    clear: float = 0.85
    onset_s: float = 0.04
    least_s: float = 0.08
    hang_s: float = 0.70
    long_hang_s: float = 0.50
    middle_hang_s: float = 0.38
    short_hang_s: float = 0.25
    look_s: float = 0.10  # of a pause, before the words so far are asked for
    longest_s: float = 15.0
    pre_roll_s: float = 0.50  # sound before the start that goes with an utterance

    def __post_init__(self) -> None:
        if not 0.0 < self.stay <= min(self.start, self.clear) <= max(self.start, self.clear) <= 1.0:
            raise SettingsError(
                f"stay={self.stay}, start={self.start} and clear={self.clear}: write "
                "0 < stay <= 1, and start and clear from stay to 1."
            )
        names = ("look_s", "short_hang_s", "middle_hang_s", "long_hang_s", "hang_s")
        hangs = [float(getattr(self, name)) for name in names]
        if hangs[0] < FRAME_S or hangs != sorted(hangs):
            told = ", ".join(f"{name}={hang}" for name, hang in zip(names, hangs, strict=True))
            raise SettingsError(f"{told}: write {FRAME_S} or more, none less than the one before.")
        if not FRAME_S <= self.onset_s <= self.longest_s or self.least_s < 0:
            raise SettingsError(
                f"onset_s={self.onset_s}, least_s={self.least_s}, longest_s={self.longest_s}: "
                f"write {FRAME_S} <= onset_s <= longest_s and least_s >= 0."
            )
        if self.pre_roll_s < 0:
            raise SettingsError(f"pre_roll_s={self.pre_roll_s}: write 0 or more.")


class Turn(StrEnum):
    """What an endpointer decided."""

    STARTED = "started"
    ENDED = "ended"
    CUT = "cut"  # ended because it was too long, speech may go on
    DROPPED = "dropped"  # it was too short to be speech


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision. Frames first..last (inclusive) hold the speech; decided: frames seen so far.

    For STARTED ``last`` is the newest frame of speech.
    speech_share: mean speech probability of the frames first..last, 0..1.
    """

    turn: Turn
    first: int
    last: int
    decided: int
    speech_share: float


class Endpointer:
    """Finds the stretches of speech in a stream of speech probabilities."""

    def __init__(self, patience: Patience | None = None) -> None:
        self.patience = patience or Patience()
        self._onset = _frames(self.patience.onset_s)
        self._least = _frames(self.patience.least_s)
        self._hang = _frames(self.patience.hang_s)
        self._middle_hang = _frames(self.patience.middle_hang_s)
        self._look = _frames(self.patience.look_s)
        self._hangs = {
            Standing.NONE: self._hang,
            Standing.OPEN: self._hang,
            Standing.DOUBTFUL: _frames(self.patience.long_hang_s),
            Standing.MAY_GO_ON: _frames(self.patience.long_hang_s),
            Standing.WHOLE: _frames(self.patience.short_hang_s),
        }
        self._longest = _frames(self.patience.longest_s)
        self.frames_seen = 0
        self._speaking = False
        self._first = -1  # of the run or speech under way, -1 for none
        self._last = -1  # newest frame at or above stay
        self._loud = 0  # frames at or above start
        self._clear_count = 0  # frames at or above clear
        self._last_clear = -1
        self._lingers = False  # what comes now still belongs to the speech that has ended
        self._sum = 0.0  # of the probabilities first..last
        self._pause_sum = 0.0  # of those after last

    def reset(self) -> None:
        """Forget the stream; the next frame is frame 0."""
        self.frames_seen = 0
        self._lingers = False
        self._to_idle()

    @property
    def in_speech(self) -> bool:
        """Whether speech has started and not yet ended."""
        return self._speaking

    def forget(self, *, skipped: int = 0) -> None:
        """Drop unfinished speech and count ``skipped`` frames that were not handed in."""
        self.frames_seen += skipped
        self._lingers = False
        self._to_idle()

    @property
    def pause(self) -> int:
        """Frames since the last clear one of the speech under way, 0 in none."""
        return self.frames_seen - 1 - self._clear_from if self._speaking else 0

    def step(
        self, probability: float, standing: Callable[[], Standing] = lambda: Standing.NONE
    ) -> Decision | None:
        """Take one frame; the decision it leads to, if any.

        standing: of the words so far; asked only in a pause that is at least look_s long, since the
        answer costs time.
        """
        frame = self.frames_seen
        self.frames_seen += 1
        if self._lingers:
            self._lingers = self.patience.stay <= probability < self.patience.clear
            if self._lingers:
                return None
        if probability >= self.patience.stay:
            if self._first < 0:
                self._first = frame
            self._last = frame
            self._loud += probability >= self.patience.start
            if probability >= self.patience.clear:
                self._clear_count += 1
                self._last_clear = frame
            elif not self._speaking:
                self._last_clear = frame
            self._sum += probability + self._pause_sum
            self._pause_sum = 0.0
        elif not self._speaking:
            self._to_idle()
            return None
        else:
            self._pause_sum += probability
        if not self._speaking:
            if self._loud < self._onset:
                return None
            self._speaking = True
            return self._decide(Turn.STARTED)
        return self._end_if_due(standing)

    def so_far(self) -> Decision:
        """The decision that would be made if the speech under way ended now."""
        return self._decide(Turn.ENDED)

    def finish(self) -> Decision | None:
        """The stream is over: the decision on speech that has not ended yet, if any."""
        if not self._speaking:
            self._to_idle()
            return None
        return self._end(Turn.ENDED)

    @property
    def _clear_from(self) -> int:
        weak = 2 * self._clear_count < self._last + 1 - self._first
        return self._last if weak else self._last_clear

    def _end_if_due(self, standing: Callable[[], Standing]) -> Decision | None:
        if self.pause >= self._hang or (self.pause >= self._look and self._is_due(standing())):
            self._lingers = self.frames_seen - 1 == self._last
            return self._end(Turn.ENDED)
        if self.frames_seen - self._first >= self._longest:
            return self._end(Turn.CUT)
        return None

    def _is_due(self, standing: Standing) -> bool:
        quiet = self.frames_seen - 1 - self._last
        if standing is Standing.MAY_GO_ON and quiet >= self._middle_hang:
            return True
        return self.pause >= self._hangs[standing]

    def _end(self, turn: Turn) -> Decision:
        decision = self._decide(Turn.DROPPED if self._loud < self._least else turn)
        self._to_idle()
        return decision

    def _decide(self, turn: Turn) -> Decision:
        share = self._sum / (self._last - self._first + 1)
        return Decision(turn, self._first, self._last, self.frames_seen, share)

    def _to_idle(self) -> None:
        self._speaking = False
        self._first = -1
        self._last = -1
        self._loud = 0
        self._clear_count = 0
        self._last_clear = -1
        self._sum = 0.0
        self._pause_sum = 0.0


def _frames(seconds: float) -> int:
    return round(seconds / FRAME_S)
