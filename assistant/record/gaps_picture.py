"""All gaps on one picture: for every kind of ring, a mark per cylinder in its window. Pure SVG.

Only what leaves told is drawn: a figure as a dot with its band, an open side as an arrow. What lies
out of the picture is an arrow at its edge; nothing is clamped into it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from assistant.bench.gap_words import GapKind, ToldGap, window_words
from assistant.bench.job import RingPosition
from assistant.bench.ring_status import Standing
from assistant.fitting.targets import Window
from assistant.record.review_plots import scale_ticks, tag
from assistant.units import Unit, show_gap

WIDTH, HEIGHT = 240.0, 150.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 4.0, 12.0, 20.0
_LABEL_WIDTH = 15.0  # a number of two digits at the size of the page's style
_OPEN_CALLS = 4  # height of a window that has no most, in call units


@dataclass(frozen=True, slots=True)
class GapOfRing:
    """One ring on the picture; ``told`` as far as it was measured."""

    cylinder: int
    position: RingPosition
    window: Window
    told: ToldGap
    standing: Standing


@dataclass(frozen=True, slots=True)
class GapsPicture:
    """One kind of ring: its name, and its picture."""

    name: str
    picture: Markup


def gaps_pictures(rings: Sequence[GapOfRing], unit: Unit) -> tuple[GapsPicture, ...]:
    """A picture for every kind of ring there is, from the crown down."""
    return tuple(
        GapsPicture(position.value.capitalize(), _picture(of_kind, unit))
        for position in RingPosition
        if (of_kind := [ring for ring in rings if ring.position is position])
    )


def _picture(rings: Sequence[GapOfRing], unit: Unit) -> Markup:
    rings = sorted(rings, key=lambda ring: ring.cylinder)
    drawn = Markup("").join(_Drawing(rings, unit).parts())
    name = f"{rings[0].position.value.capitalize()}: gap and window of every cylinder"
    told = " ".join(
        f"Cylinder {ring.cylinder}: {ring.told.words(unit)}, window "
        f"{window_words(ring.window, unit)}, {ring.standing.words}."
        for ring in rings
    )
    return tag(
        "svg", drawn,
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img", class_="gaps",
        aria_label=f"{name}. {told}",
    )  # fmt: skip


class _Drawing:
    """Geometry of one picture: a column for every cylinder."""

    def __init__(self, rings: Sequence[GapOfRing], unit: Unit) -> None:
        self._rings = rings
        self._unit = unit
        self._step = (WIDTH - _LEFT - _RIGHT) / len(rings)
        least_nm = min(ring.window.least_nm for ring in rings)
        most_nm = max(_top_nm(ring.window, unit) for ring in rings)
        width_nm = max(most_nm - least_nm, unit.call_nm)
        near, far = width_nm * 3 // 4, width_nm * 2
        found = [nm for ring in rings if ring.told.best_nm is not None
                 for nm in (ring.told.low_nm, ring.told.high_nm) if nm is not None]  # fmt: skip
        below = least_nm - min(found, default=least_nm) + unit.call_nm
        above = max(found, default=most_nm) - most_nm + unit.call_nm
        self.low_nm = least_nm - min(max(below, near), far)
        self.high_nm = most_nm + min(max(above, near), far)

    def _y(self, length_nm: int) -> float:
        share = (length_nm - self.low_nm) / (self.high_nm - self.low_nm)
        return HEIGHT - _BOTTOM - share * (HEIGHT - _TOP - _BOTTOM)

    def parts(self) -> Iterator[Markup]:
        """Everything drawn, from the back to the front."""
        base = HEIGHT - _BOTTOM
        for place_nm in scale_ticks(self.low_nm, self.high_nm, self._unit, most=5):
            y = self._y(place_nm)
            label = show_gap(place_nm, self._unit).split()[0]
            yield tag("path", d=f"M{_LEFT:g} {y:.1f}h-3", class_="axis")
            yield tag("text", label, x=_LEFT - 5, y=y + 4, class_="left")
        yield tag("path", d=f"M{_LEFT:g} {_TOP:g}V{base:g}H{WIDTH - _RIGHT:g}", class_="axis")
        every = 1 if self._step >= _LABEL_WIDTH else 2
        for n, ring in enumerate(self._rings):
            x = _LEFT + (n + 0.5) * self._step
            if n % every == 0:
                yield tag("text", str(ring.cylinder), x=x, y=base + 14, class_="middle")
            yield from self._window(ring.window, x)
            yield tag(
                "g", Markup("").join(self._mark(ring, x)),
                class_=ring.standing.status.name_in_pages,
            )  # fmt: skip

    def _window(self, window: Window, x: float) -> Iterator[Markup]:
        wide = self._step * 0.86
        bottom = self._y(window.least_nm)
        top = _TOP if window.most_nm is None else self._y(window.most_nm)
        yield tag("rect", x=x - wide / 2, y=top, width=wide, height=bottom - top, class_="window")
        for y in [bottom] if window.most_nm is None else [bottom, top]:
            yield tag("path", d=f"M{x - wide / 2:.1f} {y:.1f}h{wide:.1f}", class_="edge")

    def _mark(self, ring: GapOfRing, x: float) -> Iterator[Markup]:
        """What is known of one gap, from the least to the most it can be."""
        told = ring.told
        if told.kind is GapKind.BUTTS:
            y = HEIGHT - _BOTTOM - 5
            yield tag("path", d=f"M{x - 4:.1f} {y - 4:.1f}l8 8m0-8-8 8", class_="cross")
            return
        if not told.measured:
            return
        low_nm = self.low_nm - 1 if told.low_nm is None else told.low_nm
        high_nm = self.high_nm + 1 if told.high_nm is None else told.high_nm
        top, bottom = _TOP, HEIGHT - _BOTTOM
        if low_nm < self.high_nm and high_nm > self.low_nm:
            from_y = self._y(max(low_nm, self.low_nm))
            to_y = self._y(min(high_nm, self.high_nm))
            yield tag("path", d=f"M{x:.1f} {from_y:.1f}V{to_y:.1f}", class_="reach")
        if high_nm > self.high_nm:
            yield tag("path", d=f"M{x - 4:.1f} {top + 4:.1f}l4-5 4 5", class_="reach")
        if low_nm < self.low_nm:
            yield tag("path", d=f"M{x - 4:.1f} {bottom - 5:.1f}l4 5 4-5", class_="reach")
        if told.kind in (GapKind.OVER, GapKind.UNDER):  # the leaf that bounds it
            leaf_nm = told.low_nm if told.low_nm is not None else told.high_nm
            if leaf_nm is not None and self.low_nm <= leaf_nm <= self.high_nm:
                yield tag("path", d=f"M{x - 4:.1f} {self._y(leaf_nm):.1f}h8", class_="reach")
        best_nm = told.best_nm
        if best_nm is not None and self.low_nm <= best_nm <= self.high_nm:
            yield tag("circle", cx=x, cy=self._y(best_nm), r=min(4.2, self._step * 0.32),
                      class_="spot")  # fmt: skip


def _top_nm(window: Window, unit: Unit) -> int:
    if window.most_nm is not None:
        return window.most_nm
    return window.least_nm + _OPEN_CALLS * unit.call_nm
