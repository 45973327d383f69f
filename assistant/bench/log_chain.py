"""A whole log from its bytes: what is sound, what is damaged, what is still known. Pure.

Every line's check covers the line before it, so damage is told to the line. What cannot be told:
that whole calls were cut off at the end; for that a ``Head`` is kept apart from the log, on build
sheets (record.seal) and in the data folder, and ``held_against`` compares.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from assistant.bench.events import Envelope, Line, from_line, next_check
from assistant.errors import LogDamaged


@dataclass(frozen=True, slots=True)
class Damage:
    """Something wrong with a log. line: number of the line, from 1; reason: a sentence."""

    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class Scan:
    """What the bytes of a log hold.

    events: all that can be trusted, in order of seq, none twice; where there is damage, numbers
    may be missing. whole_bytes: length of the part that was written to its end; what lies behind
    it was never confirmed. checks: of the lines of that part; only of use where there is no damage.
    """

    events: tuple[Envelope, ...]
    damages: tuple[Damage, ...]
    whole_bytes: int
    checks: tuple[str, ...]

    @property
    def check(self) -> str:
        """Check of the last line, "" for an empty log."""
        return self.checks[-1] if self.checks else ""


@dataclass(frozen=True, slots=True)
class Head:
    """The end of a log, as something apart from it remembers it.

    events: how many there were. check: of the last of them. where: who remembers, for messages.
    """

    events: int
    check: str
    where: str


@dataclass(slots=True)
class _Reading:
    """The scan under way. checks: what the next line may go on from, none where not known."""

    checks: tuple[str, ...] = ("",)
    found: dict[int, tuple[int, Envelope]] = field(default_factory=dict)
    last_seq: int = -1
    sealed: bool = False  # a line of form 2 has been seen
    damages: list[Damage] = field(default_factory=list)
    unread: list[int] = field(default_factory=list)
    jumped: tuple[int, int] | None = None  # line and seq of the last one, if some are missing

    def damaged(self, number: int, reason: str) -> None:
        self.damages.append(Damage(number, reason))

    def take(self, line: Line, number: int) -> None:
        """One readable line: into the chain, and among the events if it can be trusted."""
        seq = line.envelope.seq
        if self.sealed and line.check is None:
            self.unread.append(number)
            return self.damaged(
                number, f"Line {number} of the log has the old form among new ones."
            )
        if seq <= self.last_seq and self._follows_a_false_seq(line):
            self._drop_the_false_seq(seq)
        if seq <= self.last_seq:
            self.damaged(
                number,
                f"Line {number} of the log holds event {seq}: it is doubled or out of its place.",
            )
            self.found.setdefault(seq, (number, line.envelope))
            return None  # the line after it goes on from the one before it
        before, first_sealed = self.checks, line.check is not None and not self.sealed
        own = tuple(next_check(check, line.body) for check in before)
        if line.check is None:
            self.checks = own
        else:
            # Should the check alone be damaged, the next line goes on from what it was.
            self.checks = (line.check, *(check for check in own if check != line.check))
            self.sealed = True
            if before and seq == self.last_seq + 1 and line.check not in own:
                if number == 1 or not first_sealed:
                    self.unread.append(number)
                    self.last_seq = seq
                    return self.damaged(
                        number, f"Line {number} of the log was changed after it was written."
                    )
                self.damaged(number, f"One of the lines 1 to {number} of the log was changed.")
        self.jumped = (number, seq) if seq != self.last_seq + 1 else None
        self.last_seq = seq
        self.found[seq] = (number, line.envelope)
        return None

    def _follows_a_false_seq(self, line: Line) -> bool:
        """Whether the line before has a number too high, and this one goes on from it."""
        if self.jumped is None or line.check is None:
            return False
        return line.check in {next_check(check, line.body) for check in self.checks}

    def _drop_the_false_seq(self, seq: int) -> None:
        if self.jumped is not None:
            number, false_seq = self.jumped
            del self.found[false_seq]
            self.unread.append(number)
            self.damaged(number, f"Line {number} of the log was changed after it was written.")
        self.last_seq, self.jumped = seq - 1, None


def scan(data: bytes) -> Scan:
    """Read a log of any past form; never refuses, damage is told in ``damages``.

    A last group of lines that was not written to its end is left out: it is no damage.
    """
    raw = data.split(b"\n")[:-1]
    parsed = [_line(text, number) for number, text in enumerate(raw, start=1)]
    kept = _written_to_the_end(raw, parsed)
    reading, checks = _Reading(), list[str]()
    for number, line in enumerate(parsed[:kept], start=1):
        if isinstance(line, Line):
            reading.take(line, number)
            checks += reading.checks[:1]
            continue
        reading.damaged(number, str(line))
        reading.unread.append(number)
        reading.checks = ()
    _tell_gaps(reading)
    return Scan(
        events=tuple(envelope for _, (_, envelope) in sorted(reading.found.items())),
        damages=tuple(sorted(reading.damages, key=lambda damage: damage.line)),
        whole_bytes=sum(len(text) + 1 for text in raw[:kept]),
        checks=tuple(checks),
    )


def held_against(found: Scan, heads: Sequence[Head]) -> Scan:
    """The same, with what the heads know and the log does not as damage behind its last line.

    A log that is damaged already is left as it is: its checks prove nothing.
    """
    if found.damages:
        return found
    held, number = len(found.checks), len(found.checks) + 1
    for head in sorted(heads, key=lambda head: -head.events):
        if head.events > held:
            ends = f"ends after {held} events" if held else "is empty"
            reason = f"The log {ends}, but {head.where} knows of {head.events}: its end is lost."
        elif head.events > 0 and found.checks[head.events - 1] != head.check:
            reason = f"The log is not the one that {head.where} knows, or it was changed."
        else:
            continue
        return replace(found, damages=(Damage(number, reason),))
    return found


def _line(text: bytes, number: int) -> Line | LogDamaged:
    try:
        return from_line(text.decode(), line=number)
    except UnicodeDecodeError:
        return LogDamaged(f"Line {number} of the log is not text.")
    except LogDamaged as error:
        return error


def _written_to_the_end(raw: Sequence[bytes], parsed: Sequence[Line | LogDamaged]) -> int:
    """How many lines belong to groups that were written to their end."""
    kept = len(parsed)
    for n in reversed(range(len(parsed))):
        line = parsed[n]
        if isinstance(line, Line) and line.end:
            break
        # Blocks that a disk had not yet filled when the power went read as zeros; JSON has none.
        if isinstance(line, Line) or b"\0" in raw[n]:
            kept = n
        else:
            break  # a line that cannot be read is damage, not an unfinished one
    return kept


def _tell_gaps(reading: _Reading) -> None:
    """Events that are in no line at all."""
    before_seq, before_line = -1, 0
    for seq, (number, _) in sorted(reading.found.items()):
        unread = sum(before_line < line < number for line in reading.unread)
        missing = seq - before_seq - 1 - unread
        if missing > 0:
            told = "an event is" if missing == 1 else f"{missing} events are"
            reading.damaged(number, f"Before line {number} of the log {told} missing.")
        before_seq, before_line = seq, number


def told_damage(events: Sequence[Envelope], damages: Sequence[Damage]) -> tuple[str, ...]:
    """What a reader of a damaged log must know, in sentences; none for a sound log."""
    if not damages:
        return ()
    lost = (events[-1].seq + 1 - len(events)) if events else 0
    told = [
        "The log of this session is damaged. What was called out there is missing here, so a gap "
        "may be larger than it is shown: measure again before you rely on it."
    ]
    told += [damage.reason for damage in damages[:_MOST_TOLD]]
    if len(damages) > _MOST_TOLD:
        told.append(f"And {len(damages) - _MOST_TOLD} more places.")
    if lost > 0:
        told.append(f"{len(events)} events can be read, at least {lost} cannot.")
    return tuple(told)


_MOST_TOLD = 5
