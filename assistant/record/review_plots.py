"""Pictures of the review as inline SVG: the way of one ring's gap, marks, and small ring signs.

Pure text. Colours come from the page (classes only, no style), so that dark mode and print hold.
Every picture has a name for a screen reader, or is hidden from it where the words stand beside it.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, cos, floor, radians, sin

from markupsafe import Markup, escape

from assistant.bench import events as ev
from assistant.bench.gap_words import GapKind, window_words
from assistant.bench.ring_status import RingStatus
from assistant.fitting.facts import Feel
from assistant.fitting.targets import Window
from assistant.record.session_story import Band, Entry
from assistant.units import Unit, show_gap

WIDTH, HEIGHT = 460.0, 264.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 10.0, 36.0, 34.0
_TICKS = (0.5, 1, 2, 5, 10, 20, 50)
_MOST_TICKS = 7
_FADES = 4

FEEL_TOLD = {
    Feel.DROPS: "drops: the gap is larger",
    Feel.GOES: "goes: the gap is larger",
    Feel.SNUG: "snug: the gap is about this",
    Feel.ALMOST: "almost: the gap is just under this",
    Feel.NO_GO: "no go: the gap is smaller",
    Feel.BUTTS: "butts: the ends touch",
}
"""What each mark of a reading stands for, loosest first."""


def tag(name: str, content: Markup | str = "", /, **attributes: object) -> Markup:
    """One element. ``class_`` is written class, ``_`` in a name is written ``-``; None is left out.

    Everything is escaped, numbers are rounded to a tenth.
    """
    pairs = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_number(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    return Markup(f"<{name}{pairs}>{escape(content)}</{name}>")  # noqa: S704 all parts are escaped


def _number(value: object) -> object:
    return f"{value:.1f}".removesuffix(".0") if isinstance(value, float) else value


def _all(parts: Sequence[Markup] | Iterator[Markup]) -> Markup:
    return Markup("").join(parts)


def scale_ticks(low_nm: int, high_nm: int, unit: Unit, *, most: int = _MOST_TICKS) -> list[int]:
    """Round lengths from ``low_nm`` to ``high_nm`` for a scale, nm: about ``most`` at most."""
    low, high = low_nm / unit.call_nm, high_nm / unit.call_nm
    step = next((step for step in _TICKS if (high - low) / step <= most), _TICKS[-1])
    return [round(n * step * unit.call_nm) for n in range(ceil(low / step), floor(high / step) + 1)]


# --- marks -------------------------------------------------------------------------------------


def reading_mark(feel: Feel, x: float, y: float) -> Markup:
    """The mark of a reading at (x, y): it points to where the gap lies."""
    at = f"translate({x:.1f} {y:.1f})"
    match feel:
        case Feel.DROPS:
            shape = tag("path", d="M0-8 4.5-1h-9zM0-1 4.5 6h-9z", class_="full")
        case Feel.GOES:
            shape = tag("path", d="M0-5.5 5 4h-10z", class_="full")
        case Feel.SNUG:
            shape = tag("circle", r=4.5, class_="full")
        case Feel.ALMOST:
            shape = tag("path", d="M0 5.5-5-4h10z", class_="open")
        case Feel.NO_GO:
            shape = tag("path", d="M0 5.5-5-4h10z", class_="full")
        case Feel.BUTTS:
            shape = tag("path", d="M-5-5 5 5M-5 5 5-5", class_="cross")
    return tag("g", shape, class_="mark", transform=at)


def mark_key(feel: Feel) -> Markup:
    """A reading's mark for the legend; its words stand beside it."""
    return _hidden(reading_mark(feel, 10, 10), 20)


