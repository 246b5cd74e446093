"""Shewhart charts: each subgroup's share, rate or count on its own, against limits from a frozen baseline.

Shares, rates and counts have exact binomial or Poisson limits. Limits at three standard deviations are given beside
them (`*_sigma_limits`) for comparison with textbooks; at small counts they alarm more often than they promise.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binom, poisson

from pipeline.stats.arguments import counts, non_negative, not_above, positive, probability, row, same_shape
from pipeline.stats.control_chart import WIDTH, Chart, Limits, chart_against
from pipeline.stats.method import Method

TAIL = 0.00135
"""Probability beyond a limit on either side while nothing has changed: that of three standard deviations of a normal
(Shewhart's choice). Exact limits keep it for small counts too, where three standard deviations would not."""


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


METHODS = (
    Method(
        identifier="p_chart",
        name="p chart",
        functions=("p_limits", "p_sigma_limits", "p_chart"),
        says="The share of events in each subgroup. Limits are exact; a point on its limit is not beyond it.",
        formula="binomial quantiles of 0.00135 and 0.99865 over n; p +- 3 sqrt(p (1 - p) / n)",
        source="Montgomery DC, Introduction to Statistical Quality Control (6th ed.), ch. 7 (from memory)",
        checks=(
            "test_shewhart::test_limits_are_the_tightest_that_keep_either_tail",
            "test_shewhart::test_orange_juice_cans",
            "test_shewhart::test_purchase_orders",
            "test_shewhart::test_p_sigma_limits_of_the_textbook",
        ),
    ),
    Method(
        identifier="u_chart",
        name="u and c charts",
        functions=("u_limits", "u_sigma_limits", "u_chart", "c_limits", "c_sigma_limits", "c_chart"),
        says="Events per unit at risk, or events alone where all subgroups are of one size. Limits are exact and step "
        "with the units; a subgroup without units is refused.",
        formula="Poisson quantiles of 0.00135 and 0.99865, mean u units, over units; u +- 3 sqrt(u / units)",
        source="Montgomery DC, Introduction to Statistical Quality Control (6th ed.), ch. 7 (from memory)",
        checks=(
            "test_shewhart::test_u_limits_are_the_tightest_that_keep_either_tail",
            "test_shewhart::test_dyed_cloth",
            "test_shewhart::test_c_chart_is_the_u_chart_of_one_unit",
        ),
    ),
)
