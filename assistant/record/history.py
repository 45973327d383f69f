"""What one old session holds, as plain rows: the session, and every ring that was worked on.

Thousands of logs are read at a time, so the stored lines are walked through as they are, without
building events; a property test holds the rows against the fold (``session.replay``). Entries that
were taken back are left out. A ring that was spoiled and replaced counts as two pieces: the state
of a session forgets the first one, a history must not.
"""

from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from pydantic_core import from_json

from assistant.errors import LogDamaged

ACCEPTED, OUTSIDE, SPOILED, SKIPPED, OPEN = "accepted", "outside", "spoiled", "skipped", "open"
NEWEST_FORM = 2
"""Newest form of a line that is read here (events.CURRENT_V); 1 and 2 hold the same events."""
OUTCOMES = (ACCEPTED, OUTSIDE, SPOILED, SKIPPED, OPEN)
"""How a ring ended; outside: accepted though not known to be in the window; open: not ended."""


@dataclass(slots=True)
class PastRing:
    """One ring of a session. piece: 0 for the first ring of this place, 1 for its replacement ...

    readings: leaves tried. passes: cuts made. fed_nm: feed of all cuts on a dial, nm; strokes: of
    a file. outcome: one of OUTCOMES. first_at, last_at: UTC, ISO 8601, of its first and last entry.
    """

    cylinder: int
    position: str
    piece: int
    first_at: str
    last_at: str
    readings: int = 0
    passes: int = 0
    fed_nm: int = 0
    strokes: int = 0
    outcome: str = OPEN
    touched: bool = False


@dataclass(frozen=True, slots=True)
class PastSession:
    """One session. began, ended: of its first and last event, UTC, ISO 8601.

    mark: the same for every copy of one session, different between sessions.
    tool: kind of the grinder. events: lines. calls: utterances heard; refused: those without
    effect; corrections: entries taken back; questions: asked back by the bench; notes: kept.
    start: learned values it began with, as they are stored, None where it began from the usual
    ones. rings: worked on, in the order in which they were taken up.
    """

    mark: str
    person: str
    tool: str
    unit: str
    job: str
    software: str
    began: str
    ended: str
    events: int
    calls: int
    refused: int
    corrections: int
    questions: int
    notes: int
    start: dict[str, float] | None
    rings: tuple[PastRing, ...]

    @property
    def who(self) -> str:
        """Under which name this session's learned values are kept: who, with what."""
        return f"{self.person or 'anyone'}, {self.tool}"

    @property
    def finished(self) -> int:
        """Rings that taught something: accepted or spoiled, the newest of each place."""
        newest = {(ring.cylinder, ring.position): ring for ring in self.rings}
        return sum(
            ring.outcome in (ACCEPTED, OUTSIDE, SPOILED) and ring.readings + ring.passes > 0
            for ring in newest.values()
        )


