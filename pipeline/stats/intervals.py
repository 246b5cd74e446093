"""Two-sided 95 % confidence intervals of a proportion and of a Poisson mean: how sure an estimate is.

They are never limits for a control chart or a funnel; those are prediction limits (`shewhart`, `rare`, `funnel`).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from pipeline.stats.arguments import FloatArray, counts, not_above, same_shape

TAIL = 0.025
"""Probability left out on either side."""


@dataclass(frozen=True, eq=False)
class Interval:
    """Lower and upper ends, in the shape of what was estimated; NaN where nothing could be."""

    low: FloatArray
    high: FloatArray


def wilson(events: ArrayLike, n: ArrayLike) -> Interval:
    """Score interval of the proportion `events` / `n`, without continuity correction.

    Arrays of one shape, or single numbers. NaN where n is 0. The lower end is exactly 0 at no events, the upper exactly
    1 where all are events. Source: Wilson EB (1927), J Am Stat Assoc 22:209-212; method 3 of Newcombe RG (1998), Stat
    Med 17:857-872.

    Raises ValueError where `events` or `n` are not whole numbers of 0 or more, or `events` exceed `n`.
    """
    from statsmodels.stats.proportion import proportion_confint  # slow to import, so only when needed

    x, size = same_shape(events=counts("events", events), n=counts("n", n))
    not_above("events", x, "n", size)
    low, high = proportion_confint(x, np.maximum(size, 1), alpha=2 * TAIL, method="wilson")
    known = size > 0
    return Interval(
        np.where(known, np.where(x == 0, 0.0, low), np.nan), np.where(known, np.where(x == size, 1.0, high), np.nan)
    )


def poisson_exact(observed: ArrayLike) -> Interval:
    """Exact interval of the mean of a Poisson count.

    Source: Garwood F (1936), Biometrika 28:437-442.

    Raises ValueError where `observed` are not whole numbers of 0 or more.
    """
    count = counts("observed", observed)
    low = chi2.ppf(TAIL, 2 * np.maximum(count, 1)) / 2
    return Interval(np.where(count == 0, 0.0, low), np.asarray(chi2.ppf(1 - TAIL, 2 * count + 2) / 2))
