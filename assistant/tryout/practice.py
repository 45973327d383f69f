"""The practice before work: which phrases to read, and what their hearing tells. Pure."""

import random
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from assistant.bench.interpretation import refused_by_ear
from assistant.ear.levels import SoundFigures
from assistant.ear.utterance import Heard
from assistant.errors import GrammarError
from assistant.language.grammar import Grammar
from assistant.tryout.checkup import CLIPPED_LOOK, LOUD_DB, NOISE_LOOK_DB, QUIET_DB, SURE

COUNT = 10
_PLAN = ("readings", "pick", "ground", "readings", "done", "readings", "strokes", "ask",
         "readings", "amend")  # fmt: skip
"""Commands by turns: mostly readings, since these are what is called out all day."""
_DRAWN = 60  # sentences of a command among which the one with most new words is taken
_WORDS = range(2, 9)
_FAST_WORDS_S = 3.6  # words a second; bench calls are read at 2 to 3


@dataclass(frozen=True, slots=True)
class Tried:
    """One phrase and what came of it.

    right: the meaning was heard and would be taken. refused: why it would not be, or empty.
    figures: of its sound, None if none came in. spoken_s: seconds of speech. ways: words that the
    grammar has for the same, figure by figure; empty if there are none. lost: whether sound was
    lost on the way.
    """

    number: int
    asked: tuple[str, ...]
    heard: tuple[str, ...] = ()
    score: float = 0.0
    right: bool = False
    refused: str = ""
    skipped: bool = False
    figures: SoundFigures | None = None
    spoken_s: float = 0.0
    ways: tuple[str, ...] = ()
    lost: bool = False


def phrases(
    grammar: Grammar, *, seed: int, count: int = COUNT, avoid: Iterable[str] = ()
) -> list[tuple[str, ...]]:
    """``count`` different sentences that together hold many of the words; by seed.

    avoid: words that no sentence may hold, like those of the other unit.
    Raises GrammarError if the grammar has too few.
    """
    rng = random.Random(seed)  # noqa: S311 - a choice of phrases, no secret
    names = {command.name for command in grammar.commands}
    plan = [name for name in _PLAN if name in names] or sorted(names)
    seen: set[str] = set()
    shunned = frozenset(avoid)
    chosen: list[tuple[str, ...]] = []
    for number in range(count):
        command = plan[number % len(plan)]
        drawn = [grammar.sample(rng, command=command) for _ in range(_DRAWN)]
        # A number and a feel are what must be heard right: they come before "no leaf goes".
        drawn = [one for one in drawn if shunned.isdisjoint(one.words)]
        numbered = [one for one in drawn if one.values("leaf")] or drawn
        fresh = sorted({one.words for one in numbered} - set(chosen))
        usual = [words for words in fresh if len(words) in _WORDS] or fresh
        if not usual:
            raise GrammarError(
                f"This grammar has too few sentences for {count} phrases: ask for fewer."
            )
        rng.shuffle(usual)
        best = max(usual, key=lambda words: len(set(words) - seen) / (len(words) + 2))
        seen |= set(best)
        chosen.append(best)
    return chosen


def tried(
    number: int,
    asked: Sequence[str],
    heard: Heard | None,
    grammar: Grammar,
    *,
    figures: SoundFigures | None,
    spoken_s: float = 0.0,
) -> Tried:
    """What came of one phrase. heard: None if nothing was."""
    asked = tuple(asked)
    words = heard.words if heard is not None else ()
    refused = refused_by_ear(heard, grammar) if heard is not None else "nothing"
    meaning = grammar.meaning
    return Tried(
        number, asked, words, heard.score if heard is not None else 0.0,
        right=refused is None and meaning(words) == meaning(asked),
        refused=refused or "", figures=figures, spoken_s=spoken_s,
        ways=_by_figures(asked, grammar),
    )  # fmt: skip