def past_session(data: bytes) -> PastSession | None:
    """The rows of one log. data: the bytes of the file; a torn last line is left out.

    None if the log holds no session yet. Checks of the lines are compared; what an entry says is
    not looked at beyond what is counted. Raises LogDamaged naming the line.
    """
    lines = _written_to_the_end(data)
    if not lines:
        return None
    counts = dict.fromkeys(_COUNTED, 0)
    entries: list[tuple[int, str, dict[str, Any]]] = []
    retracted: set[int] = set()
    refused, check, at, last = 0, b"", "", len(lines) - 1
    for number, line in enumerate(lines):
        sealed = line[-28:-18] == _SEAL and line[-2:] == b'"}'
        check = sha256(check + (line[:-28] if sealed else line)).hexdigest()[:16].encode()
        if sealed:
            if check != line[-18:-2]:
                raise LogDamaged(f"line {number + 1}, or one before it, was changed or lost")
            # A third of all lines, and nothing in them is counted.
            if line.startswith(_REPLY, line.find(b"{", 1)) and number != last:
                continue
        try:
            stored = from_json(line)
            if stored["v"] != (2 if sealed else 1):
                raise LogDamaged(_strange_form(stored["v"], number + 1))
            if stored["seq"] != number:
                raise LogDamaged(f"line {number + 1} holds event {stored['seq']}")
            event, at = stored["event"], stored["at"]
            kind = event["kind"]
            if kind in _OF_RING:
                entries.append((stored["turn"], at, event))
            elif kind in counts:
                counts[kind] += 1
                if kind == "call heard" and event["refused"] is not None:
                    refused += 1
                elif kind == "entry retracted":
                    retracted.add(event["retracted_turn"])
        except (ValueError, KeyError, TypeError) as error:
            raise LogDamaged(f"line {number + 1} is not a whole event") from error
    try:
        opened = from_json(lines[0])
        event, job = opened["event"], opened["event"]["job"]
        return PastSession(
            mark=f"{opened['at']} {event['software']} {job['name']} {job['person']}",
            person=job["person"],
            tool=job["grinder"]["kind"],
            unit=job["unit"],
            job=job["name"],
            software=event["software"],
            began=opened["at"],
            ended=at,
            events=len(lines),
            calls=counts["call heard"],
            refused=refused,
            corrections=counts["entry retracted"],
            questions=counts["question asked"],
            notes=counts["note kept"],
            start=event.get("start"),
            rings=tuple(_rings(entries, retracted)),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise LogDamaged("line 1 opens no session, or an entry lacks a part") from error


_SEAL = b',"check":"'
_REPLY = b'{"kind":"reply given"'


def _written_to_the_end(data: bytes) -> list[bytes]:
    """The lines, without what was not yet written to its end when the power went."""
    lines = data.split(b"\n")
    del lines[-1]
    while lines and (b"\0" in lines[-1] or lines[-1][:-28].endswith(b',"end":false')):
        del lines[-1]
    return lines


def _strange_form(form: object, line: int) -> str:
    if isinstance(form, int) and form > NEWEST_FORM:
        return f"line {line} has form {form}, this Leafcall reads up to {NEWEST_FORM}: use a newer"
    return f"line {line} has form {form!r} and is not written as that form is"


def _rings(entries: list[tuple[int, str, dict[str, Any]]], retracted: set[int]) -> list[PastRing]:
    rings: list[PastRing] = []
    newest: dict[tuple[int, str], PastRing] = {}
    for turn, at, event in entries:
        if turn in retracted:
            continue
        key = (event["cylinder"], event["position"])
        ring = newest.get(key)
        kind = event["kind"]
        if ring is None or (kind == "ring reopened" and event.get("fresh")):
            piece = 0 if ring is None else ring.piece + 1
            ring = newest[key] = PastRing(*key, piece, first_at=at, last_at=at)
            rings.append(ring)
        entered = _OF_RING[kind]
        if entered is not None:
            entered(ring, event)
            ring.touched, ring.last_at = True, at
    return [ring for ring in rings if ring.touched]


def _tried(ring: PastRing, _: dict[str, Any]) -> None:
    ring.readings += 1


def _ground(ring: PastRing, event: dict[str, Any]) -> None:
    ring.passes += 1
    ring.fed_nm += event["feed_nm"]


def _filed(ring: PastRing, event: dict[str, Any]) -> None:
    ring.passes += 1
    ring.strokes += event["strokes"]


def _checked(_ring: PastRing, _: dict[str, Any]) -> None:
    """It stays as it was."""


def _accepted(ring: PastRing, event: dict[str, Any]) -> None:
    ring.outcome = OUTSIDE if event["outside"] else ACCEPTED


def _spoiled(ring: PastRing, _: dict[str, Any]) -> None:
    ring.outcome = SPOILED


def _skipped(ring: PastRing, _: dict[str, Any]) -> None:
    ring.outcome = SKIPPED


def _reopened(ring: PastRing, _: dict[str, Any]) -> None:
    ring.outcome = OPEN


_OF_RING: dict[str, Callable[[PastRing, dict[str, Any]], None] | None] = {
    "ring picked": None,
    "leaf tried": _tried,
    "metal ground": _ground,
    "strokes filed": _filed,
    "ring checked": _checked,
    "ring accepted": _accepted,
    "ring spoiled": _spoiled,
    "ring skipped": _skipped,
    "ring reopened": _reopened,
}
"""What each kind of entry does to its ring; None: being picked up alone leaves no trace."""

_COUNTED = ("call heard", "entry retracted", "question asked", "note kept")
