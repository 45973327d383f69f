"""The review of a session as one self-contained HTML page: engine, rings, spoken log. Pure.

The page needs nothing but itself and, unless they are put inside, the clips beside it. Everything
that came from the log is escaped; its policy lets no script run but its own. It can be read without
scripts: they only add searching. The template is data (pages/review.html), handed in as text.
"""

import base64
import hashlib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import lru_cache
from itertools import groupby

from assistant.bench.gap_words import GapKind, window_figures, window_words
from assistant.bench.job import RingPosition
from assistant.bench.plan import BAND_SHARE, RingKey
from assistant.bench.ring_status import RingStatus
from assistant.record import review_plots as plots
from assistant.record.gaps_picture import GapOfRing, gaps_pictures
from assistant.record.page_parts import compiled, ring_ident, shown_verdict
from assistant.record.session_story import Entry, Kind, RingStory, Story, TurnTold
from assistant.units import Unit, show_bore, show_gap

_REFUSED = {
    "foreign": "talk that was not for the bench",
    "not sure": "not heard surely enough",
    "close race": "two meanings were too close",
    "unknown words": "words that the bench does not know",
    "standing by": "it was standing by",
}
"""Reasons worded for a reader; any other is shown by its name."""

# What may not stand in a page at all, or would reorder the text around it.
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]")


def review_page(
    story: Story,
    *,
    template: str,
    log_name: str,
    sounds: Mapping[str, str] | None = None,
    warnings: Sequence[str] = (),
    local: Callable[[datetime], datetime] = lambda at: at.astimezone(UTC),
) -> str:
    """The page. template: text of pages/review.html.

    sounds: where each clip that the page may play is to be found, by the name that the log gives
    it: a relative address, or the sound itself as a data: address. warnings: sentences for the
    top. local: a stored time as the reader's clock showed it.
    Raises jinja2.TemplateError if the template is broken.
    """
    down = sorted(
        story.rings, key=lambda ring: (ring.key[0], list(RingPosition).index(ring.key[1]))
    )
    rings = {ring.key: _ring(ring, story.unit) for ring in down}
    shown = {ring.standing_of(n + 1).status for ring in story.rings for n in range(ring.specimens)}
    context = {
        **_head(story, local),
        "policy": _policy(template),
        "warnings": [_clean(warning) for warning in warnings],
        "cylinders": _cylinders(story, rings),
        "rings": [ring for ring in rings.values() if ring["entries"]],
        "all_rings": list(rings.values()),
        "gaps": gaps_pictures(
            [GapOfRing(*ring.key, ring.window, ring.told, ring.standing) for ring in down],
            story.unit,
        ),
        "untouched": ", ".join(ring.place for ring in down if not ring.entries),
        "signs": [
            (plots.ring_sign(status), status.name_in_pages, status.value)
            for status in RingStatus
            if status in shown
        ],
        "marks": [(plots.mark_key(feel), words) for feel, words in plots.FEEL_TOLD.items()],
        "choices": [
            (ring["ident"], ring["place"])
            for key, ring in rings.items()
            if any(key in turn.rings for turn in story.turns)
        ],
        "kinds": [(kind.name.lower(), kind.value) for kind in _kinds(story)],
        "sittings": list(_sittings(story, rings, sounds or {}, local)),
        "by_three": bool(story.job and story.job.cylinders % 3 == 0 and story.job.cylinders % 4),
        "call_unit": "thou" if story.unit is Unit.INCH else "mm",
        "band_percent": f"{BAND_SHARE * 100:g}",
        "log_name": _clean(log_name),
        "software": _clean(", ".join(story.software) or "an unknown version"),
        "events": story.events,
    }
    return compiled(template).render(context)


