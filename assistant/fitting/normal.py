"""The normal distribution and the entropy, over arrays.

Own code because the library that has them (scipy.special) takes a third of a second of processor
to load, before every call of every command, and nothing else at the bench needs it. The tests hold
these against it.
"""

from statistics import NormalDist

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_SQRT_HALF = np.sqrt(0.5)
_PER_SQRT_PI = 1 / np.sqrt(np.pi)

# Rational approximations of erf and erfc: W. J. Cody, Rational Chebyshev approximations for the
# error function, Mathematics of Computation 23 (1969), 631-637. Highest power first.
_NEAR = (
    (0.185777706184603153, 3.16112374387056560, 113.864154151050156, 377.485237685302021,
     3209.37758913846947),
    (1.0, 23.6012909523441209, 244.024637934444173, 1282.61652607737228, 2844.23683343917062),
)  # fmt: skip
_MIDDLE = (
    (2.15311535474403846e-8, 0.564188496988670089, 8.88314979438837594, 66.1191906371416295,
     298.635138197400131, 881.952221241769090, 1712.04761263407058, 2051.07837782607147,
     1230.33935479799725),
    (1.0, 15.7449261107098347, 117.693950891312499, 537.181101862009858, 1621.38957456669019,
     3290.79923573345963, 4362.61909014324716, 3439.36767414372164, 1230.33935480374942),
)  # fmt: skip
_FAR = (
    (0.0163153871373020978, 0.305326634961232344, 0.360344899949804439, 0.125781726111229246,
     0.0160837851487422766, 6.58749161529837803e-4),
    (1.0, 2.56852019228982242, 1.87295284992346047, 0.527905102951428412, 0.0605183413124413191,
     2.33520497626869185e-3),
)  # fmt: skip
_NEAR_TO, _MIDDLE_TO, _FAR_TO = 0.46875, 4.0, 27.3  # beyond it erfc is below every float


def chance_below(x: npt.ArrayLike) -> Floats:
    """Chance that a standard normal value lies below each ``x``: one half of erfc(-x / sqrt 2)."""
    z = np.asarray(x, dtype=np.float64) * _SQRT_HALF
    y = np.abs(z)
    # The tail on the far side of zero; the middle is a half, then erf is added to it.
    tail = np.zeros_like(y)
    chance: Floats = np.empty_like(y)
    near = y <= _NEAR_TO
    middle = ~near & (y <= _MIDDLE_TO)
    far = (y > _MIDDLE_TO) & (y < _FAR_TO)
    if near.any():
        part = z[near]
        chance[near] = 0.5 + 0.5 * part * _ratio(_NEAR, part * part)
    if middle.any():
        part = y[middle]
        tail[middle] = _exp_of_square(part) * _ratio(_MIDDLE, part)
    if far.any():
        part = y[far]
        square = 1 / (part * part)
        tail[far] = _exp_of_square(part) * (_PER_SQRT_PI - square * _ratio(_FAR, square)) / part
    other = ~near
    chance[other] = np.where(z[other] < 0, 0.5 * tail[other], 1 - 0.5 * tail[other])
    chance[np.isnan(z)] = np.nan
    return chance


def quantile(chance: float) -> float:
    """The value that a standard normal one lies below with ``chance``, 0 < chance < 1.

    Raises ValueError (statistics.StatisticsError) outside.
    """
    return NormalDist().inv_cdf(chance)


def entropy_terms(chances: Floats) -> Floats:
    """-p ln p of each chance (Shannon 1948), 0 where p is 0."""
    terms: Floats = -chances * np.log(np.where(chances > 0, chances, 1.0))
    return terms


def _ratio(parts: tuple[tuple[float, ...], tuple[float, ...]], x: Floats) -> Floats:
    over, under = (np.full_like(x, part[0]) for part in parts)
    for top in parts[0][1:]:
        over = over * x + top
    for bottom in parts[1][1:]:
        under = under * x + bottom
    return over / under


def _exp_of_square(y: Floats) -> Floats:
    """exp(-y^2), its rounding kept small as Cody does: the square of a short number first."""
    short = np.trunc(y * 16) / 16
    return np.exp(-short * short) * np.exp(-(y - short) * (y + short))


_STEPS, _REACH = 256, 10.0
_TABLE = chance_below(np.arange(-_REACH * _STEPS, _REACH * _STEPS + 2) / _STEPS)
_RISES = np.diff(_TABLE)


def chance_below_quick(x: npt.NDArray[np.floating]) -> Floats:
    """``chance_below`` between the values of a table: to 5e-7, and to one in a thousand of itself
    down to -9; beyond -10 and 10 as there. Several times as fast, for tables of a belief."""
    place = np.clip(x, -_REACH, _REACH) * _STEPS + _REACH * _STEPS
    whole = place.astype(np.intp)
    chance: Floats = _TABLE[whole] + (place - whole) * _RISES[whole]
    return chance