def _by_figures(asked: tuple[str, ...], grammar: Grammar) -> tuple[str, ...]:
    """The same sentence with its teens and round tens said figure by figure, if that is one."""
    numbers = grammar.numbers
    if numbers is None:
        return ()
    ones = numbers.ones
    figures = {ones[n]: (ones[1], ones[n - 10]) for n in range(13, len(ones))}
    figures |= {word: (ones[tens // 10], ones[0]) for tens, word in numbers.tens.items()}
    said = tuple(word for old in asked for word in figures.get(old, (old,)))
    meaning = grammar.meaning
    return said if said != asked and meaning(said) == meaning(asked) else ()


def aligned(asked: Sequence[str], heard: Sequence[str]) -> list[tuple[str | None, str | None]]:
    """(asked, heard) word by word with the fewest differences; None where one has no word."""
    rows, cols = len(asked) + 1, len(heard) + 1
    cost = [[max(i, j) if not i or not j else 0 for j in range(cols)] for i in range(rows)]
    for i in range(1, rows):
        for j in range(1, cols):
            same = cost[i - 1][j - 1] + (asked[i - 1] != heard[j - 1])
            cost[i][j] = min(same, cost[i - 1][j] + 1, cost[i][j - 1] + 1)
    pairs: list[tuple[str | None, str | None]] = []
    i, j = rows - 1, cols - 1
    while i or j:
        if i and j and asked[i - 1] == heard[j - 1] and cost[i][j] == cost[i - 1][j - 1]:
            pairs.append((asked[i - 1], heard[j - 1]))
            i, j = i - 1, j - 1
        elif i and cost[i][j] == cost[i - 1][j] + 1:
            pairs.append((asked[i - 1], None))
            i -= 1
        elif j and cost[i][j] == cost[i][j - 1] + 1:
            pairs.append((None, heard[j - 1]))
            j -= 1
        else:
            pairs.append((asked[i - 1], heard[j - 1]))
            i, j = i - 1, j - 1
    return pairs[::-1]


def line_of(one: Tried) -> str:
    """One phrase in a line: whether it was understood, how sure, how loud."""
    if one.skipped:
        return "skipped"
    if not one.heard:
        return "nothing heard"
    loud = ""
    if one.figures is not None and one.figures.speech_db is not None:
        loud = f", speech {one.figures.speech_db:.0f} dB, noise {one.figures.floor_db:.0f} dB"
    sure = f"{one.score * 100:.0f} % sure{loud}"
    if one.right:
        return f"understood   ({sure})"
    heard = f"heard: {' '.join(one.heard)}"
    if one.refused:
        return f"not taken: {one.refused}   {heard}   ({sure})"
    return f"WRONG   {heard}   ({sure})"


def summary(trials: Iterable[Tried]) -> Iterator[str]:
    """What the practice tells: count, sureness, levels, words that went wrong, what to change."""
    done = [one for one in trials if not one.skipped]
    if not done:
        yield "Nothing was tried."
        return
    right = sum(one.right for one in done)
    wrong = [one for one in done if one.heard and not one.right and not one.refused]
    yield (
        f"{right} of {len(done)} understood, {len(wrong)} taken wrongly, "
        f"{len(done) - right - len(wrong)} not taken."
    )
    scores = [one.score for one in done if one.heard]
    speech, over = _levels(done)
    if scores:
        yield f"Sureness: {min(scores) * 100:.0f} to {max(scores) * 100:.0f} %."
    if speech and over:
        yield f"Speech {median(speech):.0f} dB, {median(over):.0f} dB over the noise."
    yield from _words_wrong(done)
    yield "What to change:"
    yield from (f"  {line}" for line in advice(done))


def _levels(done: Sequence[Tried]) -> tuple[list[float], list[float]]:
    figures = [one.figures for one in done if one.figures is not None]
    speech = [f.speech_db for f in figures if f.speech_db is not None]
    over = [f.over_noise_db for f in figures if f.over_noise_db is not None]
    return speech, over


def _words_wrong(done: Sequence[Tried]) -> Iterator[str]:
    counted = Counter(
        pair for one in done if one.heard and not one.right
        for pair in aligned(one.asked, one.heard) if pair[0] != pair[1]
    )  # fmt: skip
    if counted:
        yield "Words that went wrong:"
    for (asked, heard), times in counted.most_common(8):
        often = f", {times} times" if times > 1 else ""
        if asked is None:
            yield f"  {heard} was heard and not asked for{often}"
        elif heard is None:
            yield f"  {asked} was missed{often}"
        else:
            yield f"  {asked} was taken for {heard}{often}"


def advice(done: Sequence[Tried]) -> list[str]:
    """What to change, the most helpful first; one line of praise if nothing."""
    speech, over = _levels(done)
    silent = sum(not one.heard and one.figures is None for one in done)
    lines = []
    if lost := sum(one.lost for one in done):
        lines.append(f"Sound was lost in {lost} of {len(done)}: close other programs.")
    if len(done) > 2 and all(one.heard and not one.right for one in done):
        lines.append("Not one was the phrase asked for: read them in the order in which they come.")
    if silent:
        lines.append(
            f"No speech came in for {silent} of {len(done)}: look at the microphone "
            "('leafcall check'), or speak sooner."
        )
    if over and median(over) < NOISE_LOOK_DB:
        lines.append("Come closer to the microphone, use a headset, or turn machines off.")
    if speech and median(speech) < QUIET_DB:
        lines.append("Speak louder, or turn the input volume up.")
    if any(f.clipped > CLIPPED_LOOK for one in done if (f := one.figures)) or (
        speech and median(speech) > LOUD_DB
    ):
        lines.append("Turn the input volume down: the loudest parts are cut off.")
    missed = [one for one in done if one.heard and not one.right]
    fast = [one for one in missed if one.spoken_s and len(one.asked) / one.spoken_s > _FAST_WORDS_S]
    if fast:
        lines.append(f"Speak slower: {' '.join(fast[0].asked)!r} took {fast[0].spoken_s:.1f} s.")
    lines += [
        f"Or in other words: {' '.join(one.ways)!r} for {' '.join(one.asked)!r}."
        for one in missed if one.ways
    ][:3]  # fmt: skip
    if missed and not lines:
        lines.append("Read the missed phrases once more, every word by itself but in one go.")
    unsure = [one for one in done if one.right and one.score < SURE]
    if unsure and not lines:
        lines.append("All well, some just so: speak a little clearer.")
    return lines or ["Nothing. It hears you."]
