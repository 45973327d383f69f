"""How likely it is that a call was understood: one probability from all that the ear knows of it.

Two logistic regressions on a few facts of the utterance: whether it was meant for the bench, and
whether its words are right. Their numbers are fitted on voices that the sound model never met, on
talk that was not for the bench and on noise (``tests/benchmarks/fit_assurance``), and lie beside
the sound model as plain data. Without such numbers the recogniser's own score stands.

What is far fainter than the calls of the builder is hardly one of them: somebody else's talk, a
radio. How loud those calls are is learned in the session (``Judge``). Speech within 2 s of
other talk is treated as part of it.
"""

import math
from collections import deque
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from assistant.ear.levels import contrast_db, voice_db
from assistant.ear.utterance import Heard, Utterance, chance_of
from assistant.errors import RecognizerError

Meaning = Callable[[tuple[str, ...]], Hashable]
"""What words mean: equal for two ways to say the same thing (``Grammar.meaning``)."""

SURE = 0.8
"""Chance from which a call is taken: a wrong one costs about four that are asked back, and is then
said again itself; the read-back and what is plausible at the bench still stand behind it."""
_NO_RIVAL = {"lead": 1.0, "rest": 0.0, "number": 0.0}
_FAR = 4.0  # nats to a rival beyond which nothing more is known: the recogniser's lattice ends
LEVEL_SPREAD_DB = 6.0
"""Spread of the level of one builder's calls: turning away, coming near, shouting (common practice,
no source; halving the distance alone gives 6 dB)."""
_TALK_BELOW = 0.2  # score of an utterance that was not meant for the bench
_BREATH_S = 2.0  # who has just been talking and means the bench now mostly takes so long
_AFTER_TALK = 2.0  # taken off the logarithm of the odds else: a clear call is still taken
_LEVELS, _LEAST_LEVELS = 9, 3  # calls that tell the usual level: the last ones; at least so many
_BEYOND_DOUBT = 0.95
FACTS = ("margin", "lead", "rest", "number", "pace", "words", "speech", "contrast")
_WANTED = (
    "it wants 'meant' and 'right', each with numbers under 'start' and 'of'. Install Leafcall "
    "again."
)
_MOST_MARGIN, _LEAST_MARGIN = 0.06, -0.3  # beyond these it tells nothing more


@dataclass(frozen=True, slots=True)
class Odds:
    """The numbers of one regression: a weight for each fact, and where the odds stand without any.

    Raises RecognizerError for a fact that this version does not know or that is missing.
    """

    start: float
    of: Mapping[str, float]

    def __post_init__(self) -> None:
        if set(self.of) != set(FACTS):
            wrong = ", ".join(sorted(set(self.of) ^ set(FACTS)))
            raise RecognizerError(
                f"The assurance of the sound model does not fit this version ({wrong}): install "
                "Leafcall again, or fit it anew (models/README.md)."
            )

    def probability(self, facts: Mapping[str, float], less: float = 0.0) -> float:
        """Chance 0..1 by these facts; less: what else takes off the logarithm of the odds."""
        odds = self.start + sum(weight * facts[name] for name, weight in self.of.items()) - less
        return chance_of(odds)


@dataclass(frozen=True, slots=True)
class Weights:
    """meant: whether it was a call at all, and not other talk or noise; right: whether a call's
    words were heard right.

    Two questions, since facts that tell one say little of the other: talk often has no rival, and a
    misheard number fits the grammar well.
    """

    meant: Odds
    right: Odds

    def probability(self, facts: Mapping[str, float]) -> float:
        """Chance 0..1 that something with these facts was a call and was understood."""
        return self.meant.probability(facts) * self.right.probability(facts)


def weights_from(data: object) -> Weights:
    """Weights as a file holds them: {"meant": ODDS, "right": ODDS}, each of these
    {"start": 1.5, "of": {"margin": 30.0, ...}}.

    Raises RecognizerError for anything else.
    """
    match data:
        case {"meant": meant, "right": right}:
            return Weights(_odds_from(meant), _odds_from(right))
    raise RecognizerError(f"The assurance of the sound model is damaged: {_WANTED}")


def _odds_from(data: object) -> Odds:
    match data:
        case {"start": float() | int() as start, "of": dict() as of} if all(
            isinstance(weight, float | int) for weight in of.values()
        ):
            return Odds(float(start), {str(name): float(of[name]) for name in of})
    raise RecognizerError(f"The assurance of the sound model is damaged: {_WANTED}")


