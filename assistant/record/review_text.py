"""The spoken log of a session as lines to read: heard, understood, answered, taken back."""

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from itertools import groupby

from assistant.bench import events as ev
from assistant.bench.reply import entry_line
from assistant.bench.ring_status import standings, verdict_of
from assistant.bench.session import replay
from assistant.bench.wording import Wording
from assistant.display.turn_lines import ring_line
from assistant.units import Unit, show_bore

_MOST_NAMED = 6  # rings of one part of the verdict that are named


def review_lines(
    envelopes: Iterable[ev.Envelope],
    wording: Wording,
    *,
    local: Callable[[datetime], datetime] = lambda at: at,
) -> Iterator[str]:
    """The verdict, the log as lines, oldest first, then where each ring stands.

    Entries that were taken back are marked. local: a stored time as the shop's clock showed it; its
    offset from UTC is told at the beginning of each day.
    """
    stored = list(envelopes)
    state = replay(stored)
    if state.job is None:
        if stored:
            yield "The log has lost its beginning: the job and its rings are not known."
        else:
            yield "The log is empty: no session was opened."
        return
    job = state.job
    verdict = verdict_of(standings(state))
    yield verdict.words(named=_MOST_NAMED)
    if verdict.parts:
        yield verdict.progress
    cylinders = f"{job.cylinders} cylinder{'s' if job.cylinders > 1 else ''}"
    ended = "wrapped up" if state.closed else "unfinished"
    yield f"{job.name}: {cylinders}, bore {show_bore(job.bore_nm, job.unit)}, {ended}"
    day = ""
    for turn, group in groupby(stored, key=lambda envelope: envelope.turn):
        events = list(group)
        at = local(events[0].at)
        struck = "  (taken back)" if turn in state.retracted else ""
        yield ""
        if _day(at) != day:
            day = _day(at)
            yield day
        yield f"{at:%H:%M:%S}  call {turn}{struck}"
        for envelope in events:
            line = _line(envelope.event, wording, job.unit)
            if line:
                yield f"  {line}"
    yield ""
    for key in job.places():
        yield ring_line(state, key, wording)


def _day(at: datetime) -> str:
    """``2026-11-27, times UTC+01:00``."""
    offset = at.strftime("%z")
    zone = f"UTC{offset[:3]}:{offset[3:5]}" if offset.strip("+-0") else "UTC"
    return f"{at:%Y-%m-%d}, times {zone}"


def _line(event: ev.Event, wording: Wording, unit: Unit) -> str:
    """One event as a line; empty for events that say nothing to a reader."""
    match event:
        case ev.CallHeard(words=words, refused=refused, score=score, source=source):
            end = f", no effect: {refused}" if refused else ""
            sure = "" if source == "keyboard" else f"{score:.2f}, "
            return f"heard   {words}  ({sure}{source}{end})"
        case ev.ReplyGiven(text=text):
            return f"said    {text}"
        case ev.SessionOpened(software=software) | ev.SessionResumed(software=software):
            return f"{event.kind} ({software})"
        case ev.QuestionAsked(about=about):
            return f"asked   {about}"
        case ev.QuestionAnswered(yes=yes):
            return f"answer  {'yes' if yes else 'no'}"
        case ev.NoteKept(clip=clip, text=text):
            return f"note    {clip or text}"
        case ev.TroubleNoted(about=about, detail=detail):
            return f"trouble {about}{f': {detail}' if detail else ''}"
        case ev.ClipsForgotten(clips=clips):
            return f"erased  sound of {clips} calls and notes"
    if isinstance(event, ev.RingEvent):
        place = wording.place(event.key)
        return f"entry   {place}: {entry_line(event, wording, unit).shown}"
    return event.kind if isinstance(event, ev.SessionClosed) else ""