_TICK = "M14 20.5l4.5 4.5 8-9.5"
_HALF_TICK = "M14 20.5l4.5 4.5 3-3.5M24 17.5l2.5-3"
_CROSS = "M14.5 14.5l11 11M25.5 14.5l-11 11"
_UP, _DOWN = "M20 26v-11m-5 5 5-5 5 5M14 12h12", "M20 14v11m-5-5 5 5 5-5M14 28h12"
_ASKS = "M16 16.5c0-5 8-5 8 0 0 3-4 3-4 6M20 26v1.2"
_INNER = {
    RingStatus.ACCEPTED: _TICK,
    RingStatus.ACCEPTED_LIKELY: _HALF_TICK,
    RingStatus.ACCEPTED_UNSURE: _ASKS,
    RingStatus.ACCEPTED_UNDER: _DOWN,
    RingStatus.ACCEPTED_OVER: _UP,
    RingStatus.OVER: _UP,
    RingStatus.SPOILED: _CROSS,
    RingStatus.REPLACED: _CROSS,
    RingStatus.SKIPPED: "M14 14l6 6-6 6M21 14l6 6-6 6",
    RingStatus.INSIDE: _TICK,
    RingStatus.LIKELY_INSIDE: _HALF_TICK,
}
_DOUBTED = {
    RingStatus.ACCEPTED_UNSURE, RingStatus.ACCEPTED_UNDER, RingStatus.ACCEPTED_OVER,
    RingStatus.ACCEPTED_LIKELY,
}  # fmt: skip


def ring_sign(status: RingStatus) -> Markup:
    """A ring seen from above, its end gap at the top; line and inner mark tell how it stands.

    Hidden from screen readers: the words stand beside it.
    """
    inner = Markup("")
    if status in _INNER:
        inner = tag("path", d=_INNER[status], class_="inner")
    elif status is RingStatus.IN_WORK:
        inner = tag("circle", cx=20, cy=20, r=4, class_="dot")
    ring = tag("path", d=_arc(16, 14), class_="ring")
    if status in _DOUBTED:
        ring = tag("path", d=_arc(17.5, 14), class_="thin") + tag(
            "path", d=_arc(14.5, 17), class_="thin"
        )
    return _hidden(ring + inner, 40)


def _arc(radius: float, half_gap_deg: float) -> str:
    """A circle round (20, 20) that is open by twice ``half_gap_deg`` at the top."""
    x, y = radius * sin(radians(half_gap_deg)), radius * cos(radians(half_gap_deg))
    return f"M{20 + x:.2f} {20 - y:.2f}A{radius:g} {radius:g} 0 1 1 {20 - x:.2f} {20 - y:.2f}"


def _hidden(content: Markup, size: int) -> Markup:
    return tag(
        "svg", content, viewBox=f"0 0 {size} {size}", width=size, height=size, aria_hidden="true"
    )


# --- the way of a gap --------------------------------------------------------------------------


def gap_plot(
    entries: Sequence[Entry], window: Window, unit: Unit, *, name: str, ident: str
) -> Markup:
    """Gap against pass for one ring: window, belief band, cuts and readings.

    entries: those that count, of one specimen, oldest first. name: of the picture. ident: begins
    the ids in it, unique on the page. Empty where nothing was measured or cut.
    """
    slots = [entry for entry in entries if entry.readings or entry.cuts]
    if not slots:
        return Markup("")
    plot = _Plot(slots, window, unit)
    told = _told(slots, window, unit)
    return tag(
        "svg",
        tag("title", name, id=f"{ident}-title") + tag("desc", told, id=f"{ident}-desc")
        + _all(plot.parts()),
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img", class_="way",
        aria_labelledby=f"{ident}-title", aria_describedby=f"{ident}-desc",
    )  # fmt: skip


def _told(slots: Sequence[Entry], window: Window, unit: Unit) -> str:
    """The picture in words."""
    said = [f"Window {window_words(window, unit)}."]
    for passes in sorted({entry.passes for entry in slots}):
        last = [entry for entry in slots if entry.passes == passes][-1]
        when = "At first" if passes == 0 else f"After cut {passes}"
        said.append(f"{when}: {band_text(last.band, unit)}.")
    return " ".join(said)


def band_text(band: Band | None, unit: Unit) -> str:
    """A belief in words, as far as it was measured; after a cut, what is expected."""
    if band is None:
        return "not measured"
    words = band.told.words(unit)
    if band.told.kind is GapKind.CUT:
        words += f", expected {band.told.band(unit)}"
    return words


@dataclass(frozen=True, slots=True)
class _Span:
    """What the height of the picture holds, nm."""

    low_nm: int
    high_nm: int

    def y(self, length_nm: float) -> float:
        """Place of a length, kept inside the picture."""
        share = (length_nm - self.low_nm) / (self.high_nm - self.low_nm)
        return HEIGHT - _BOTTOM - min(max(share, 0.0), 1.0) * (HEIGHT - _TOP - _BOTTOM)


