"""From what may have been said to what is meant: strict parse, weighed by what is plausible now."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Literal

from assistant.bench.commands import (
    Accept,
    Amend,
    Answer,
    Checked,
    Command,
    Filed,
    Ground,
    ListenUp,
    Pick,
    Place,
    Report,
    Skip,
    Spoiled,
    TakeNote,
    command_from,
)  # fmt: skip
from assistant.bench.job import GrinderKind
from assistant.bench.reply_terms import Fact, NextWords, Refusal
from assistant.bench.session import State
from assistant.ear.utterance import Heard, Hypothesis
from assistant.fitting.facts import Feel, Reading
from assistant.language.grammar import Grammar, Parsed

FOREIGN = 0.2
"""Recogniser score below which talk is taken as not meant for the bench: no answer at all."""
ASKED_FROM = 0.5
"""Chance from which an unsure call is asked back: "yes" costs about half a call, and a "no" as much
more, so it pays where it is likelier right than not (common practice, no source)."""
DISMISSED = 0.15
"""A rival that weighs less than this share of the best is no reason to doubt the best."""
CLEAR_WIN = 2.0
"""A call is taken only if it weighs this many times the best rival of another meaning."""
SOUNDALIKE = 0.2
"""Weight of a word put in for one that sounds alike, against the word that was heard."""
UNLIKELY = 0.02
"""Weight of a call that makes no sense now: it can win only where nothing else was heard."""


@dataclass(frozen=True, slots=True)
class Understood:
    """A call that is taken. weight: score times plausibility, 0..1.

    sure: False where it should be read back and count only after a yes.
    """

    command: Command
    parsed: Parsed
    weight: float
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Rejection:
    """A call that has no effect.

    words: what was heard. facts: values for the places of the reply.
    """

    reason: Refusal
    words: tuple[str, ...]
    facts: Mapping[str, Fact] = field(default_factory=dict)


def interpret(
    heard: Heard, grammar: Grammar, state: State, *, typed: bool = False
) -> Understood | Rejection:
    """What is meant by what was heard; a rejection is a result, not an error.

    typed: the words came from a keyboard, so none can have been mistaken for one that sounds alike.
    """
    if not heard.words:
        return Rejection(Refusal.NOTHING, ())
    ranked = _ranked(heard, grammar, state, () if typed else grammar.confusions)
    if not state.listening and not any(isinstance(u.command, ListenUp) for u in ranked):
        return Rejection(Refusal.STANDING_BY, heard.words)
    score = _score_here(heard, ranked, grammar, state)
    if score < heard.sure_from:
        likely = _likely_all_the_same(heard, score, ranked, grammar, state)
        if likely is not None:
            return replace(likely, sure=False)
        return Rejection(Refusal.NOT_SURE if score >= FOREIGN else Refusal.FOREIGN, heard.words)
    if not ranked:
        return _unparsed(heard.words, grammar)
    best = ranked[0]
    if not state.listening and not isinstance(best.command, ListenUp):
        return Rejection(Refusal.STANDING_BY, heard.words)
    begun = next((h for h in heard.hypotheses if _only_begun(h.words, grammar)), None)
    if begun is not None and best.weight < CLEAR_WIN * begun.score:
        return _unparsed(begun.words, grammar)
    rival = next((u for u in ranked[1:] if u.command != best.command), None)
    if rival is not None and best.weight < CLEAR_WIN * rival.weight:
        facts = {"first": " ".join(best.parsed.words), "second": " ".join(rival.parsed.words)}
        return Rejection(Refusal.CLOSE_RACE, heard.words, facts)
    return best


_ENTRIES = Report | Pick | Ground | Filed | Checked | Accept | Spoiled | Skip | Amend
"""Calls that write something down, so that there is something to ask."""


def _likely_all_the_same(
    heard: Heard, score: float, ranked: Sequence[Understood], grammar: Grammar, state: State
) -> Understood | None:
    """The one call that an unsure ear probably heard: clear of all others, and ordinary now."""
    if score < ASKED_FROM or not ranked or not state.listening:
        return None
    best, *others = ranked
    if not isinstance(best.command, _ENTRIES) or plausibility(best.command, state) < 1.0:
        return None
    rivals = [u.weight for u in others]
    rivals += [h.score for h in heard.hypotheses if _only_begun(h.words, grammar)]
    return best if best.weight >= CLEAR_WIN * max(rivals, default=0.0) else None


def _score_here(
    heard: Heard, ranked: Sequence[Understood], grammar: Grammar, state: State
) -> float:
    """The score, not lowered by rivals that make no sense here: forty for fourteen, say."""
    if heard.unrivalled is None or not ranked:
        return heard.score
    best = ranked[0]
    for hypothesis in heard.hypotheses:
        parsed = grammar.parse(hypothesis.words)
        command = command_from(parsed, state.the_job.unit) if parsed is not None else None
        if command == best.command:
            continue
        sense = plausibility(command, state) if command is not None else 1.0
        if hypothesis.score * sense > DISMISSED * best.weight:
            return heard.score
    return heard.unrivalled


NotHeard = Refusal | Literal["no sentence"]
"""Why a call would not be taken by its sound alone."""


def refused_by_ear(heard: Heard, grammar: Grammar) -> NotHeard | None:
    """Why a call would not be taken by its sound alone, no state known; None if it would.

    The same limits as ``interpret``: sure enough, a sentence, and clearly before its rivals.
    """
    if not heard.words:
        return Refusal.NOTHING
    if heard.score < heard.sure_from:
        return Refusal.FOREIGN if heard.score < FOREIGN else Refusal.NOT_SURE
    if grammar.parse(heard.words) is None:
        return "no sentence"
    rivals = [other.score for other in heard.hypotheses[1:]]
    if rivals and heard.hypotheses[0].score < CLEAR_WIN * max(rivals):
        return Refusal.CLOSE_RACE
    return None


def _only_begun(words: tuple[str, ...], grammar: Grammar) -> bool:
    return grammar.is_prefix(words) and grammar.parse(words) is None


def _ranked(
    heard: Heard, grammar: Grammar, state: State, confusions: Sequence[tuple[str, str]]
) -> list[Understood]:
    """Every meaning of the n-best list and its soundalikes, weightiest first, one per command."""
    found: dict[Command, Understood] = {}
    for hypothesis, share in _with_soundalikes(heard.hypotheses, confusions):
        parsed = grammar.parse(hypothesis.words)
        if parsed is None:
            continue
        command = command_from(parsed, state.the_job.unit)
        weight = hypothesis.score * share * plausibility(command, state)
        if command not in found or weight > found[command].weight:
            found[command] = Understood(command, parsed, weight)
    return sorted(found.values(), key=lambda understood: -understood.weight)


def _with_soundalikes(
    hypotheses: Sequence[Hypothesis], pairs: Sequence[tuple[str, str]]
) -> Iterator[tuple[Hypothesis, float]]:
    """Each hypothesis, and each with up to two words swapped for ones that sound alike."""
    other: dict[str, list[str]] = {}
    for heard, meant in pairs:
        other.setdefault(heard, []).append(meant)
    for hypothesis in hypotheses:
        choices = [(word, *other.get(word, ())) for word in hypothesis.words]
        swappable = sum(len(ways) > 1 for ways in choices)
        if swappable > 6:
            yield hypothesis, 1.0
            continue
        for words in product(*choices):
            swaps = sum(a != b for a, b in zip(words, hypothesis.words, strict=True))
            if swaps <= 2:
                yield Hypothesis(words, hypothesis.score), SOUNDALIKE**swaps


def plausibility(command: Command, state: State) -> float:
    """How likely the call is in this state, 1 = quite ordinary, UNLIKELY = makes no sense."""
    match command:
        case Answer():
            return 1.0 if state.pending is not None else UNLIKELY
        case TakeNote():
            return 1.0 if state.pending is None else UNLIKELY  # it waits for yes or no
        case Amend():
            return 1.0 if state.last_entry or state.pending is not None else UNLIKELY
        case ListenUp():
            return UNLIKELY if state.listening else 1.0
        case Pick(place=place):
            return _place_plausible(place, state)
        case Report(place=place, readings=readings):
            return _place_plausible(place, state) * _readings_plausible(command, readings, state)
        case Ground(feed_nm=feed_nm):
            job = state.the_job
            if job.grinder.kind is not GrinderKind.DIAL or state.here is None:
                return UNLIKELY
            return 1.0 if state.within_largest_cut(state.here, feed_nm) else UNLIKELY
        case Filed():
            fits = state.the_job.grinder.kind is GrinderKind.FILE and state.here is not None
            return 1.0 if fits else UNLIKELY
    return 1.0


def _place_plausible(place: Place | None, state: State) -> float:
    job = state.the_job
    if place is None:
        return 1.0
    known = place.cylinder is None or 1 <= place.cylinder <= job.cylinders
    if place.position is not None:
        known = known and place.position in job.order
    return 1.0 if known else UNLIKELY


def _readings_plausible(report: Report, readings: Sequence[Reading], state: State) -> float:
    """Product over readings: leaf on hand, and a thickness near where the gap may be.

    Before anything is known of a ring, a fitted ring's leaves lie between nothing and about
    twice the most allowed; afterwards near the belief. The margin of two call units stands for
    leaves that are tried on either side of the gap.
    """
    job = state.the_job
    place = report.place or Place()
    cylinder = place.cylinder or (state.here[0] if state.here else 1)
    position = place.position or (state.here[1] if state.here else job.order[0])
    if not 1 <= cylinder <= job.cylinders or position not in job.order:
        return UNLIKELY
    key = (cylinder, position)
    belief, window = state.belief(key), state.window(key)
    margin_nm = 2 * job.unit.call_nm
    ceiling_nm = 2 * (window.most_nm or 2 * window.least_nm)
    low_nm, high_nm = 0, ceiling_nm
    if belief.known and not belief.butting:
        low_nm, high_nm = belief.low_nm - margin_nm, belief.high_nm + margin_nm
    weight = 1.0
    for reading, parts_nm in zip(readings, report.parts_nm, strict=True):
        if reading.feel is Feel.BUTTS:
            weight *= UNLIKELY if belief.known and not belief.butting else 1.0
            continue
        if not low_nm <= reading.leaf_nm <= high_nm:
            weight *= 0.1
        if any(part_nm not in job.leaves_nm for part_nm in parts_nm):
            weight *= 0.1
    return max(weight, UNLIKELY**2) * (UNLIKELY if _contradicted(readings) else 1.0)


def _contradicted(readings: Sequence[Reading]) -> bool:
    """Whether, in one breath, a leaf is tighter than a thicker or the same one."""
    order = list(Feel)
    return any(
        one.leaf_nm <= other.leaf_nm and order.index(one.feel) > order.index(other.feel)
        for one in readings
        for other in readings
        if Feel.BUTTS not in (one.feel, other.feel)
    )


_UNIT_WORDS = frozenset({
    "thou", "thous", "mil", "mils", "thousandth", "thousandths", "inch", "inches", "in",
    "hundredth", "hundredths", "mm", "millimetre", "millimetres", "millimeter", "millimeters",
    "micron", "microns",
})  # fmt: skip
"""Units that may be typed. "Say only ground three" would lead into the job's unit, so each of them
gets a word of its own. The ear hears those of the grammar alone."""


def _unparsed(words: tuple[str, ...], grammar: Grammar) -> Rejection:
    """Why the words are no sentence: the longest beginning that fits, and what may follow."""
    fit = 0
    while fit < len(words) and grammar.is_prefix(words[: fit + 1]):
        fit += 1
    said = " ".join(words)
    if 0 < fit < len(words) and words[fit] in _UNIT_WORDS - {grammar.unit.call_symbol}:
        return Rejection(Refusal.OTHER_UNIT, words, {"unit": grammar.unit.call_symbol})
    if fit == 0:
        return Rejection(Refusal.UNKNOWN_WORDS, words, {"said": said})
    follow = grammar.options(words[:fit])
    facts: dict[str, Fact] = {
        "said": said,
        "begin": " ".join(words[:fit]),
        "follow": NextWords(follow),
    }
    if fit < len(words) and not follow:
        return Rejection(Refusal.EXTRA_WORD, words, {**facts, "stray": words[fit]})
    if fit < len(words):
        return Rejection(Refusal.STRAY_WORD, words, {**facts, "stray": words[fit]})
    return Rejection(Refusal.UNFINISHED, words, facts)
