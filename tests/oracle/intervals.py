"""Intervals and limits, from their formulas."""

from math import sqrt
from statistics import NormalDist

from scipy.stats import chi2, poisson

Z = NormalDist().inv_cdf(0.975)


def wilson(count: int, total: int) -> tuple[float | None, float | None]:
    """Give the 95 % score interval without continuity correction (Wilson EB 1927, JASA 22:209-212)."""
    if total == 0:
        return None, None
    share = count / total
    middle = share + Z * Z / (2 * total)
    half = Z * sqrt(share * (1 - share) / total + Z * Z / (4 * total * total))
    width = 1 + Z * Z / total
    low = 0.0 if count == 0 else (middle - half) / width
    high = 1.0 if count == total else (middle + half) / width
    return low, high


def share(count: int, total: int) -> float | None:
    return count / total if total else None


def garwood(observed: int) -> tuple[float, float]:
    """Give the exact 95 % limits of a Poisson mean (Garwood F 1936, Biometrika 28:437-442)."""
    low = float(chi2.ppf(0.025, 2 * observed)) / 2 if observed else 0.0
    return low, float(chi2.ppf(0.975, 2 * observed + 2)) / 2


def ratio_with_limits(observed: int, expected: float) -> tuple[float, float, float]:
    low, high = garwood(observed)
    return observed / expected, low / expected, high / expected


def chance_of_as_many(observed: int, expected: float) -> float:
    """Give P(X >= observed) for a Poisson count."""
    if observed == 0:
        return 1.0
    return float(poisson.sf(observed - 1, expected)) if expected > 0 else 0.0


def smallest_rarer_count(expected: float, level: float) -> int:
    """Give the smallest count o with P(X >= o) <= level."""
    count = int(poisson.isf(level, expected)) + 1  # a good guess, made exact below
    while count > 0 and chance_of_as_many(count - 1, expected) <= level:
        count -= 1
    while chance_of_as_many(count, expected) > level:
        count += 1
    return count
