"""Funnel limits for proportions: where a unit's share would fall if all units had the same, exact binomial."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binom

from pipeline.stats.arguments import counts, probability
from pipeline.stats.funnel import FunnelLimits
from pipeline.stats.method import Method


def proportion_limits(n: ArrayLike, p: float) -> FunnelLimits:
    """Limits for the share of events among `n`, each an event with probability `p`: 95 % and 99.8 %.

    Exact binomial quantiles over `n`, without interpolation between counts and without widening for overdispersion. A
    share on a limit is not beyond it. NaN where n is 0. Source: Spiegelhalter DJ (2005), Funnel plots for comparing
    institutional performance, Statistics in Medicine 24:1185-1202.

    Raises ValueError where `n` are not whole numbers of 0 or more, or `p` lies outside 0 to 1.
    """
    size, p = counts("n", n), probability("p", p)
    some = np.where(size > 0, size, np.nan)
    quantiles = (0.025, 0.975, 0.001, 0.999)
    return FunnelLimits(*(np.asarray(binom.ppf(quantile, size, p) / some) for quantile in quantiles))


METHODS = (
    Method(
        identifier="proportion_funnel",
        name="Exact binomial funnel limits for proportions",
        functions=("proportion_limits",),
        says="Where the share of a unit of a given size would fall in 95 and in 99.8 of 100 cases if all units had the "
        "same probability. Units beyond are a reason to look, not a ranking. A share on a limit is not beyond it.",
        formula="smallest k with P(X <= k) >= q, over n; X binomial(n, p); q = 0.025, 0.975, 0.001, 0.999",
        source="Spiegelhalter DJ (2005), Funnel plots for comparing institutional performance, Statistics in Medicine "
        "24:1185-1202",
        checks=(
            "test_overdispersion::test_funnel_of_heart_surgery",
            "test_overdispersion::test_proportion_limits_are_the_exact_quantiles",
        ),
    ),
)
