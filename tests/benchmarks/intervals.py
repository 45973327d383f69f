"""95 % intervals of what the benchmarks count."""

from scipy.special import chdtri
from scipy.stats import binomtest


def wilson(hits: int, count: int) -> tuple[float, float]:
    """Of a share (E. B. Wilson, JASA 22 (1927) 209); 0..1 where nothing was counted."""
    if not count:
        return 0.0, 1.0
    interval = binomtest(hits, count).proportion_ci(method="wilson")
    return float(interval.low), float(interval.high)


def poisson(count: int) -> tuple[float, float]:
    """Of the mean of a Poisson count (F. Garwood, Biometrika 28 (1936) 437)."""
    low = chdtri(2 * count, 0.975) / 2 if count else 0.0
    return float(low), float(chdtri(2 * count + 2, 0.025) / 2)
