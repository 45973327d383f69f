"""What came in and what it may have been.

All sound inside the program is mono, 16 kHz, float32 in -1..1, in frames of 10 ms (160 samples).
"""

from dataclasses import dataclass, field
from math import exp

import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE_HZ = 16_000
FRAME_SAMPLES = 160
FRAME_S = FRAME_SAMPLES / SAMPLE_RATE_HZ

Samples = NDArray[np.float32]
"""One-dimensional float32 array, -1..1, 16 kHz, mono."""


@dataclass(frozen=True, slots=True)
class Utterance:
    """One stretch of speech cut out of a stream by the endpointer.

    start_s, end_s: first and last instant of speech, seconds from the start of the stream.
    decided_s: stream time at which the end was decided (end_s plus the quiet waited for).
    speech_share: mean speech probability between start and end, 0..1.
    samples: its sound, with a little room before and after.
    rest_s: first instant of its rest, if it was broken off and heard in two parts; else None.
    """

    start_s: float
    end_s: float
    decided_s: float
    speech_share: float
    samples: Samples = field(repr=False, compare=False)
    rest_s: float | None = None


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way to hear an utterance: words, and score 0..1 (1 = certain) among its n-best."""

    words: tuple[str, ...]
    score: float


def chance_of(log_odds: float) -> float:
    """Probability 0..1 whose odds have this logarithm (the logistic function)."""
    return 1.0 / (1.0 + exp(-max(-60.0, min(60.0, log_odds))))  # beyond, nothing changes


SURE_ENOUGH = 0.5
"""Score from which a call is taken where the ear says nothing else."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a recogniser knows of its best hypothesis besides the rivals.

    margin: log-likelihood of the best sentence less that of the best string of free sounds, for
    each 30 ms of sound; about 0.1 for a call, below -0.1 for other speech.
    """

    margin: float


@dataclass(frozen=True, slots=True)
class Heard:
    """What a recogniser made of one utterance.

    hypotheses: best first, may be empty.
    score: 0..1, how well the best hypothesis explains the sound against 'something else'.
    compute_s: seconds of computing spent on the utterance; final_s: of these, after its end.
    evidence: None where the recogniser has none to give.
    sure_from: score from which the call is to be taken; below, it is to be said again.
    unrivalled: what the score would be if nothing else had come close; None: no such knowledge.
    """

    hypotheses: tuple[Hypothesis, ...]
    score: float
    compute_s: float = 0.0
    final_s: float = 0.0
    evidence: Evidence | None = None
    sure_from: float = SURE_ENOUGH
    unrivalled: float | None = None

    @property
    def words(self) -> tuple[str, ...]:
        """Words of the best hypothesis, empty if there is none."""
        return self.hypotheses[0].words if self.hypotheses else ()
