"""A simulated bench: the truth that no policy sees.

Written apart from ``assistant.fitting`` on purpose: it draws one latent play per try and sorts it
by its own limits, so that a fault in the product's likelihood cannot hide in its own mirror.
Lengths are thou here, the product's nanometres are converted at the border.
"""

from dataclasses import dataclass, replace

import numpy as np

NM_PER_THOU = 25_400
SLOT_THOU = 20.0
SLOT_TRIES = 8


@dataclass(frozen=True)
class Scenario:
    """What a shop is like. Lengths in thou, shares 0..1; spreads are standard deviations.

    rate: true removal per feed (its mean over engines); rate_sd: from engine to engine, share.
    cut_sd: of one cut. feel_sd: of one try. offset_sd: person's bias from engine to engine.
    leaf_tol: half width of each leaf's thickness error. tilt: share of seatings not square, their
    excess exponential of mean 1. clumsy: share of tries three times as wide. misheard: share of
    readings whose number or feel arrives wrong. coarse: share of builders who say nothing but goes
    and no go. step: of the dial. leaf_step: between the leaves of the set.
    double: share of cuts that take twice as much. file: a file instead of a dial; a stroke takes a
    third of a thou, from engine to engine times exp(0.25 z), with a spread of stroke_sd as a share,
    and a whole pass one of pass_sd.
    feel_shared: share of the variance of feel that all tries of one seating have in common.
    bias: how much looser leaves feel than they are, thou, instead of a draw from offset_sd. slot:
    the person has felt a slot of known width before the first ring (20 thou, SLOT_TRIES tries).
    learned_rings: rings of the same grinder and person done before, which are not counted.
    butting: share of rings that butt at first (overlap 0 to 10). start: range of the other gaps.
    """

    name: str
    least: float = 15.0
    most: float = 16.5
    start: tuple[float, float] = (2.0, 10.0)
    butting: float = 0.0
    step: float = 0.5
    leaf_step: float = 1.0
    rate: float = 1.0
    rate_sd: float = 0.08
    cut_sd: float = 0.25
    feel_sd: float = 0.25
    offset_sd: float = 0.1
    leaf_tol: float = 5_000 / NM_PER_THOU
    tilt: float = 0.01
    clumsy: float = 0.0
    misheard: float = 0.0
    feel_shared: float = 0.0
    bias: float | None = None
    slot: bool = False
    coarse: float = 0.0
    double: float = 0.0
    file: bool = False
    stroke_sd: float = 0.25
    pass_sd: float = 0.0
    rings_per_engine: int = 16
    learned_rings: int = 0

    def named(self, name: str, **changes: object) -> "Scenario":
        """This shop with another name and some differences."""
        return replace(self, name=name, **changes)  # type: ignore[arg-type]


class Engine:
    """One engine's worth of truth: grinder, person, leaves; rings are drawn from it one by one."""

    def __init__(self, scenario: Scenario, rng: np.random.Generator) -> None:
        self.scenario = scenario
        self.rng = rng
        self.rate = max(scenario.rate * (1 + scenario.rate_sd * rng.standard_normal()), 0.2)
        drawn = scenario.offset_sd * rng.standard_normal()
        self.offset = drawn if scenario.bias is None else scenario.bias
        self.common = 0.0
        self.coarse = rng.random() < scenario.coarse
        self.leaf_errors: dict[int, float] = {}
        if scenario.file:
            self.per_stroke = float(np.exp(0.25 * rng.standard_normal())) / 3

    def start_gap(self) -> float:
        """True gap of a new ring, thou; negative = overlap."""
        if self.rng.random() < self.scenario.butting:
            return -10.0 * self.rng.random()
        low, high = self.scenario.start
        return low + (high - low) * self.rng.random()

    def seat(self) -> float:
        """Excess that a seating adds to the gap, thou; what its tries have in common is drawn."""
        if self.scenario.feel_shared:
            shared = self.scenario.feel_shared**0.5 * self.scenario.feel_sd
            self.common = shared * self.rng.standard_normal()
        return self.rng.exponential() if self.rng.random() < self.scenario.tilt else 0.0

    def cut(self, gap: float, feed: float) -> float:
        """True gap after a feed, thou."""
        removal = self.rate * feed + self.scenario.cut_sd * self.rng.standard_normal()
        return gap + max(removal * self._times(), 0.0)

    def strokes(self, gap: float, count: int) -> float:
        """True gap after so many strokes in one pass, thou."""
        strokes = count + self.scenario.stroke_sd * count**0.5 * self.rng.standard_normal()
        removal = self.per_stroke * strokes
        removal *= 1 + self.scenario.pass_sd * self.rng.standard_normal()
        return gap + max(removal * self._times(), 0.0)

    def _times(self) -> int:
        if not self.scenario.double:
            return 1
        return 2 if self.rng.random() < self.scenario.double else 1

    def leaf_error(self, leaf_nm: int) -> float:
        """Error of one leaf of the set, thou: the same each time it is used."""
        if leaf_nm not in self.leaf_errors:
            tol = self.scenario.leaf_tol
            self.leaf_errors[leaf_nm] = self.rng.uniform(-tol, tol)
        return self.leaf_errors[leaf_nm]

    def feel(self, gap: float, stack_nm: tuple[int, ...]) -> str:
        """What the builder says of this stack in a gap of so many thou."""
        leaf = sum(stack_nm) / NM_PER_THOU + sum(self.leaf_error(one) for one in stack_nm)
        spread = self.scenario.feel_sd * (3.0 if self.rng.random() < self.scenario.clumsy else 1.0)
        spread *= (1 - self.scenario.feel_shared) ** 0.5
        play = gap + self.offset + self.common - leaf + spread * self.rng.standard_normal()
        if self.coarse:
            return "goes" if play > 0 else "no go"
        if play < -0.75:
            return "no go"
        if play < -0.25:
            return "almost"
        return "snug" if play < 0.25 else "goes"

    def heard(self, leaf_nm: int, feel: str) -> tuple[int, str]:
        """What arrives of a call: now and then a neighbour number, a tens word, or another feel."""
        if self.rng.random() >= self.scenario.misheard:
            return leaf_nm, feel
        kind = self.rng.integers(4)
        if kind == 0:
            return max(leaf_nm + NM_PER_THOU, NM_PER_THOU), feel
        if kind == 1:
            return max(leaf_nm - NM_PER_THOU, NM_PER_THOU), feel
        whole = leaf_nm // NM_PER_THOU
        if kind == 2 and 13 <= whole <= 19:
            return (whole - 10) * 10 * NM_PER_THOU, feel
        other = [word for word in ("no go", "almost", "snug", "goes") if word != feel]
        return leaf_nm, other[self.rng.integers(3)]
