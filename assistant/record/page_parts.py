"""What review and build sheet share: the verdict with its links, the bar of progress. Pure.

Both are pages that need nothing but themselves; places of rings on them are the same.
"""

from dataclasses import dataclass
from functools import lru_cache

import jinja2
from markupsafe import Markup

from assistant.bench.plan import RingKey
from assistant.bench.ring_status import Concern, Grade, Verdict, short_place
from assistant.record.review_plots import tag

_MOST_LINKED = 6
"""Rings of one part of the verdict that are linked by name; more would hide the verdict."""

_SIGNS = {
    Grade.RIGHT: "M8 20.5l8 8 16-18",
    Grade.UNSURE: "M13 14c0-9 14-9 14 0 0 5-7 5-7 11M20 31v2",
    Grade.OPEN: "M20 8v13l9 6",
    Grade.WRONG: "M20 7v16M20 31v2",
}
_SHADES = {
    Concern.UNDER: "wrong", Concern.OVER: "wrong", Concern.UNSURE: "wrong",
    Concern.REPLACE: "wrong", Concern.LIKELY: "likely", Concern.SKIPPED: "skipped",
    Concern.OPEN: "open",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class LinkedPart:
    """A part of the verdict. links: (address on the page, words); more: the rest is not linked."""

    count: str
    links: tuple[tuple[str, str], ...]
    more: bool


@dataclass(frozen=True, slots=True)
class ShownVerdict:
    """The verdict as a page shows it. mark: for its style; sign, bar: pictures."""

    words: str
    mark: str
    sign: Markup
    parts: tuple[LinkedPart, ...]
    progress: str
    bar: Markup


def shown_verdict(verdict: Verdict) -> ShownVerdict:
    """The verdict for a page that has every ring at its ``ring_ident``."""
    return ShownVerdict(
        words=verdict.grade.value,
        mark=f"grade-{verdict.grade.name.lower()}",
        sign=grade_sign(verdict.grade),
        parts=tuple(
            LinkedPart(
                part.count,
                tuple(
                    (f"#{ring_ident(key)}", short_place(key)) for key in part.keys[:_MOST_LINKED]
                ),
                more=len(part.keys) > _MOST_LINKED,
            )
            for part in verdict.parts
        ),
        progress=verdict.progress,
        bar=_bar(verdict),
    )


def grade_sign(grade: Grade) -> Markup:
    """The sign of a verdict; hidden from screen readers: the words stand beside it."""
    return tag("svg", tag("path", d=_SIGNS[grade]), viewBox="0 0 40 40", aria_hidden="true")


def _bar(verdict: Verdict) -> Markup:
    """How many rings are accepted inside, and what is left, as one bar of 100."""
    lengths = [("accepted", verdict.accepted)]
    lengths += [(_SHADES[part.concern], len(part.keys)) for part in verdict.parts]
    drawn = Markup("")
    x = 0.0
    for shade, count in lengths:
        width = 100.0 * count / max(verdict.rings, 1)
        drawn += tag("rect", x=x, y=0, width=width, height=6, class_=f"bar-{shade}")
        x += width
    return tag(
        "svg", drawn, viewBox="0 0 100 6", preserveAspectRatio="none", class_="bar",
        aria_hidden="true",
    )  # fmt: skip


def ring_ident(key: RingKey) -> str:
    """Where a ring stands on a page: ``ring-2-top``."""
    return f"ring-{key[0]}-{key[1].value.replace(' ', '-')}"


@lru_cache(maxsize=4)
def compiled(template: str) -> jinja2.Template:
    """A template that escapes all it is given and knows no missing name."""
    return jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    ).from_string(template)
