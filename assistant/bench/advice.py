"""The next step for the ring at hand: which leaf, how much to cut, what to check, when to stop."""

from dataclasses import dataclass, replace
from enum import StrEnum

from assistant.bench.commands import Check
from assistant.bench.plan import RingKey
from assistant.bench.ring_status import Concern, standings, verdict_of
from assistant.bench.session import State
from assistant.fitting.belief import Belief
from assistant.fitting.leaves import next_leaf
from assistant.fitting.placement import LooseRing, OpenBore, place_all
from assistant.fitting.removal import CutReason, next_cut
from assistant.fitting.targets import Window


class Step(StrEnum):
    """What to do next."""

    PICK = "pick"  # take up the ring `key`
    SEAT = "seat"  # nothing known: set it square, try a leaf
    AFTER_CUT = "after cut"  # deburr, set square, try a leaf
    MEASURE = "measure"  # one more leaf tells more
    CUT = "cut"  # grind or file
    CUT_BUTTING = "cut butting"  # the safe first cut: the gap is unknown
    DRESS = "dress"  # inside: deburr, look at the ends
    ENDS = "ends"  # ends were reported not square
    ACCEPT = "accept"  # inside: accept it
    LIKELY = "likely"  # likely inside, not surely: measure once more or accept it
    CLOSE = "close"  # below or at the least, but the smallest cut could pass the most
    OVER = "over"  # above the most allowed: never a cut
    LIKELY_OVER = "likely over"  # likely, not surely
    REPLACE = "replace"  # no ring is open, but this one was spoiled: another goes in its place
    NOT_RIGHT = "not right"  # no ring is open, but this one was accepted and is not right
    ALL_LIKELY = "all likely"  # every ring is accepted, some are only likely inside
    ALL_DONE = "all done"


@dataclass(frozen=True, slots=True)
class Advice:
    """The next step. key: the ring it is for. more_nm: gap still to win to the target, nm, >= 0.

    stack_nm: leaf (or leaves to stack) to try, empty if none. feed_nm, strokes: cut to make, 0 if
    none. p_over: chance that the cut ends above the most allowed (of CLOSE: that the smallest
    cut would). p_inside, p_under: chance of being inside the window, below its least, now. passes:
    cuts expected to come.
    elsewhere: where in this engine an over-gapped ring would fit.
    """

    step: Step
    key: RingKey | None = None
    window: Window | None = None
    belief: Belief | None = None
    more_nm: int = 0
    stack_nm: tuple[int, ...] = ()
    feed_nm: int = 0
    strokes: int = 0
    p_over: float = 0.0
    p_inside: float = 0.0
    p_under: float = 0.0
    passes: float = 0.0
    elsewhere: RingKey | None = None


def advise(state: State, key: RingKey | None = None) -> Advice:
    """The next step for ``key``, or for the ring at hand, or else the next ring to pick."""
    key = key if key is not None else state.here
    if key is None or state.ring(key).outcome is not None:
        following = state.next_ring()
        return Advice(Step.PICK, following) if following is not None else _at_the_end(state)
    ring = state.ring(key)
    bench, window, belief = state.bench(key), state.window(key), state.belief(key)
    more_nm = max(0, window.target_nm - belief.best_nm) if belief.known else 0
    cut = next_cut(belief, window, bench)
    leaf = next_leaf(belief, window, bench)

    def step(step: Step, *, feed_nm: int = 0, strokes: int = 0) -> Advice:
        return Advice(
            step, key, window, belief, more_nm=more_nm, stack_nm=leaf.stack[::-1], feed_nm=feed_nm,
            strokes=strokes, p_over=cut.p_over, p_inside=cut.p_inside, p_under=cut.p_under,
            passes=cut.expected_passes,
        )  # fmt: skip

    if ring.measured is None:
        return step(Step.SEAT)
    if not ring.measured:
        return step(Step.AFTER_CUT)
    if Check.ENDS_NOT_SQUARE in ring.checks:
        return step(Step.ENDS)
    match cut.reason:
        case CutReason.BUTTING:
            return step(Step.CUT_BUTTING, feed_nm=cut.feed_nm, strokes=cut.strokes)
        case CutReason.SNEAK if cut.feed_nm or cut.strokes:
            return step(Step.CUT, feed_nm=cut.feed_nm, strokes=cut.strokes)
        case CutReason.INSIDE | CutReason.RAIL_OK:
            dressed = {Check.DEBURRED, Check.ENDS_SQUARE} <= ring.checks
            return step(Step.ACCEPT if dressed or not ring.passes else Step.DRESS)
        case CutReason.LIKELY:
            return step(Step.LIKELY)
        case CutReason.OVER | CutReason.LIKELY_OVER:
            over = Step.OVER if cut.reason is CutReason.OVER else Step.LIKELY_OVER
            return replace(step(over), elsewhere=_elsewhere(state, key))
    return step(Step.MEASURE if leaf.stack else Step.CLOSE)


def _at_the_end(state: State) -> Advice:
    """What to do where no ring is open: all done only if every ring is accepted and is inside."""
    left = {part.concern: part.keys[0] for part in verdict_of(standings(state)).parts}
    if Concern.REPLACE in left:
        return Advice(Step.REPLACE, left[Concern.REPLACE])
    for concern, key in left.items():
        if concern is not Concern.LIKELY:
            return Advice(Step.NOT_RIGHT, key)
    return Advice(Step.ALL_LIKELY if left else Step.ALL_DONE)


def _elsewhere(state: State, key: RingKey) -> RingKey | None:
    """The open bore of the same position that an over-gapped ring suits, all open rings in mind."""
    job, position = state.the_job, key[1]
    there = [other for other in state.open_rings() if other[1] is position]
    beliefs = {other: state.belief(other) for other in there}
    rings = [
        LooseRing(other, job.bore_for(other[0]), beliefs[other] if beliefs[other].known else None)
        for other in there
    ]
    bores = [OpenBore(other, job.bore_for(other[0]), state.window(other)) for other in there]
    for pairing in place_all(rings, bores):
        if pairing.ring == key and pairing.bore != key:
            return pairing.bore
    return None