def sure_of(
    heard: Heard, facts: Mapping[str, float], weights: Weights, *, far_db: float = 0.0,
    after_talk: bool = False,
) -> Heard:  # fmt: skip
    """What was heard, with the chance by these facts as its score.

    far_db: how far its voice lies under the usual one of calls. The calls of one builder are taken
    to spread normally about it by LEVEL_SPREAD_DB, other talk to be of any level. after_talk:
    whether it followed other talk without a breath.
    """
    less = far_db**2 / (2 * LEVEL_SPREAD_DB**2) + _AFTER_TALK * after_talk
    meant = weights.meant.probability(facts, less)
    alone = weights.right.probability({**facts, **_NO_RIVAL})
    right = min(alone, weights.right.probability(facts))
    return replace(heard, score=meant * right, sure_from=SURE, unrivalled=meant * alone)


class Judge:
    """Gives what was heard its score, and learns meanwhile how loud the calls are."""

    def __init__(self, weights: Weights, meaning: Meaning) -> None:
        self._weights = weights
        self._meaning = meaning
        self._levels_db: deque[float] = deque(maxlen=_LEVELS)
        self._talk_until_s = -math.inf

    @property
    def usual_db(self) -> float | None:
        """Level of the voice in calls, dB of full scale; None before enough were heard."""
        return median(self._levels_db) if len(self._levels_db) >= _LEAST_LEVELS else None

    def score(self, utterance: Utterance, heard: Heard) -> Heard:
        """What was heard, its score the chance that it was a call and was understood.

        As it is where the recogniser gave no evidence.
        """
        facts = facts_of(utterance, heard, self._meaning)
        usual_db, far_db = self.usual_db, 0.0
        if usual_db is not None:
            far_db = max(0.0, usual_db - voice_db(utterance.samples))
        if not facts:
            return heard
        after_talk = is_after_talk(utterance.start_s, self._talk_until_s)
        return sure_of(heard, facts, self._weights, far_db=far_db, after_talk=after_talk)

    def learn(self, utterance: Utterance, heard: Heard) -> None:
        """Note whether one more utterance, as it was scored, was talk; and its level, if its words
        leave no doubt that it was a call.

        Its level does not count for that: else one who moves away from the microphone would never
        be heard again.
        """
        if is_talk(heard):
            self._talk_until_s = utterance.end_s
        facts = facts_of(utterance, heard, self._meaning)
        if facts and sure_of(heard, facts, self._weights).score >= _BEYOND_DOUBT:
            self._levels_db.append(voice_db(utterance.samples))


def is_talk(heard: Heard) -> bool:
    """Whether there were words, and hardly meant for the bench."""
    return bool(heard.words) and heard.score < _TALK_BELOW


def is_after_talk(start_s: float, talk_until_s: float) -> bool:
    """Whether what starts then follows talk that ended there, without a breath."""
    return start_s - talk_until_s < _BREATH_S


def facts_of(utterance: Utterance, heard: Heard, meaning: Meaning) -> dict[str, float]:
    """The facts that the probability is made of; empty if the recogniser gave no evidence.

    margin: of the evidence, cut to -0.3..0.06. lead: nats from the best sentence to the next that
    means something else, 0..4, as a share of 4. rest: share 0..1 of all readings that mean
    something else. number: 1 if the next rival is the same command with another number, else 0.
    pace: logarithm of words a second. words: logarithm of their count. speech: mean speech
    probability. contrast: tens of dB of loud over quiet frames.
    """
    if heard.evidence is None or not heard.words:
        return {}
    best = meaning(heard.words)
    others = [h for h in heard.hypotheses[1:] if meaning(h.words) != best]
    top = heard.hypotheses[0].score
    lead = min([_FAR, *(math.log(top / other.score) for other in others if other.score > 0)])
    total = sum(h.score for h in heard.hypotheses)
    rest = sum(h.score for h in others) / total if total else 0.0
    spoken_s = max(0.1, utterance.end_s - utterance.start_s)
    return {
        "margin": max(_LEAST_MARGIN, min(_MOST_MARGIN, heard.evidence.margin)),
        "lead": lead / _FAR,
        "rest": rest,
        "number": float(bool(others) and _only_number(best, meaning(others[0].words))),
        "pace": math.log(len(heard.words) / spoken_s),
        "words": math.log(len(heard.words)),
        "speech": utterance.speech_share,
        "contrast": contrast_db(utterance.samples) / 10.0,
    }


def _only_number(one: Any, other: Any) -> bool:
    """Whether two meanings are the same command with the same slots, told apart by a value."""
    return one[0] == other[0] and [name for name, _ in one[1]] == [name for name, _ in other[1]]
