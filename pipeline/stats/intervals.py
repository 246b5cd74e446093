"""Two-sided 95 % confidence intervals of a proportion: how sure an estimate is.

Those of a Poisson mean are in `count_intervals`. None is a limit for a control chart or a funnel; those are
prediction limits (`shewhart`, `rare`, `funnel`).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize.elementwise import find_root
from scipy.stats import binom, norm

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, same_shape
from pipeline.stats.method import Method

TAIL = 0.025
"""Probability left out on either side."""
Z = float(norm.isf(TAIL))
"""The normal quantile that leaves it out, 1.96."""


@dataclass(frozen=True, eq=False)
class Interval:
    """Lower and upper ends, in the shape of what was estimated; NaN where nothing could be."""

    low: FloatArray
    high: FloatArray


def _checked(events: ArrayLike, n: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, size = same_shape(events=counts("events", events), n=counts("n", n))
    not_above("events", x, "n", size)
    return x, size


def _with_ends(x: FloatArray, size: FloatArray, low: FloatArray, high: FloatArray) -> Interval:
    """The interval, its lower end exactly 0 at no events, its upper exactly 1 where all are events; NaN without any."""
    known = size > 0
    return Interval(
        np.where(known, np.where(x == 0, 0.0, low), np.nan), np.where(known, np.where(x == size, 1.0, high), np.nan)
    )


def _by_statsmodels(method: str, x: FloatArray, size: FloatArray) -> Interval:
    from statsmodels.stats.proportion import proportion_confint  # slow to import, so only when needed

    # A copy, for NumPy warns where a repeated single number is asked to be writable.
    low, high = proportion_confint(x.copy(), np.where(size > 0, size, 1.0), alpha=2 * TAIL, method=method)
    return _with_ends(x, size, low, high)


def wilson(events: ArrayLike, n: ArrayLike) -> Interval:
    """Score interval of the proportion `events` / `n`, without continuity correction.

    Arrays of one shape, or single numbers. NaN where n is 0. The lower end is exactly 0 at no events, the upper exactly
    1 where all are events. Source: Wilson EB (1927), J Am Stat Assoc 22:209-212; method 3 of Newcombe RG (1998), Stat
    Med 17:857-872.

    Raises ValueError where `events` or `n` are not whole numbers of 0 or more, or `events` exceed `n`.
    """
    return _by_statsmodels("wilson", *_checked(events, n))


def wilson_effective(events: ArrayLike, n: ArrayLike) -> Interval:
    """As `wilson`, for effective numbers, which need not be whole: what `n` alike but dependent ones are worth.

    Raises ValueError where `events` or `n` are negative or not finite, or `events` exceed `n`.
    """
    x, size = same_shape(events=non_negative("events", events), n=non_negative("n", n))
    not_above("events", x, "n", size)
    return _by_statsmodels("wilson", x, size)


def wilson_corrected(events: ArrayLike, n: ArrayLike) -> Interval:
    """Score interval of `events` / `n` with continuity correction, nearly as wide as the exact one.

    Shapes, ends and errors as `wilson`. Source: method 4 of Newcombe RG (1998), Two-sided confidence intervals for the
    single proportion, Stat Med 17:857-872 (from memory).
    """
    x, size = _checked(events, n)
    some = np.where(size > 0, size, 1.0)
    odd = 4 * x * (some - x) / some  # 4 n p q
    low = 2 * x + Z**2 - 1 - Z * np.sqrt(Z**2 - 2 - 1 / some + odd + 4 * x / some)
    high = 2 * x + Z**2 + 1 + Z * np.sqrt(Z**2 + 2 - 1 / some + odd - 4 * x / some)
    return _with_ends(x, size, low / (2 * (some + Z**2)), high / (2 * (some + Z**2)))


def clopper_pearson(events: ArrayLike, n: ArrayLike) -> Interval:
    """Exact interval of `events` / `n`: at either end the binomial tail from `events` on is 0.025.

    Shapes, ends and errors as `wilson`. Source: Clopper CJ, Pearson ES (1934), The use of confidence or fiducial limits
    illustrated in the case of the binomial, Biometrika 26:404-413 (from memory).
    """
    return _by_statsmodels("beta", *_checked(events, n))


def jeffreys(events: ArrayLike, n: ArrayLike) -> Interval:
    """Equal-tailed Bayesian interval of `events` / `n` by Jeffreys' prior, beta with parameters 1/2 and 1/2.

    Shapes, ends and errors as `wilson`; that the ends at no and at all events are moved to 0 and 1 follows the source:
    Brown LD, Cai TT, DasGupta A (2001), Interval estimation for a binomial proportion, Stat Sci 16:101-133.
    """
    return _by_statsmodels("jeffreys", *_checked(events, n))


def mid_p(events: ArrayLike, n: ArrayLike) -> Interval:
    """Mid-P interval of `events` / `n`: as the exact one, but only half of P(X = `events`) counts to a tail.

    Shapes, ends and errors as `wilson`. Source: method 6 of Newcombe RG (1998), Two-sided confidence intervals for the
    single proportion, Stat Med 17:857-872.
    """
    x, size = _checked(events, n)
    some = np.where(size > 0, size, 1.0)
    exact = _by_statsmodels("beta", x, some)
    # Each end lies between the exact one and the proportion itself.
    low = find_root(_mid_tail_above, (exact.low, x / some), args=(x, some)).x
    high = find_root(_mid_tail_below, (x / some, exact.high), args=(x, some)).x
    return _with_ends(x, size, low, high)


def _mid_tail_above(p: FloatArray, x: FloatArray, n: FloatArray) -> FloatArray:
    return np.asarray(binom.sf(x, n, p) + binom.pmf(x, n, p) / 2 - TAIL)


def _mid_tail_below(p: FloatArray, x: FloatArray, n: FloatArray) -> FloatArray:
    return np.asarray(binom.cdf(x - 1, n, p) + binom.pmf(x, n, p) / 2 - TAIL)


_NEWCOMBE = (
    "Newcombe RG (1998), Two-sided confidence intervals for the single proportion: comparison of seven methods, "
    "Statistics in Medicine 17:857-872, method {} (from memory)"
)
_GRID = "Over n from 5 to 100 and p from 0.001 to 0.5 by 0.001 it covers {} on average, at lowest {} at n = {}, p = {}."

METHODS = (
    Method(
        identifier="wilson",
        name="Wilson score interval",
        functions=("wilson", "wilson_effective"),
        says="The usual interval of a proportion, good also for small n and rare events. "
        + _GRID.format("0.952", "0.833", 5, 0.036),
        formula="the p with (x/n - p)^2 = z^2 p (1 - p) / n",
        source="Wilson EB (1927), Probable inference, the law of succession, and statistical inference, Journal of the "
        "American Statistical Association 22:209-212; " + _NEWCOMBE.format(3),
        checks=(
            "test_intervals::test_wilson_equals_newcombes_table",
            "test_intervals::test_wilson_equals_scipy",
            "test_coverage::test_coverage_of_a_proportion_is_as_printed",
        ),
    ),
    Method(
        identifier="wilson_corrected",
        name="Wilson score interval with continuity correction",
        functions=("wilson_corrected",),
        says="For whom the interval must hardly ever be too narrow. " + _GRID.format("0.971", "0.949", 13, 0.004),
        formula="the p with (|x/n - p| - 1/(2n))^2 = z^2 p (1 - p) / n",
        source=_NEWCOMBE.format(4),
        checks=(
            "test_intervals::test_wilson_corrected_equals_newcombes_table",
            "test_intervals::test_wilson_corrected_equals_scipy",
            "test_coverage::test_coverage_of_a_proportion_is_as_printed",
        ),
    ),
    Method(
        identifier="clopper_pearson",
        name="Clopper-Pearson exact interval",
        functions=("clopper_pearson",),
        says="Never too narrow, so wider than need be. " + _GRID.format("0.971", "0.950", 67, 0.5),
        formula="the p with P(X >= x | p) = 0.025 and with P(X <= x | p) = 0.025",
        source="Clopper CJ, Pearson ES (1934), The use of confidence or fiducial limits illustrated in the case of the "
        "binomial, Biometrika 26:404-413 (from memory); " + _NEWCOMBE.format(5),
        checks=(
            "test_intervals::test_clopper_pearson_equals_newcombes_table",
            "test_coverage::test_clopper_pearson_never_covers_less_than_it_says",
        ),
    ),
    Method(
        identifier="jeffreys",
        name="Jeffreys interval",
        functions=("jeffreys",),
        says="Narrow for its mean coverage; 0 at no events and 1 where all are events by rule. "
        + _GRID.format("0.951", "0.868", 10, 0.218),
        formula="2.5 and 97.5 % quantiles of beta(x + 1/2, n - x + 1/2)",
        source="Brown LD, Cai TT, DasGupta A (2001), Interval estimation for a binomial proportion, Statistical "
        "Science 16:101-133",
        checks=(
            "test_intervals::test_jeffreys_equals_r",
            "test_coverage::test_coverage_of_a_proportion_is_as_printed",
        ),
    ),
    Method(
        identifier="mid_p",
        name="Mid-P interval of a proportion",
        functions=("mid_p",),
        says="Between the exact interval and the narrow ones. " + _GRID.format("0.957", "0.912", 6, 0.409),
        formula="the p with P(X > x | p) + P(X = x | p) / 2 = 0.025 and with P(X < x | p) + P(X = x | p) / 2 = 0.025",
        source=_NEWCOMBE.format(6),
        checks=(
            "test_intervals::test_mid_p_equals_newcombes_table",
            "test_coverage::test_coverage_of_a_proportion_is_as_printed",
        ),
    ),
)
"""What this module offers."""