class _Plot:
    """Geometry of one picture: a column for every entry, oldest on the left."""

    def __init__(self, slots: Sequence[Entry], window: Window, unit: Unit) -> None:
        self._slots = slots
        self._window = window
        self._unit = unit
        self._span = _span(slots, window, unit)
        self._step = (WIDTH - _LEFT - _RIGHT) / len(slots)

    def _x(self, place: float) -> float:
        return _LEFT + place * self._step

    @property
    def _y(self) -> Callable[[float], float]:
        return self._span.y

    def parts(self) -> Iterator[Markup]:
        """Everything drawn, from the back to the front."""
        yield self._window_area()
        yield from self._ticks()
        yield from self._passes()
        yield from self._bands()
        yield from self._best()
        yield from self._cuts()
        yield from self._readings()

    def _window_area(self) -> Markup:
        window = self._window
        right = WIDTH - _RIGHT
        top_nm = self._span.high_nm if window.most_nm is None else window.most_nm
        top, bottom = self._y(top_nm), self._y(window.least_nm)
        edges = [bottom] if window.most_nm is None else [bottom, top]
        area = tag("rect", x=_LEFT, y=top, width=right - _LEFT, height=bottom - top,
                   class_="window")  # fmt: skip
        lines = [tag("path", d=f"M{_LEFT:g} {y:.1f}H{right:g}", class_="edge") for y in edges]
        if window.most_nm is not None:
            y = self._y(window.target_nm)
            lines.append(tag("path", d=f"M{_LEFT:g} {y:.1f}H{right:g}", class_="aim"))
        return area + _all(lines)

    def _ticks(self) -> Iterator[Markup]:
        for place_nm in scale_ticks(self._span.low_nm, self._span.high_nm, self._unit):
            y = self._y(place_nm)
            label = show_gap(place_nm, self._unit).split()[0]
            yield tag("path", d=f"M{_LEFT:g} {y:.1f}h-4", class_="axis")
            yield tag("text", label, x=_LEFT - 7, y=y + 4, class_="left")
        bottom = HEIGHT - _BOTTOM
        yield tag("path", d=f"M{_LEFT:g} {_TOP:g}V{bottom:g}H{WIDTH - _RIGHT:g}", class_="axis")
        unit = "thou" if self._unit is Unit.INCH else "mm"
        yield tag("text", unit, x=_LEFT - 7, y=_TOP - 12, class_="left")

    def _passes(self) -> Iterator[Markup]:
        """Number of cuts below, once for all columns of one pass."""
        bottom = HEIGHT - _BOTTOM
        begins = [n for n, entry in enumerate(self._slots)
                  if n == 0 or entry.passes != self._slots[n - 1].passes]  # fmt: skip
        for begin, end in pairwise([*begins, len(self._slots)]):
            if begin:
                yield tag("path", d=f"M{self._x(begin):.1f} {_TOP:g}V{bottom + 5:g}",
                          class_="between")  # fmt: skip
            passes = self._slots[begin].passes
            narrow = (end - begin) * self._step < 52
            words = str(passes) if narrow and passes else f"cut {passes}" if passes else "found"
            middle = self._x((begin + end) / 2)
            if narrow and not passes:  # never past its divider: it begins where its column does
                yield tag("text", words, x=self._x(begin) + 2, y=bottom + 17, class_="first")
                continue
            yield tag("text", words, x=middle, y=bottom + 17, class_="middle")

    def _bands(self) -> Iterator[Markup]:
        """What is known from each entry to the next; expected where no leaf was tried since."""
        for n, entry in enumerate(self._slots):
            band = entry.band
            if band is None:
                continue
            left, right = self._x(n + 0.5), self._x(n + 1.5 if n + 1 < len(self._slots) else n + 1)
            low_nm, high_nm = self._bounds(band)
            top = self._y(high_nm) if high_nm is not None else _TOP
            bottom = self._y(low_nm) if low_nm is not None else HEIGHT - _BOTTOM
            kind = "band" if band.felt else "band expected"
            if low_nm is not None and high_nm is not None:
                yield tag("rect", x=left, y=top, width=right - left, height=max(bottom - top, 1.5),
                          class_=kind)  # fmt: skip
            else:
                yield from self._open_band(left, right, top, bottom, up=high_nm is None)

    def _bounds(self, band: Band) -> tuple[int | None, int | None]:
        """Bounds to be drawn; None where nothing bounds the gap, or out of the picture."""
        told = band.told
        low_nm, high_nm = told.low_nm, told.high_nm
        if told.kind is GapKind.BUTTS:
            low_nm, high_nm = None, self._span.low_nm + self._unit.call_nm
        if high_nm is not None and high_nm > self._span.high_nm:
            high_nm = None
        if low_nm is not None and low_nm < self._span.low_nm:
            low_nm = None
        return low_nm, high_nm

    def _open_band(
        self, left: float, right: float, top: float, bottom: float, *, up: bool
    ) -> Iterator[Markup]:
        """A band without an end: it fades out of the picture, and an arrow says that it goes on."""
        step = (bottom - top) / _FADES
        for n in range(_FADES):
            fade = _FADES - n if up else n + 1  # darkest beside the leaf that bounds it
            yield tag("rect", x=left, y=top + n * step, width=right - left, height=step,
                      class_=f"band fade-{fade}")  # fmt: skip
        x = (left + right) / 2
        head = f"M{x:.1f} {_TOP + 16:g}v-12m-4 4.5 4-4.5 4 4.5"
        if not up:
            head = f"M{x:.1f} {HEIGHT - _BOTTOM - 16:g}v12m-4-4.5 4 4.5 4-4.5"
        yield tag("path", d=head, class_="on")

    def _best(self) -> Iterator[Markup]:
        """The gap as steps, where it is known closely."""
        path = ""
        for n, entry in enumerate(self._slots):
            band = entry.band
            if band is None or band.told.best_nm is None:
                continue
            right = self._x(n + 1.5 if n + 1 < len(self._slots) else n + 1)
            path += f"M{self._x(n + 0.5):.1f} {self._y(band.told.best_nm):.1f}H{right:.1f}"
        if path:
            yield tag("path", d=path, class_="best")

    def _cuts(self) -> Iterator[Markup]:
        """An arrow at the head of the column, and how much was taken."""
        for n, entry in enumerate(self._slots):
            for cut in entry.cuts:
                x = self._x(n + 0.5)
                yield tag("path", d=f"M{x:.1f} {_TOP - 3:g}v-11m-4 4.5 4-4.5 4 4.5",
                          class_="cut")  # fmt: skip
                yield tag(
                    "text", _cut_text(cut, self._unit), x=x, y=_TOP - 19, class_="middle cut-text"
                )

    def _readings(self) -> Iterator[Markup]:
        for n, entry in enumerate(self._slots):
            tried = entry.readings
            for m, reading in enumerate(tried):
                # Several leaves of one call stand side by side, in the order in which they came.
                spread = min(self._step * 0.5, 12.0 * (len(tried) - 1))
                share = m / (len(tried) - 1) - 0.5 if len(tried) > 1 else 0.0
                yield reading_mark(
                    reading.feel, self._x(n + 0.5) + share * spread, self._y(reading.leaf_nm)
                )


def _cut_text(cut: ev.MetalGround | ev.StrokesFiled, unit: Unit) -> str:
    if isinstance(cut, ev.MetalGround):
        return "+" + show_gap(cut.feed_nm, unit).split()[0]
    return f"{cut.strokes} str."


def _span(slots: Sequence[Entry], window: Window, unit: Unit) -> _Span:
    """Height that holds the window and every reading; wide bands may run out of the picture."""
    most_nm = window.most_nm if window.most_nm is not None else window.least_nm + 2 * unit.call_nm
    firm = [window.least_nm, most_nm]
    firm += [reading.leaf_nm for entry in slots for reading in entry.readings]
    low_nm, high_nm = min(firm), max(firm)
    room_nm = max(2 * unit.call_nm, (high_nm - low_nm) // 4)
    told = [entry.band.told for entry in slots if entry.band is not None]
    lows = [one.low_nm for one in told if one.low_nm is not None]
    highs = [one.high_nm for one in told if one.high_nm is not None]
    low_nm = max(min([low_nm, *lows]), low_nm - room_nm)
    high_nm = min(max([high_nm, *highs]), high_nm + room_nm)
    return _Span(low_nm - unit.call_nm, high_nm + unit.call_nm)
