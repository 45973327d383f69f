"""What is known of a gap, and a window, in words: one rendering for every screen and page.

No figure is told that nobody measured. Where leaves have closed in on a gap from one side only, it
is told from that side: "over 22 thou", "under 6 thou".
"""

from dataclasses import dataclass
from enum import StrEnum

from assistant.bench.plan import BAND_SHARE
from assistant.fitting.belief import Belief
from assistant.fitting.facts import Feel
from assistant.fitting.targets import Window
from assistant.units import NM_PER_THOU, Unit, show_gap, show_span

WIDE_BAND_NM = 3 * NM_PER_THOU
"""A gap whose 95 % band is wider is told as a band, not as a figure; in both units the same."""
_MAY_BUTT = 0.02
"""Chance of an overlap from which it is told: small, because a ring that butts breaks."""


def is_guess(belief: Belief) -> bool:
    """Whether a known gap is only known as a band, so that no one figure of it may be told: neither
    the gap nor what is still to go."""
    low_nm, high_nm = belief.interval_nm(BAND_SHARE)
    return high_nm - low_nm > WIDE_BAND_NM


class GapKind(StrEnum):
    """From which sides a gap is known."""

    FIGURE = "figure"  # closely: a figure and its band
    BAND = "band"  # from both sides, not closely
    OVER = "over"  # leaves only went in
    UNDER = "under"  # leaves only did not
    BUTTS = "butts"  # the ends touch
    CUT = "cut"  # a cut was made since the last leaf: low to high is expected, not measured
    UNKNOWN = "unknown"  # never measured


@dataclass(frozen=True, slots=True)
class ToldGap:
    """A gap as far as it was measured, nm.

    best_nm: of FIGURE only. low_nm, high_nm: never negative; of OVER and UNDER, one of them is
    None. may_butt: of UNDER, the ends may touch. expected: the bounds are a forecast (CUT).
    """

    kind: GapKind
    best_nm: int | None = None
    low_nm: int | None = None
    high_nm: int | None = None
    may_butt: bool = False

    @property
    def measured(self) -> bool:
        """Whether leaves tell anything of the gap as it is now."""
        return self.kind in (GapKind.FIGURE, GapKind.BAND, GapKind.OVER, GapKind.UNDER)

    def words(self, unit: Unit) -> str:
        """``16 thou (15.5 to 16.5 thou)``, ``over 22 thou``, ``butts``, ``not measured``."""
        band = self.band(unit)
        match self.kind:
            case GapKind.FIGURE if self.best_nm is not None:
                return f"{show_gap(self.best_nm, unit)} ({band})"
            case GapKind.UNDER if self.may_butt:
                return f"{band}, may butt"
            case GapKind.BUTTS:
                return "butts"
            case GapKind.CUT:
                return "not measured since the cut"
            case GapKind.UNKNOWN:
                return "not measured"
        return band

    def band(self, unit: Unit) -> str:
        """The bounds with the unit: ``15.5 to 16.5 thou``, ``over 22 thou``; empty if none."""
        if self.low_nm is not None and self.high_nm is not None:
            return show_span(self.low_nm, self.high_nm, unit)
        if self.low_nm is not None:
            return f"over {show_gap(self.low_nm, unit)}"
        return f"under {show_gap(self.high_nm, unit)}" if self.high_nm is not None else ""

    def short(self, unit: Unit) -> str:
        """Without the unit, for a cell: ``16``, ``over 22``, ``12 to 18``, ``butts``, ``-``."""
        match self.kind:
            case GapKind.FIGURE if self.best_nm is not None:
                return figure(self.best_nm, unit)
            case GapKind.BUTTS | GapKind.CUT:
                return self.kind.value
            case GapKind.UNKNOWN:
                return "-"
        return self.band(unit).rpartition(" ")[0]


NOT_MEASURED = ToldGap(GapKind.UNKNOWN)


def told_gap(belief: Belief) -> ToldGap:
    """What may be told of a gap."""
    if belief.butting:
        return ToldGap(GapKind.BUTTS)
    if not belief.seen:
        return ToldGap(GapKind.UNKNOWN)
    low_nm, high_nm = belief.interval_nm(BAND_SHARE)
    # A gap is never negative; an overlap is told as butting.
    low_nm, high_nm = max(low_nm, 0), max(high_nm, 0)
    if not belief.known:
        return ToldGap(GapKind.CUT, None, low_nm, high_nm)
    if not is_guess(belief) and belief.best_nm > 0:
        return ToldGap(GapKind.FIGURE, belief.best_nm, low_nm, high_nm)
    went = [r.leaf_nm for r in belief.tried if r.feel in (Feel.DROPS, Feel.GOES)]
    stopped = [r.leaf_nm for r in belief.tried if r.feel in (Feel.ALMOST, Feel.NO_GO)]
    if len(went) == len(belief.tried):
        return ToldGap(GapKind.OVER, low_nm=max(went))
    if len(stopped) == len(belief.tried):
        return ToldGap(GapKind.UNDER, high_nm=min(stopped), may_butt=belief.p_below(0) >= _MAY_BUTT)
    return ToldGap(GapKind.BAND, None, low_nm, high_nm)


def window_words(window: Window, unit: Unit) -> str:
    """A window: ``15 to 17 thou``, ``15 thou or more``."""
    if window.most_nm is None:
        return f"{show_gap(window.least_nm, unit)} or more"
    return show_span(window.least_nm, window.most_nm, unit)


def window_figures(window: Window, unit: Unit) -> str:
    """A window without its unit, for a cell: ``15 to 17``, ``15 or more``."""
    if window.most_nm is None:
        return f"{figure(window.least_nm, unit)} or more"
    return f"{figure(window.least_nm, unit)} to {figure(window.most_nm, unit)}"


def figure(length_nm: int, unit: Unit) -> str:
    """A length as shown, without its unit: ``15.5``, ``0.395``."""
    return show_gap(length_nm, unit).split()[0]
