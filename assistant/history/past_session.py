"""What one old session holds, as plain rows: the session, and every ring that was worked on.

Thousands of logs are read at a time, so the stored lines are walked through as they are, without
building events; a property test holds the rows against the fold (``session.replay``). Entries that
were taken back are left out. A ring that was spoiled and replaced counts as two pieces: the state
of a session forgets the first one, a history must not.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from pydantic_core import from_json

from assistant.errors import LogDamaged
from assistant.fitting.bench import GrinderKind, PersonAndTool

ACCEPTED, OUTSIDE, SPOILED, SKIPPED, OPEN = "accepted", "outside", "spoiled", "skipped", "open"
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
    def who(self) -> PersonAndTool:
        """To whom this session's learned values belong."""
        return PersonAndTool(self.person, GrinderKind(self.tool))

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

    None if the log holds no session yet. Raises LogDamaged telling the first damage.
    """
    log = _newest_form(data) or _any_form(data)
    if log is None:
        return None
    stored, counts, refused = log
    entries: list[tuple[int, str, dict[str, Any]]] = []
    retracted: set[int] = set()
    try:
        for line in stored:
            event = line["event"]
            kind = event["kind"]
            if kind in _OF_RING:
                entries.append((line["turn"], line["at"], event))
            elif kind == "entry retracted":
                retracted.add(event["retracted_turn"])
        opened = stored[0]
        event, job = opened["event"], opened["event"]["job"]
        return PastSession(
            mark=f"{opened['at']} {event['software']} {job['name']} {job['person']}",
            person=job["person"],
            tool=job["grinder"]["kind"],
            unit=job["unit"],
            job=job["name"],
            software=event["software"],
            began=opened["at"],
            ended=stored[-1]["at"],
            events=counts.total(),
            calls=counts["call heard"],
            refused=refused,
            corrections=counts["entry retracted"],
            questions=counts["question asked"],
            notes=counts["note kept"],
            start=event.get("start"),
            rings=tuple(_rings(entries, retracted)),
        )
    except (KeyError, TypeError) as error:
        raise LogDamaged("Line 1 of the log opens no session.") from error


_Log = tuple[list[dict[str, Any]], Counter[str], int]
"""Lines as JSON objects, the first and the last among them; how many events of each kind; how many
calls without effect."""

NEWEST_FORM = 2
"""Form of a line that is read fast; a log with any other is read as every command reads it."""
_CHECK, _TAIL = 16, len(b',"check":"0123456789abcdef"}')
# Names as they stand in a line; within a text they cannot, because there a quote is escaped.
_KIND = b'"kind":"'
_TAKEN = b',"refused":null'
_CALL = b"call heard"
_UNREAD = {_CALL, b"reply given", b"question asked", b"note kept"}


def _newest_form(data: bytes) -> _Log | None:
    """The log, if it is in the newest form and sound; None if anything is odd.

    Two thirds of all lines only tell that they are there: these are counted and not read, nor are
    their checks compared. Written for speed: one step over all lines after the other.
    """
    lines = data.split(b"\n")
    del lines[-1]  # torn, or empty
    while lines and lines[-1].endswith(b',"end":false', 0, -_TAIL):
        del lines[-1]
    kinds = [line[(at := line.find(_KIND) + len(_KIND)) : line.find(b'"', at)] for line in lines]
    wanted = [number for number, kind in enumerate(kinds) if kind not in _UNREAD]
    if not wanted or wanted[0] != 0:
        return None
    if wanted[-1] != len(lines) - 1:
        wanted.append(len(lines) - 1)
    texts = [lines[number] for number in wanted]
    before = [b"", *(lines[number - 1][-_CHECK - 2 : -2] for number in wanted[1:])]
    made = [
        sha256(check + text[:-_TAIL]).hexdigest()[:_CHECK]
        for check, text in zip(before, texts, strict=True)
    ]
    tails = "".join([f',"check":"{check}"}}' for check in made])
    if tails.encode() != b"".join([text[-_TAIL:] for text in texts]):
        return None
    try:
        stored = from_json(b"[%b]" % b",".join(texts), cache_strings="keys")
    except ValueError:
        return None
    if [(line["v"], line["seq"]) for line in stored] != [(NEWEST_FORM, seq) for seq in wanted]:
        return None
    counts = Counter({kind.decode(): count for kind, count in Counter(kinds).items()})
    taken = sum(_TAKEN in line for line, kind in zip(lines, kinds, strict=True) if kind == _CALL)
    return stored, counts, counts["call heard"] - taken


def _any_form(data: bytes) -> _Log | None:
    """A log of any form, of damaged ones too. Raises LogDamaged."""
    from assistant.bench.log_chain import (
        scan,  # here: it takes a second to load and is hardly ever wanted
    )

    found = scan(data)
    if found.damages:
        raise LogDamaged(found.damages[0].reason)
    stored = [envelope.model_dump(mode="json") for envelope in found.events]
    events = [line["event"] for line in stored]
    counts = Counter(event["kind"] for event in events)
    refused = sum(event.get("refused") is not None for event in events)
    return (stored, counts, refused) if stored else None


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
