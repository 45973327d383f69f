"""The read-out of the live bench as rows of text, to be read from two metres. Pure.

``panel`` lays what is to be seen (panel_facts.py) out for a width and a height. Nothing is told by
colour alone: every sign has a letter or a word beside it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size

from assistant.bench.ports import Mode
from assistant.bench.ring_status import Grade, RingStatus, Verdict
from assistant.display.large_text import (
    Scale,
    block_letters,
    columns_of,
    fitting_scales,
    largest,
)
from assistant.display.panel_model import LiveFacts, PanelFacts
from assistant.ear.levels import FULL_DB, NOISY_DB

Segment = tuple[str, str]
"""(text, style); styles: plain, label, big, step, alert, good, dim, and with " inverse" after."""
Row = tuple[Segment, ...]
"""Segments from left to right."""

_METER_FROM_DB = -80.0
_LABEL = 8  # columns of the labels at the left
_MOST_TROUBLES = 2
_HEARS = (Mode.LISTENING, Mode.HEARING, Mode.NOTE)
_MODE_SIGNS = {
    Mode.LISTENING: "o", Mode.HEARING: "*", Mode.SPEAKING: ">", Mode.STAND_BY: "=",
    Mode.NOTE: "*", Mode.HELD: "-", Mode.KEYBOARD: "o", Mode.LOST: "!",
}  # fmt: skip
_ALERT_MODES = {Mode.STAND_BY: "STAND BY", Mode.LOST: "NO MIC"}
MARKS = {  # letter (a capital once the ring is closed), sign, sign in ASCII
    RingStatus.TO_DO: ("t", "·", "."),
    RingStatus.IN_WORK: ("w", "░", "~"),
    RingStatus.LIKELY_INSIDE: ("l", "▒", "-"),
    RingStatus.INSIDE: ("i", "▓", "="),
    RingStatus.OVER: ("o", "!", "!"),
    RingStatus.SKIPPED: ("s", "»", "/"),
    RingStatus.ACCEPTED: ("A", "█", "#"),
    RingStatus.ACCEPTED_LIKELY: ("L", "▒", "+"),
    RingStatus.ACCEPTED_UNSURE: ("N", "?", "?"),
    RingStatus.ACCEPTED_UNDER: ("U", "!", "!"),
    RingStatus.ACCEPTED_OVER: ("O", "!", "!"),
    RingStatus.SPOILED: ("X", "×", "%"),
    RingStatus.REPLACED: ("R", "×", "%"),
}
_VERDICT_STYLES = {
    Grade.WRONG: "alert", Grade.OPEN: "plain", Grade.UNSURE: "plain", Grade.RIGHT: "good",
}  # fmt: skip


# --- layout -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Plan:
    """How generous a layout is. ring: most lines of large letters for ring and gap; step: least
    lines that must be left for the step, which takes all that is left; 0 = plain text. says: lines
    of what is said."""

    ring: int
    step: int
    says: int
    legend: bool = True
    map: bool = True
    meter: bool = True


_PLANS = (
    _Plan(10, 25, 3), _Plan(8, 20, 3), _Plan(5, 13, 3), _Plan(5, 8, 2), _Plan(3, 5, 2),
    _Plan(3, 5, 1), _Plan(3, 5, 1, legend=False), _Plan(0, 5, 1, legend=False),
    _Plan(3, 3, 1, legend=False), _Plan(0, 3, 1, legend=False), _Plan(0, 0, 1, legend=False),
    _Plan(0, 0, 1, legend=False, map=False), _Plan(0, 0, 1, legend=False, map=False, meter=False),
)  # fmt: skip
_MOST_AIR = 2  # empty rows between two blocks


def panel(
    facts: PanelFacts | None,
    live: LiveFacts,
    *,
    width: int,
    height: int,
    ascii_only: bool = False,
) -> list[Row]:
    """The read-out: at most ``height`` rows of at most ``width`` columns.

    The step is the largest thing on it. facts: None before the first turn. ascii_only: no character
    beyond ASCII is drawn (names keep theirs, a character that the terminal lacks is its own
    affair).
    """
    width, height = max(1, width), max(1, height)
    if facts is None:
        blocks = [[_header("leafcall", "dim", live, width)]]
        foot = _foot(live, width, ascii_only=ascii_only)
    else:
        for plan in _PLANS:
            foot = _troubles(live, width)
            if plan.meter:
                foot = _foot(live, width, ascii_only=ascii_only)
            blocks = _blocks(facts, live, plan, width, height - len(foot), ascii_only=ascii_only)
            if sum(map(len, blocks)) + len(foot) <= height:
                break
    foot = foot[: max(0, height - 1)]
    top = _aired(blocks, height - len(foot))[: height - len(foot)]
    empty: list[Row] = [()] * (height - len(top) - len(foot))
    return [_clip(row, width) for row in [*top, *empty, *foot]]


def _aired(blocks: Sequence[list[Row]], height: int) -> list[Row]:
    """Blocks one after the other, with what room there is between them."""
    places = len(blocks) - 1
    left = max(0, min(height - sum(map(len, blocks)), places * _MOST_AIR))
    rows: list[Row] = []
    for number, block in enumerate(blocks):
        if number:
            rows += [()] * (left // places + (number <= left % places))
        rows += block
    return rows


def _blocks(
    facts: PanelFacts, live: LiveFacts, plan: _Plan, width: int, height: int, *, ascii_only: bool
) -> list[list[Row]]:
    """Head, step, measures and words, map; they may take more than ``height`` rows."""
    style = _VERDICT_STYLES[facts.verdict.grade]
    head = [_header(_verdict(facts.verdict, live, width), style, live, width)]
    head += _ring_rows(facts, width, plan.ring, ascii_only=ascii_only)
    if plan.ring:
        head.append(((facts.place, "plain"), (_counted(facts), "dim")))
    told = [*_measures(facts, width), *_told(facts, plan.says, width)]
    drawn: list[Row] = []
    if plan.map and facts.rows:
        drawn = _map_rows(facts, width, ascii_only=ascii_only)
        if plan.legend:
            drawn += _legend(facts, width, ascii_only=ascii_only)
    alert = _ALERT_MODES.get(live.mode) or (facts.big_step if facts.question else "")
    step = (alert, "alert") if alert else (facts.big_step, "step")
    left = height - len(head) - len(told) - len(drawn)
    large = _step_rows(step, width, left, ascii_only=ascii_only) if left >= plan.step > 0 else []
    if plan.step and not large and left < plan.step:
        large = [()] * plan.step  # too little room: a terser layout is tried
    large = large or [_labelled("" if alert else "next", step[0].upper(), step[1])]
    return [block for block in (head, large, told, drawn) if block]


def _ring_rows(facts: PanelFacts, width: int, lines: int, *, ascii_only: bool) -> list[Row]:
    """The ring and what is known of its gap side by side, in at most ``lines`` lines; the gap in
    narrower letters or not at all where there is no room for both."""
    ring, gap = (facts.big_ring, "big"), (facts.big_gap, "plain")
    for scale in fitting_scales(facts.big_ring, width=width, lines=lines, ascii_only=ascii_only):
        if not facts.big_gap:
            return _drawn([(ring, scale)], ascii_only=ascii_only)
        for narrow in (scale, Scale(scale.half_rows, scale.across - 1)):
            used = columns_of(facts.big_ring, scale) + 3 * scale.across
            legible = 2 * narrow.across >= narrow.half_rows  # thinner letters cannot be read
            if legible and used + columns_of(facts.big_gap, narrow) <= width:
                return _drawn([(ring, scale), (gap, narrow)], ascii_only=ascii_only)
    alone = largest(facts.big_ring, width=width, lines=lines, ascii_only=ascii_only)
    if alone is not None and facts.big_ring.strip():
        return _drawn([(ring, alone)], ascii_only=ascii_only)
    return [((facts.big_ring.upper(), "big"),)]


def _step_rows(step: Segment, width: int, lines: int, *, ascii_only: bool) -> list[Row]:
    """The step in the largest letters that fit, on one line or broken into two; no rows if none
    fit."""
    text, style = step
    words = text.split()
    ways = [[text]]
    ways += [[" ".join(words[:n]), " ".join(words[n:])] for n in range(1, len(words))]
    best: tuple[Scale, list[str]] | None = None
    for way in ways:
        room = (lines - len(way) + 1) // len(way)
        scales = [largest(part, width=width, lines=room, ascii_only=ascii_only) for part in way]
        found = [scale for scale in scales if scale is not None]
        if len(found) < len(way) or not text.strip():
            continue
        scale = min(found)
        if best is None or scale > best[0]:
            best = scale, way
    if best is None:
        return []
    rows: list[Row] = []
    for part in best[1]:
        rows += [()] if rows else []
        rows += _drawn([((part, style), best[0])], ascii_only=ascii_only)
    return rows


def _drawn(parts: Sequence[tuple[Segment, Scale]], *, ascii_only: bool) -> list[Row]:
    """Large letters side by side; all of one height."""
    drawn = [block_letters(text, scale, ascii_only=ascii_only) for (text, _), scale in parts]
    space = " " * (3 * parts[0][1].across)
    rows: list[Row] = []
    for line in zip(*drawn, strict=True):
        row: list[Segment] = []
        for ((_, style), _), piece in zip(parts, line, strict=True):
            row += [(space, "plain")] * bool(row) + [(piece, style)]
        rows.append(tuple(row))
    return rows


def _header(text: str, shade: str, live: LiveFacts, width: int) -> Row:
    mode = _mode(live)
    style = "alert" if live.mode in _ALERT_MODES else "good" if live.mode in _HEARS else "plain"
    left = clip_text(text, max(0, width - len(mode) - 1))
    space = max(1, width - cell_len(left) - len(mode))
    return ((left, shade), (" " * space, "plain"), (mode, f"{style} inverse"))


def _mode(live: LiveFacts) -> str:
    return f" {_MODE_SIGNS[live.mode]} {live.mode.upper()} "


def _verdict(verdict: Verdict, live: LiveFacts, width: int) -> str:
    """The verdict with a sign, naming as many rings as there is room for."""
    room = width - len(_mode(live)) - 1
    told = [f"{verdict.grade.sign} {verdict.words(named=named)}" for named in (4, 3, 2, 1, 0)]
    return next((text for text in told if cell_len(text) <= room), told[-1])


def _counted(facts: PanelFacts) -> str:
    done = f"{facts.verdict.accepted} of {facts.verdict.rings} accepted inside"
    return f"   {done}   large figures: {facts.figures}   {facts.job}"


def _measures(facts: PanelFacts, width: int) -> Iterator[Row]:
    """Gap, window and what is to go, on as few lines as hold them."""
    if not facts.place:
        return
    lines = [("gap", facts.gap), ("window", facts.window), ("to go", facts.more)]
    row: Row = ()
    for label, text in lines:
        part = _labelled(label, text, "plain")
        longer: Row = (*row, ("    ", "plain"), *part) if row else part
        if row and sum(cell_len(text) for text, _ in longer) > width:
            yield row
            longer = part
        row = longer
    yield row


def _told(facts: PanelFacts, lines: int, width: int) -> list[Row]:
    """What was heard and what is said; a waiting question comes before all else said."""
    rows: list[Row] = []
    if facts.heard:
        sure = f"   {facts.sure * 100:.0f} % sure" if facts.sure is not None else ""
        effect = f"   no effect: {facts.effect}" if facts.effect else ""
        room = width - _LABEL - len(sure) - len(effect)
        text = facts.heard if room < 8 else clip_text(facts.heard, room)
        rows.append((*_labelled("heard", text, "plain"), (sure, "dim"), (effect, "dim")))
    if facts.question:
        rows += _wrapped("asks", facts.question, "alert", max(2, lines), width)
    if facts.says and facts.says != facts.question:
        rows += _wrapped("says", facts.says, "plain", lines, width)
    return rows


def _labelled(label: str, text: str, style: str) -> Row:
    return ((f"{label:<{_LABEL}}", "label"), (text, style))


def _wrapped(label: str, text: str, style: str, lines: int, width: int) -> list[Row]:
    room = max(4, width - _LABEL)
    pieces = [""]
    for word in _plain(text).split():
        longer = f"{pieces[-1]} {word}".strip()
        if cell_len(longer) <= room or not pieces[-1]:
            pieces[-1] = longer
        else:
            pieces.append(word)
    if len(pieces) > lines:
        rest = " ".join(pieces[lines - 1 :])
        pieces = [*pieces[: lines - 1], clip_text(rest, room)]
    return [_labelled(label if n == 0 else "", p, style) for n, p in enumerate(pieces)]


def _map_rows(facts: PanelFacts, width: int, *, ascii_only: bool) -> list[Row]:
    cylinders = len(facts.rows[0][1])
    cell = max(2, min(5, (width - _LABEL) // cylinders))
    head = "".join(f"{c + 1:>{cell}}" for c in range(cylinders))
    rows: list[Row] = [_labelled("cyl", head, "dim")]
    for number, (name, marks) in enumerate(facts.rows):
        row: list[Segment] = [(f"{name:<{_LABEL}}", "label")]
        for cylinder, standing in enumerate(marks):
            here = facts.here == (number, cylinder)
            letter, *signs = MARKS[standing.status]
            sign = signs[ascii_only] if cell > 2 else ""
            text = f"{'>' if here else ''}{sign}{letter}"
            style = "big" if here else _MARK_STYLES.get(standing.status, "plain")
            row.append((f"{text:>{cell}}", style))
        rows.append(tuple(row))
    return rows


_MARK_STYLES = {
    RingStatus.TO_DO: "dim", RingStatus.INSIDE: "good", RingStatus.ACCEPTED: "good",
    RingStatus.OVER: "alert", RingStatus.ACCEPTED_UNSURE: "alert",
    RingStatus.ACCEPTED_UNDER: "alert", RingStatus.ACCEPTED_OVER: "alert",
    RingStatus.SPOILED: "alert",
}  # fmt: skip


def _legend(facts: PanelFacts, width: int, *, ascii_only: bool) -> list[Row]:
    """What the letters on the map mean, in as many rows as that takes."""
    there = {standing.status for _, marks in facts.rows for standing in marks}
    parts = ["> at hand"] if facts.here is not None else []
    for status, (letter, *signs) in MARKS.items():
        if status in there:
            parts.append(f"{signs[ascii_only]}{letter} {status}")
    lines = [""]
    for part in parts:
        longer = f"{lines[-1]}  {part}" if lines[-1] else part
        if cell_len(longer) <= width or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(part)
    return [((line, "dim"),) for line in lines]


def _foot(live: LiveFacts, width: int, *, ascii_only: bool) -> list[Row]:
    return [*_troubles(live, width), _meter(live, width, ascii_only=ascii_only)]


def _troubles(live: LiveFacts, width: int) -> list[Row]:
    newest = live.troubles[-_MOST_TROUBLES:]
    rows = [row for text in live.cautions for row in _wrapped("CARE", text, "plain", 4, width)]
    return rows + [row for text in newest for row in _wrapped("TROUBLE", text, "alert", 2, width)]


def _meter(live: LiveFacts, width: int, *, ascii_only: bool) -> Row:
    """Level as a bar with a stroke at the noise floor, and both in figures."""
    if live.mode is Mode.KEYBOARD:
        return _labelled("mic", "not used", "dim")
    if live.mode is Mode.LOST or live.level_db is None:
        return _labelled("mic", "no sound comes in", "alert" if live.mode is Mode.LOST else "dim")
    noise = "" if live.noise_db is None else f", noise {live.noise_db:.0f}"
    told = f" {live.level_db:4.0f} dB{noise} {meter_word(live)}"
    length = min(40, width - _LABEL - len(told))
    if length < 8:
        return _labelled("mic", told.strip(), "plain")
    filled = _at(live.level_db, length)
    full, rest, stroke = ("#", "-", "|") if ascii_only else ("█", "░", "│")
    bar = [full if n < filled else rest for n in range(length)]
    if live.noise_db is not None:
        bar[min(length - 1, _at(live.noise_db, length))] = stroke
    return (*_labelled("mic", "".join(bar), "plain"), (told, "dim"))


def meter_word(live: LiveFacts) -> str:
    """What the level means, in a word or two; empty if all is well."""
    if live.level_db is not None and live.level_db > FULL_DB:
        return "TOO LOUD"
    if live.noise_db is not None and live.noise_db > NOISY_DB:
        return "NOISY"
    return ""


def meter_share(level_db: float) -> float:
    """Where a level lies on the meter, 0..1."""
    return min(1.0, max(0.0, (level_db - _METER_FROM_DB) / -_METER_FROM_DB))


def _at(level_db: float, length: int) -> int:
    return round(meter_share(level_db) * length)


# --- cutting ----------------------------------------------------------------------------------


def clip_text(text: str, width: int) -> str:
    """``text`` without control characters, cut to ``width`` columns with ``..`` at the cut."""
    text = _plain(text)
    if cell_len(text) <= width:
        return text
    end = ".." if width > 4 else ""
    return set_cell_size(text, width - len(end)) + end


def _plain(text: str) -> str:
    """A name may hold what would move the cursor; a terminal is told only what can be printed."""
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)


def _clip(row: Row, width: int) -> Row:
    clipped: list[Segment] = []
    left = width
    for text, style in row:
        piece = clip_text(text, left)
        if piece:
            clipped.append((piece, style))
            left -= cell_len(piece)
        if left <= 0:
            break
    return tuple(clipped)
