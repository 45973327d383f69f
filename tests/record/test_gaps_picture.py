"""All gaps on one picture: what a reader measures off it is what was told."""

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.bench.gap_words import NOT_MEASURED, GapKind, ToldGap
from assistant.bench.job import RingPosition
from assistant.bench.ring_status import RingStatus, Standing
from assistant.fitting.targets import Window
from assistant.record.gaps_picture import HEIGHT, WIDTH, GapOfRing, gaps_pictures
from assistant.units import NM_PER_THOU, Unit

TOP = RingPosition.TOP


def thou(value: float) -> int:
    return round(value * NM_PER_THOU)


WINDOW = Window(thou(16), thou(18), thou(17))


def figure(best: float, low: float, high: float) -> ToldGap:
    return ToldGap(GapKind.FIGURE, thou(best), thou(low), thou(high))


def ring(cylinder: int, told: ToldGap, window: Window = WINDOW) -> GapOfRing:
    return GapOfRing(cylinder, TOP, window, told, Standing(RingStatus.ACCEPTED, 0.99))


def drawn(*rings: GapOfRing) -> ElementTree.Element:
    (one,) = gaps_pictures(rings, Unit.INCH)
    return ElementTree.fromstring(str(one.picture))


def having(svg: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [element for element in svg.iter() if element.get("class") == name]


def thou_at(svg: ElementTree.Element, y: float) -> float:
    """What a reader measures at a height, from the figures of the scale alone."""
    scale = [(float(t.attrib["y"]) - 4, float(t.text or "")) for t in having(svg, "left")]
    (y1, v1), (y2, v2) = scale[0], scale[-1]
    return v1 + (y - y1) * (v2 - v1) / (y2 - y1)


def ends(svg: ElementTree.Element) -> list[tuple[float, float]]:
    """Ends of every upright line of what is known, in thou."""
    drawn = (e.attrib["d"] for e in having(svg, "reach"))
    found = [re.fullmatch(r"M[\d.]+ ([\d.]+)V([\d.]+)", d) for d in drawn]
    return [(thou_at(svg, float(m[1])), thou_at(svg, float(m[2]))) for m in found if m]


@given(st.floats(14, 20), st.floats(0, 0.7), st.floats(0, 0.7))
def test_a_dot_and_its_band_stand_at_their_figures(best: float, below: float, above: float) -> None:
    svg = drawn(ring(1, figure(17, 16.5, 17.5)), ring(2, figure(best, best - below, best + above)))
    spots = [thou_at(svg, float(spot.attrib["cy"])) for spot in having(svg, "spot")]
    assert spots == pytest.approx([17, best], abs=0.02)
    assert ends(svg)[1] == pytest.approx((best - below, best + above), abs=0.02)


def test_the_window_stands_at_its_figures() -> None:
    svg = drawn(ring(1, NOT_MEASURED))
    (area,) = having(svg, "window")
    top = float(area.attrib["y"])
    bottom = top + float(area.attrib["height"])
    assert [thou_at(svg, y) for y in (top, bottom)] == pytest.approx([18, 16], abs=0.02)
    assert not having(svg, "spot")
    assert not having(svg, "reach")


@pytest.mark.parametrize(
    ("told", "tip_up"),
    [
        (ToldGap(GapKind.OVER, low_nm=thou(17)), True),
        (ToldGap(GapKind.UNDER, high_nm=thou(15.5), may_butt=True), False),
    ],
)
def test_an_open_side_is_an_arrow_and_has_no_dot(told: ToldGap, tip_up: bool) -> None:
    svg = drawn(ring(1, told))
    assert not having(svg, "spot")
    (line,) = ends(svg)
    known = told.low_nm if tip_up else told.high_nm
    assert line[0 if tip_up else 1] == pytest.approx((known or 0) / NM_PER_THOU, abs=0.02)
    heads = [e for e in having(svg, "reach") if "l4-5 4 5" in e.attrib["d"]]
    assert bool(heads) is tip_up


@pytest.mark.parametrize("far", [2.0, 45.0])
def test_what_lies_out_of_the_picture_is_an_arrow_not_a_dot_at_its_edge(far: float) -> None:
    svg = drawn(ring(1, figure(17, 16.5, 17.5)), ring(2, figure(far, far - 0.5, far + 0.5)))
    assert len(having(svg, "spot")) == 1
    assert len(ends(svg)) == 1


def test_a_ring_that_butts_is_a_cross() -> None:
    svg = drawn(ring(1, ToldGap(GapKind.BUTTS)))
    assert len(having(svg, "cross")) == 1
    assert not having(svg, "spot")


def test_sixteen_cylinders_fit_and_every_second_is_numbered() -> None:
    svg = drawn(*(ring(n, figure(17, 16.5, 17.5)) for n in range(1, 17)))
    assert [t.text for t in having(svg, "middle")] == [str(n) for n in range(1, 17, 2)]
    places = [float(spot.attrib["cx"]) for spot in having(svg, "spot")]
    assert places == sorted(places)
    assert 0 < places[0] < places[-1] < WIDTH
    assert all(0 < float(spot.attrib["cy"]) < HEIGHT for spot in having(svg, "spot"))


def test_the_picture_is_told_in_words_from_the_crown_down() -> None:
    over = ToldGap(GapKind.OVER, low_nm=thou(17))
    window = Window(thou(15), None, thou(15))
    rail = GapOfRing(1, RingPosition.UPPER_RAIL, window, over, Standing(RingStatus.ACCEPTED, 1.0))
    found = gaps_pictures([rail, ring(1, figure(17, 16.5, 17.5))], Unit.INCH)
    assert [one.name for one in found] == ["Top", "Upper rail"]
    assert "Cylinder 1: over 17 thou, window 15 thou or more, accepted." in str(found[1].picture)
