"""Shewhart charts: each subgroup's share, rate, count or value on its own, against limits from a frozen baseline.

Shares, rates and counts have exact binomial or Poisson limits. Limits at three standard deviations are given beside
them (`*_sigma_limits`) for comparison with textbooks; at small counts they alarm more often than they promise.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binom, poisson

from pipeline.stats.arguments import FloatArray, IntArray, counts, non_negative, not_above, probability, row, same_shape
from pipeline.stats.method import Method

TAIL = 0.00135
"""Probability beyond a limit on either side while nothing has changed: that of three standard deviations of a normal
(Shewhart's choice). Exact limits keep it for small counts too, where three standard deviations would not."""
WIDTH = 3.0
"""Standard deviations from the centre line to a limit that is not exact."""
ON_LIMIT = 1e-9
"""A point as near to its limit, in parts of the limit's distance from the centre, is on it: rounding must not put it
beyond."""
MEAN_RANGE_OF_TWO = 1.128
"""Mean range of two standard normal values, d2 of the control chart tables: 2 / sqrt(pi) to three decimals."""


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


def finite(name: str, values: ArrayLike) -> FloatArray:
    """A row of finite numbers, as floats; anything else is a ValueError that names it."""
    array = row(name, np.asarray(values, dtype=np.float64))
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite")
    return array


def positive(name: str, values: ArrayLike) -> FloatArray:
    """Finite numbers above 0, as floats; anything else is a ValueError that names it."""
    array = non_negative(name, values)
    if not array.all():
        raise ValueError(f"{name} must be above 0")
    return array


def above(value: FloatArray, limit: ArrayLike) -> NDArray[np.bool_]:
    """Where `value` exceeds `limit`, both of them distances from a centre line, by more than rounding explains."""
    return np.asarray(value > np.asarray(limit) * (1 + ON_LIMIT))


def chart_against(statistic: FloatArray, limits: Limits) -> Chart:
    """Chart of points against given limits, those of all points at once or one for each."""
    centre, lower, upper = (
        np.broadcast_to(part, statistic.shape) for part in (limits.centre, limits.lower, limits.upper)
    )
    distance = statistic - centre
    beyond = above(distance, upper - centre).astype(np.int64) - above(-distance, centre - lower)
    return Chart(statistic, centre, lower, upper, beyond)


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


def p_sigma_limits(n: ArrayLike, p: float) -> Limits:
    """Limits for the same shares at three standard deviations, sqrt(p (1 - p) / n), kept within 0 to 1.

    Raises ValueError as `p_limits`.
    """
    size = counts("n", n, least=1)
    width = WIDTH * np.sqrt(probability("p", p) * (1 - p) / size)
    return Limits(np.full_like(size, p), np.maximum(p - width, 0), np.minimum(p + width, 1))


def p_chart(n: ArrayLike, observed: ArrayLike, p: float) -> Chart:
    """Chart of `observed` events among `n` in each subgroup against the baseline `p`; none gives an empty chart.

    Raises ValueError as `p_limits`, and where `observed` are not whole numbers from 0 to `n`, one for each.
    """
    limits = p_limits(n, p)
    size, events = same_shape(n=row("n", counts("n", n)), observed=counts("observed", observed))
    not_above("observed", events, "n", size)
    return chart_against(events / size, limits)


def u_limits(units: ArrayLike, u: float) -> Limits:
    """Limits for the events per unit in subgroups of `units`, each with the baseline's rate `u` of events.

    They step with the units. The lower is the largest L/units with P(X < L) < 0.00135, the upper the smallest U/units
    with P(X > U) <= 0.00135, X Poisson with mean `u` times `units`. Units may be parts, such as days at risk.

    Raises ValueError where `units` are not finite and above 0, or `u` is negative or not finite.
    """
    size = positive("units", units)
    mean = size * non_negative("u", u)
    lower, upper = (np.asarray(poisson.ppf(quantile, mean) / size) for quantile in (TAIL, 1 - TAIL))
    return Limits(np.full_like(size, u), lower, upper)


def u_sigma_limits(units: ArrayLike, u: float) -> Limits:
    """Limits for the same rates at three standard deviations, sqrt(u / units), not below 0.

    Raises ValueError as `u_limits`.
    """
    size = positive("units", units)
    width = WIDTH * np.sqrt(non_negative("u", u) / size)
    return Limits(np.full_like(size, u), np.maximum(u - width, 0), u + width)


def u_chart(units: ArrayLike, observed: ArrayLike, u: float) -> Chart:
    """Chart of `observed` events per unit in each subgroup against the baseline `u`; none gives an empty chart.

    Raises ValueError as `u_limits`, and where `observed` are not whole numbers of 0 or more, one for each.
    """
    limits = u_limits(units, u)
    size, events = same_shape(units=row("units", positive("units", units)), observed=counts("observed", observed))
    return chart_against(events / size, limits)


def c_limits(c: float) -> Limits:
    """Limits for the count of events in one subgroup, Poisson with the baseline's mean `c`: `u_limits` of one unit.

    Raises ValueError where `c` is negative or not finite.
    """
    return u_limits(1.0, float(non_negative("c", c)))


def c_sigma_limits(c: float) -> Limits:
    """Limits for the same count at three standard deviations, sqrt(c), not below 0.

    Raises ValueError where `c` is negative or not finite.
    """
    return u_sigma_limits(1.0, float(non_negative("c", c)))


def c_chart(observed: ArrayLike, c: float) -> Chart:
    """Chart of the events `observed` in subgroups of one size against the baseline's mean `c`.

    Raises ValueError where `observed` is not a row of whole numbers of 0 or more, or `c` is negative or not finite.
    """
    return chart_against(row("observed", counts("observed", observed)), c_limits(c))


def moving_range_sigma(values: ArrayLike) -> float:
    """Standard deviation by moving ranges: the mean of |x_i - x_(i-1)| over 1.128.

    A lasting shift enters only one range, so it widens the limits less than it would the ordinary standard deviation.
    Source: Montgomery DC, Introduction to Statistical Quality Control (6th ed.), ch. 6, individuals (from memory).

    Raises ValueError where `values` is not a row of at least two finite numbers.
    """
    array = finite("values", values)
    if array.size < 2:
        raise ValueError(f"values must be at least two to have a moving range, not {array.size}")
    return float(np.abs(np.diff(array)).mean() / MEAN_RANGE_OF_TWO)


def individuals_chart(values: ArrayLike, centre: float, sigma: float) -> Chart:
    """Chart of single `values` against the baseline's mean `centre` and its `moving_range_sigma`, at three of these.

    Raises ValueError where `values` is not a row of finite numbers, `centre` not finite, or `sigma` not above 0: a
    baseline that never varied tells nothing of chance.
    """
    middle, width = finite("centre", [centre]), WIDTH * positive("sigma", sigma)
    return chart_against(finite("values", values), Limits(middle, middle - width, middle + width))
