"""The bench as the numbers see it: what cuts, who feels, which leaves lie there, which risk.

Every default says where it comes from; all can be set, and the rate of the grinder and the spread
of feel are learned from the work itself (see learning.py).
"""

from dataclasses import dataclass, field
from enum import StrEnum
from math import hypot

from assistant.fitting.facts import Cut
from assistant.units import NM_PER_THOU

STROKE_NM = 3 * NM_PER_THOU // 10
"""What one file stroke takes off until it is learned, nm: a careful guess, no source."""


class GrinderKind(StrEnum):
    """What takes the metal off."""

    DIAL = "dial"  # a ring grinder with a dial: told how far to feed
    FILE = "file"  # a file held by hand or in a frame: told how many strokes


@dataclass(frozen=True, slots=True)
class Grinder:
    """What takes the metal off. Removal = rate x feed (or strokes) + spread.

    step_nm: smallest feed that can be set, nm; all feeds advised are multiples of it.
    largest_cut_nm: largest single cut, nm of removal wanted.
    butting_cut_nm: first cut of a ring that butts, nm (10 thou: common practice, no source).
    rate: nm of gap won per nm of feed; 1 until learned. rate_sd: its uncertainty, as a share of the
        rate (no source: 0.10 says that one grinder in three is off by more than 10 %).
    cut_sd_nm: spread of a single cut, nm (quarter of a thou: half of the half-thou resolution of
        feel; no source). cut_sd_doubt: how uncertain that spread is, as a share.
    per_stroke_nm, per_stroke_sd: gap won per file stroke, nm, and its uncertainty as a share.
        There is no published figure; 0.3 thou with 40 % is only a careful start.
    per_pass_sd: spread of one cut as a share of what it takes off, besides cut_sd_nm: nobody files
        ten strokes twice alike (no source; a dial's grows so little that cut_sd_nm holds it).
        per_pass_doubt: how uncertain it is, as a share.
    doubles, counted_cuts: of so many cuts so many took about twice what was set. Before anything is
        counted, one in 2000: after twenty, one surprise makes it one in twenty (no source).
    """

    kind: GrinderKind = GrinderKind.DIAL
    step_nm: int = NM_PER_THOU // 2
    largest_cut_nm: int = 10 * NM_PER_THOU
    butting_cut_nm: int = 10 * NM_PER_THOU
    rate: float = 1.0
    rate_sd: float = 0.10
    cut_sd_nm: float = NM_PER_THOU / 4
    cut_sd_doubt: float = 0.3
    per_stroke_nm: float = float(STROKE_NM)
    per_stroke_sd: float = 0.40
    per_pass_sd: float = 0.20
    per_pass_doubt: float = 0.3
    doubles: float = 0.01
    counted_cuts: float = 20.0

    @property
    def unit_rate_nm(self) -> float:
        """Expected removal, nm, of one unit of cutting: 1 nm of feed, or one stroke."""
        return self.rate if self.kind is GrinderKind.DIAL else self.per_stroke_nm

    @property
    def unit_rate_sd(self) -> float:
        """Uncertainty of ``unit_rate_nm`` as a share of it (spread of its logarithm)."""
        return self.rate_sd if self.kind is GrinderKind.DIAL else self.per_stroke_sd

    @property
    def unit_step(self) -> int:
        """Smallest settable cut in units of cutting: nm of feed, or one stroke."""
        return self.step_nm if self.kind is GrinderKind.DIAL else 1

    def spread_nm(self, units: float) -> float:
        """Spread of one cut of so many units, nm, its rate known."""
        if self.kind is GrinderKind.DIAL:
            return self.cut_sd_nm
        return hypot(self.cut_sd_nm, self.per_pass_sd * self.unit_rate_nm * units)

    def units(self, cut: Cut) -> int | None:
        """Units of cutting in ``cut``; None if it was made with the other kind of tool."""
        mine, other = (
            (cut.feed_nm, cut.strokes)
            if self.kind is GrinderKind.DIAL
            else (cut.strokes, cut.feed_nm)
        )
        return mine if mine or not other else None


@dataclass(frozen=True, slots=True)
class Person:
    """How the builder feels a leaf.

    offset_nm: felt gap minus true gap, nm; positive = leaves feel looser than they are. It cannot
        be learned from rings alone (it cancels in every difference): set it by trying leaves in a
        slot of known width. offset_sd_nm: what is left unknown of it (a tenth of a thou).
    spread_nm: spread from one try to the next, nm (quarter of a thou: half a thou is the practical
        resolution of feel, common practice, no source; learned from repeated readings).
    spread_doubt: how uncertain that spread is, as a share.
    only_goes: chance, 0..1, that this person says "goes" and "no go" only, whatever the drag (no
        source; learned from the words used).
    """

    offset_nm: float = 0.0
    offset_sd_nm: float = NM_PER_THOU / 10
    spread_nm: float = NM_PER_THOU / 4
    spread_doubt: float = 0.3
    only_goes: float = 0.2


@dataclass(frozen=True, slots=True)
class PersonAndTool:
    """To whom learned values belong. person: a name, empty where none was given."""

    person: str
    tool: GrinderKind

    def __str__(self) -> str:
        """``Ada, dial``: how it is shown and kept."""
        return f"{self.person or _ANYONE}, {self.tool.value}"

    @staticmethod
    def read(text: str) -> "PersonAndTool":
        """From the text that ``str`` gives. Raises ValueError if it names no kind of tool."""
        person, _, tool = text.rpartition(", ")
        return PersonAndTool("" if person == _ANYONE else person, GrinderKind(tool))


_ANYONE = "anyone"


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything that an estimate or an advice needs besides the ring itself.

    leaves_nm: thickness of the leaves on hand, nm, any order.
    half_nm: grid of feel, nm: half a thou or half a hundredth.
    leaf_tol_nm: half width of a leaf's thickness error, nm (0.005 mm; reference work on feeler
        gauges: variation 0.004 mm up to 0.3 mm thick, 0.006 mm above).
    over_risk: chance allowed, per ring, of ending a hair or more above the most allowed gap by
    grinding (targets.HAIR_NM); ten times as much of ending above it at all.
    confidence: how sure "inside the window" must be.
    tilt_share: share of seatings that are not square though nobody noticed (no source).
    """

    grinder: Grinder = field(default_factory=Grinder)
    person: Person = field(default_factory=Person)
    leaves_nm: tuple[int, ...] = tuple(n * NM_PER_THOU for n in range(2, 31))
    half_nm: int = NM_PER_THOU // 2
    leaf_tol_nm: float = 5_000.0
    over_risk: float = 0.001
    confidence: float = 0.95
    tilt_share: float = 0.01

    @property
    def thinnest_nm(self) -> int:
        """Thinnest leaf on hand, nm: a ring that butts is only known to be below it."""
        return min(self.leaves_nm, default=2 * NM_PER_THOU)