@lru_cache(maxsize=4)
def _policy(template: str) -> str:
    """Content policy: the template's own style and script by their hashes (CSP level 3), nothing
    from a network, sound from beside the page or inside it."""
    return (
        f"default-src 'none'; style-src {_hashes(template, 'style')}; "
        f"script-src {_hashes(template, 'script')}; media-src 'self' file: data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hashes(template: str, element: str) -> str:
    texts = re.findall(rf"<{element}>(.*?)</{element}>", template, re.DOTALL)
    digests = (hashlib.sha256(text.encode()).digest() for text in texts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def _clean(text: str) -> str:
    return _UNPRINTABLE.sub("\ufffd", text)


# --- the head ----------------------------------------------------------------------------------


def _head(story: Story, local: Callable[[datetime], datetime]) -> dict[str, object]:
    job, totals = story.job, story.totals
    spoiled = sum(ring.specimens - 1 for ring in story.rings)
    spoiled += sum(ring.standing.status is RingStatus.SPOILED for ring in story.rings)
    skipped = sum(ring.standing.status is RingStatus.SKIPPED for ring in story.rings)
    sittings = _count(totals.sittings, "sitting")
    work = [
        ("At the bench", f"{_duration(totals.bench_s)}, {sittings}"),
        ("Work", f"{_count(totals.passes, 'cut')}, {_count(totals.readings, 'leaf', 'leaves')} "
                 f"tried; {spoiled} spoiled, {skipped} skipped"),
        ("Calls", f"{totals.calls}: {totals.refused} without effect, "
                  f"{_count(totals.corrections, 'correction')}, {totals.asked_back} asked back, "
                  f"{_count(totals.notes, 'note')}"),
    ]  # fmt: skip
    if totals.troubles:
        work.append(("Troubles", str(totals.troubles)))
    facts: list[tuple[str, str]] = []
    title, under = "A log without its beginning", "The job is not known."
    if job is not None:
        title = _clean(job.name)
        ended = "wrapped up" if story.closed else "unfinished"
        under = (
            f"{job.cylinders} cylinder{'s' if job.cylinders != 1 else ''}, "
            f"bore {show_bore(job.bore_nm, job.unit)}, {ended}"
        )
        facts = [("Fitted by", _clean(job.person) or "not given")]
        if job.notes:
            facts.append(("Notes of the job", _clean(job.notes)))
    zone = "not known"
    if story.first is not None and story.last is not None:
        first, last = local(story.first), local(story.last)
        ended = "Ended" if story.closed else "Unfinished, last call"
        facts += [("Begun", f"{first:%Y-%m-%d %H:%M}"), (ended, f"{last:%Y-%m-%d %H:%M}")]
        zone = " to ".join(dict.fromkeys((_zone(first), _zone(last))))
    return {
        "title": title, "under": under, "work": work, "facts": facts, "zone": zone,
        "verdict": shown_verdict(story.verdict) if story.rings else None,
    }  # fmt: skip


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _zone(at: datetime) -> str:
    name, offset = at.strftime("%Z"), at.strftime("%z")
    shown = f"UTC{offset[:3]}:{offset[3:5]}" if offset.strip("+-0") else "UTC"
    return shown if not name or name.startswith("UTC") else f"{name} ({shown})"


def _duration(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


# --- rings -------------------------------------------------------------------------------------


def _ring(ring: RingStory, unit: Unit) -> dict[str, object]:
    told, status = ring.told, ring.standing.status
    figure = told.kind is GapKind.FIGURE
    return {
        "ident": ring_ident(ring.key),
        "entries": bool(ring.entries),
        "right": ring.standing.status is RingStatus.ACCEPTED,
        "replaced": ring.specimens - 1,
        "place": ring.place.capitalize(),
        "position": ring.name.capitalize(),
        "standing": ring.standing.words,
        "mark": status.name_in_pages,
        "sign": plots.ring_sign(status),
        "window": window_figures(ring.window, unit),
        "window_full": window_words(ring.window, unit),
        "gap": told.short(unit),
        "gap_full": show_gap(told.best_nm, unit) if told.best_nm is not None
        else plots.band_text(ring.last, unit),
        "band": told.band(unit).rpartition(" ")[0] if figure else "",
        "band_full": f"({told.band(unit)})" if figure else "",
        "passes": ring.passes,
        "readings": ring.readings,
        "taken_back": ring.taken_back,
        "parts": [
            _part(ring, specimen, unit) for specimen in range(1, ring.specimens + 1)
        ],
    }  # fmt: skip


def _part(ring: RingStory, specimen: int, unit: Unit) -> dict[str, object]:
    """Plot and entries of one specimen: a ring that was spoiled is told before its successor."""
    entries = [entry for entry in ring.entries if entry.specimen == specimen]
    caption = ""
    if ring.specimens > 1:
        caption = f"Ring {specimen} in this place, {ring.standing_of(specimen).words}"
    name = f"{ring.place.capitalize()}: gap after every call"
    if caption:
        name += f", {caption.lower()}"
    return {
        "caption": caption,
        "plot": plots.gap_plot(
            [entry for entry in entries if not entry.struck], ring.window, unit,
            name=name, ident=f"{ring_ident(ring.key)}-{specimen}",
        ),
        "entries": [_entry(entry, unit) for entry in entries],
    }  # fmt: skip


def _entry(entry: Entry, unit: Unit) -> dict[str, object]:
    return {
        "turn": entry.turn,
        "passes": entry.passes,
        "text": "; ".join(entry.texts),
        "struck": entry.struck,
        "band": plots.band_text(entry.band, unit) if entry.readings or entry.cuts else "",
    }


def _cylinders(
    story: Story, rings: Mapping[RingKey, Mapping[str, object]]
) -> list[dict[str, object]]:
    """Pistons with their rings from the crown down."""
    job = story.job
    if job is None:
        return []
    down = [position for position in RingPosition if position in job.order]
    return [
        {
            "number": number,
            "bore": show_bore(job.bore_for(number), job.unit),
            "rings": [rings[number, position] for position in down],
        }
        for number in range(1, job.cylinders + 1)
    ]


# --- the spoken log ----------------------------------------------------------------------------


def _kinds(story: Story) -> list[Kind]:
    there = {kind for turn in story.turns for kind in turn.kinds}
    return [kind for kind in Kind if kind in there]


def _sittings(
    story: Story,
    rings: Mapping[RingKey, Mapping[str, object]],
    sounds: Mapping[str, str],
    local: Callable[[datetime], datetime],
) -> Iterable[dict[str, object]]:
    for number, group in groupby(story.turns, key=lambda turn: turn.sitting):
        turns = list(group)
        begun = local(turns[0].at)
        yield {
            "title": f"Sitting {number}, {begun:%Y-%m-%d} from {begun:%H:%M}",
            "turns": [_turn(turn, rings, sounds, local) for turn in turns],
        }


def _turn(
    turn: TurnTold,
    rings: Mapping[RingKey, Mapping[str, object]],
    sounds: Mapping[str, str],
    local: Callable[[datetime], datetime],
) -> dict[str, object]:
    heard = turn.heard
    typed = heard is not None and heard.source == "keyboard"
    return {
        "number": turn.number,
        "stamp": turn.at.astimezone(UTC).isoformat(timespec="milliseconds"),
        "clock": f"{local(turn.at):%H:%M:%S}",
        "classes": " ".join(kind.name.lower() for kind in Kind if kind in turn.kinds),
        "ring_idents": " ".join(ring_ident(key) for key in turn.rings if key in rings),
        "rings": [
            (ring_ident(key), rings[key]["place"], rings[key]["entries"])
            for key in turn.rings if key in rings
        ],
        "words": None if heard is None else _clean(heard.words),
        "sure": "" if heard is None else "typed" if typed else f"{heard.score * 100:.0f} % sure",
        "refused": None if heard is None or heard.refused is None
        else _clean(_REFUSED.get(heard.refused, heard.refused)),
        "meant": "event" if heard is None else "understood",
        "understood": _clean(_capital("; ".join(turn.understood))),
        "asked": None if turn.asked is None else _clean(_capital(turn.asked)),
        "takes_back": turn.takes_back,
        "taken_back": turn.taken_back,
        "notes": [_clean(note) for note in turn.notes],
        "troubles": [_clean(trouble) for trouble in turn.troubles],
        "replies": [_clean(_capital(reply)) for reply in turn.replies],
        "sounds": [
            {"src": sounds.get(clip), "missing": _missing(clip, erased=turn.erased)}
            for clip in turn.clips
        ],
    }  # fmt: skip


def _capital(text: str) -> str:
    """Sentences with a capital first; the voice needs none, so the log has none."""
    return re.sub(r"(^|[.?!] )([a-z])", lambda found: found[1] + found[2].upper(), text)


def _missing(clip: str, *, erased: bool) -> str:
    if erased:
        return "Its sound was erased on request."
    return f"Its sound ({_clean(clip)}) is not beside the log."
