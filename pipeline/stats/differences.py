"""Two groups compared: the difference of two proportions and the ratio of two rates, with 95 % intervals.

The first group is compared with the second: the difference is above 0, and the ratio above 1, where the first has more.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, same_shape
from pipeline.stats.intervals import Interval, clopper_pearson, mid_p, wilson, wilson_corrected
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class Difference:
    """First proportion less the second, from -1 to 1, with its interval; NaN where either group is empty."""

    difference: FloatArray
    low: FloatArray
    high: FloatArray


def newcombe(events_1: ArrayLike, n_1: ArrayLike, events_2: ArrayLike, n_2: ArrayLike) -> Difference:
    """Hybrid score interval of `events_1` / `n_1` - `events_2` / `n_2`, of groups that have nobody in common.

    Arrays of one shape, or single numbers. The ends never pass -1 or 1, and no events in either group give an interval
    with a width. Source: method 10 of Newcombe RG (1998), Interval estimation for the difference between independent
    proportions, Stat Med 17:873-890.

    Raises ValueError where events or sizes are not whole numbers of 0 or more, or events exceed their size.
    """
    return _hybrid(wilson, events_1, n_1, events_2, n_2)


def newcombe_corrected(events_1: ArrayLike, n_1: ArrayLike, events_2: ArrayLike, n_2: ArrayLike) -> Difference:
    """As `newcombe`, from score intervals with continuity correction: wider.

    Source: method 11 of Newcombe RG (1998), as there (from memory).
    """
    return _hybrid(wilson_corrected, events_1, n_1, events_2, n_2)


def _hybrid(
    interval_of: Callable[[ArrayLike, ArrayLike], Interval],
    events_1: ArrayLike,
    n_1: ArrayLike,
    events_2: ArrayLike,
    n_2: ArrayLike,
) -> Difference:
    x_1, size_1, x_2, size_2 = same_shape(
        events_1=counts("events_1", events_1),
        n_1=counts("n_1", n_1),
        events_2=counts("events_2", events_2),
        n_2=counts("n_2", n_2),
    )
    not_above("events_1", x_1, "n_1", size_1)
    not_above("events_2", x_2, "n_2", size_2)
    first, second = interval_of(x_1, size_1), interval_of(x_2, size_2)
    share_1, share_2 = x_1 / np.where(size_1 > 0, size_1, np.nan), x_2 / np.where(size_2 > 0, size_2, np.nan)
    difference = share_1 - share_2
    return Difference(
        difference,
        difference - np.hypot(share_1 - first.low, second.high - share_2),
        difference + np.hypot(first.high - share_1, share_2 - second.low),
    )


@dataclass(frozen=True, eq=False)
class RateRatio:
    """First rate over the second, with its interval.

    Events in neither group say nothing of the ratio: NaN, as where a group has no exposure. Events in the first alone
    give an infinite ratio and upper end over a finite lower one; events in the second alone a ratio and lower end of 0.
    """

    ratio: FloatArray
    low: FloatArray
    high: FloatArray


def rate_ratio_exact(
    events_1: ArrayLike, exposure_1: ArrayLike, events_2: ArrayLike, exposure_2: ArrayLike
) -> RateRatio:
    """Exact interval of the ratio of two Poisson rates, `events_1` / `exposure_1` over `events_2` / `exposure_2`.

    Arrays of one shape, or single numbers. Given how many events there are together, those of the first group are
    binomial; the Clopper-Pearson interval of their share is turned into one of the ratio. Source: Przyborowski J,
    Wilenski H (1940), Homogeneity of results in testing samples from Poisson series, Biometrika 31:313-323 (from
    memory).

    Raises ValueError where events are not whole numbers of 0 or more, an exposure is negative or not finite, or a group
    without exposure has events.
    """
    return _conditional(clopper_pearson, events_1, exposure_1, events_2, exposure_2)


def rate_ratio_mid_p(
    events_1: ArrayLike, exposure_1: ArrayLike, events_2: ArrayLike, exposure_2: ArrayLike
) -> RateRatio:
    """As `rate_ratio_exact`, from the mid-P interval of the first group's share: narrower.

    Source: Berry G, Armitage P (1995), Mid-P confidence intervals: a brief review, The Statistician 44:417-423 (from
    memory).
    """
    return _conditional(mid_p, events_1, exposure_1, events_2, exposure_2)


def _conditional(
    interval_of: Callable[[ArrayLike, ArrayLike], Interval],
    events_1: ArrayLike,
    exposure_1: ArrayLike,
    events_2: ArrayLike,
    exposure_2: ArrayLike,
) -> RateRatio:
    x_1, time_1, x_2, time_2 = same_shape(
        events_1=counts("events_1", events_1),
        exposure_1=non_negative("exposure_1", exposure_1),
        events_2=counts("events_2", events_2),
        exposure_2=non_negative("exposure_2", exposure_2),
    )
    for name, x, time in (("events_1", x_1, time_1), ("events_2", x_2, time_2)):
        if (x[time == 0] > 0).any():
            raise ValueError(f"{name} must be 0 where the group has no exposure")
    share = interval_of(x_1, x_1 + x_2)
    # A group's exposure of 0 leaves the factor, and so the ratio, unknown.
    factor = np.where(time_2 > 0, time_2, np.nan) / np.where(time_1 > 0, time_1, np.nan)
    ends = (factor * _odds(part, 1 - part) for part in (share.low, share.high))
    return RateRatio(factor * _odds(x_1, x_2), *ends)


def _odds(first: FloatArray, second: FloatArray) -> FloatArray:
    """`first` over `second`: infinite where only `second` is 0, NaN where both are or one is unknown."""
    odds = np.full(first.shape, np.nan)
    np.divide(first, second, out=odds, where=second > 0)
    return np.where((first > 0) & (second == 0), np.inf, odds)


METHODS = (
    Method(
        identifier="newcombe",
        name="Newcombe's hybrid score interval of a difference",
        functions=("newcombe",),
        says="By how much the shares of two groups differ, with an interval that stays between -1 and 1 and holds for "
        "small groups and rare events. An empty group gives none.",
        formula="d - sqrt((p1 - l1)^2 + (u2 - p2)^2) and d + sqrt((u1 - p1)^2 + (p2 - l2)^2), l and u Wilson's ends",
        source="Newcombe RG (1998), Interval estimation for the difference between independent proportions: comparison "
        "of eleven methods, Statistics in Medicine 17:873-890, method 10",
        checks=(
            "test_differences::test_newcombe_equals_his_table",
            "test_differences::test_newcombe_equals_statsmodels",
            "test_differences::test_coverage_of_a_difference",
        ),
    ),
    Method(
        identifier="newcombe_corrected",
        name="Newcombe's hybrid score interval with continuity correction",
        functions=("newcombe_corrected",),
        says="As the hybrid score interval, but wider, for whom it must hardly ever be too narrow.",
        formula="as without correction, l and u the ends of Wilson's interval with continuity correction",
        source="Newcombe RG (1998), Interval estimation for the difference between independent proportions: comparison "
        "of eleven methods, Statistics in Medicine 17:873-890, method 11 (from memory)",
        checks=(
            "test_differences::test_newcombe_corrected_equals_his_table",
            "test_differences::test_coverage_of_a_difference",
        ),
    ),
    Method(
        identifier="rate_ratio_exact",
        name="Exact conditional interval of a ratio of two rates",
        functions=("rate_ratio_exact",),
        says="How many times as often something happens in one group as in another. Never too narrow. No events in the "
        "second group give no upper end, none in either group no interval.",
        formula="(P / (1 - P)) (t2 / t1), P the ends of the Clopper-Pearson interval of x1 among x1 + x2",
        source="Przyborowski J, Wilenski H (1940), Homogeneity of results in testing samples from Poisson series, "
        "Biometrika 31:313-323 (from memory)",
        checks=(
            "test_differences::test_the_conditional_test_rejects_at_a_fortieth_at_each_end",
            "test_differences::test_coverage_of_a_rate_ratio",
        ),
    ),
    Method(
        identifier="rate_ratio_mid_p",
        name="Mid-P interval of a ratio of two rates",
        functions=("rate_ratio_mid_p",),
        says="As the exact one, but narrower, and on average nearer to the stated 95 %.",
        formula="(P / (1 - P)) (t2 / t1), P the ends of the mid-P interval of x1 among x1 + x2",
        source="Berry G, Armitage P (1995), Mid-P confidence intervals: a brief review, The Statistician 44:417-423 "
        "(from memory)",
        checks=(
            "test_differences::test_the_conditional_mid_p_test_rejects_at_a_fortieth_at_each_end",
            "test_differences::test_coverage_of_a_rate_ratio",
        ),
    ),
)
"""What this module offers."""
