"""The p chart: the share of events in each subgroup, against exact binomial prediction limits."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binom

from pipeline.stats.arguments import FloatArray, IntArray, counts, not_above, probability, row, same_shape

TAIL = 0.00135
"""Probability beyond a limit on either side while nothing has changed: that of three standard deviations of a normal
(Shewhart's choice). Exact limits keep it for small counts too, where three standard deviations would not."""


@dataclass(frozen=True, eq=False)
class Limits:
    """Centre line and prediction limits, one of each per subgroup."""

    centre: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, eq=False)
class Chart:
    """A control chart's points.

    `beyond` is, per subgroup, +1 where the rate of events has risen beyond its limit, -1 where it has fallen beyond it,
    else 0. A point on a limit is not beyond it.
    """

    statistic: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    beyond: IntArray


def p_limits(n: ArrayLike, p: float) -> Limits:
    """Limits for the share of events in subgroups of `n`, each an event with the baseline's probability `p`.

    The lower limit is the largest share L/n with P(X < L) < 0.00135, the upper the smallest U/n with P(X > U) <=
    0.00135, X binomial(n, p).

    Raises ValueError where `n` are not whole numbers of 1 or more, or `p` lies outside 0 to 1.
    """
    size = counts("n", n, least=1)
    p = probability("p", p)
    lower, upper = (np.asarray(binom.ppf(quantile, size, p) / size) for quantile in (TAIL, 1 - TAIL))
    return Limits(np.full_like(size, p), lower, upper)


def p_chart(n: ArrayLike, observed: ArrayLike, p: float) -> Chart:
    """Chart of `observed` events among `n` in each subgroup against the baseline `p`; none gives an empty chart.

    Raises ValueError as `p_limits`, and where `observed` are not whole numbers from 0 to `n`, one for each.
    """
    limits = p_limits(n, p)
    size, events = same_shape(n=row("n", counts("n", n)), observed=counts("observed", observed))
    not_above("observed", events, "n", size)
    share = events / size
    beyond = (share > limits.upper).astype(np.int64) - (share < limits.lower)
    return Chart(share, limits.centre, limits.lower, limits.upper, beyond)
