"""Empirical Bayes: ratios or values of groups drawn towards the mean of all by as much as they are uncertain."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, counts, finite, non_negative, row, same_shape
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class Shrinkage:
    """The shrunk ratio of each group, and the `mean` and `variance` of the true ratios it was drawn by.

    All are NaN where no group has an event or an expected one; a ratio also where its group expects none.
    """

    ratio: FloatArray
    mean: float
    variance: float


def marshall(observed: ArrayLike, expected: ArrayLike) -> Shrinkage:
    """Shrinks each group's `observed` / `expected` by the global moment estimator.

    Groups with nothing expected take no part. With r_i = O_i / E_i and m = sum O / sum E, the true ratios' variance is
    estimated as a = max(0, sum E_i (r_i - m)^2 / sum E - m / mean E), and the shrunk ratio is m + a / (a + m / E_i)
    (r_i - m): m itself where the ratios differ no more than by chance. Source: Marshall RM (1991), Mapping disease and
    mortality rates using empirical Bayes estimators, Applied Statistics 40:283-294. No groups are allowed.

    Raises ValueError where `observed` are not whole numbers of 0 or more, `expected` negative or not finite, or lengths
    differ.
    """
    count, base = same_shape(
        observed=row("observed", counts("observed", observed)), expected=non_negative("expected", expected)
    )
    ratio = np.full(base.shape, np.nan)
    part = base > 0
    count, base = count[part], base[part]
    if count.sum() == 0:
        return Shrinkage(ratio, np.nan, np.nan)
    raw, mean = count / base, count.sum() / base.sum()
    variance = max(0.0, float(np.average((raw - mean) ** 2, weights=base) - mean / base.mean()))
    ratio[part] = mean + variance / (variance + mean / base) * (raw - mean)
    return Shrinkage(ratio, float(mean), variance)


@dataclass(frozen=True, eq=False)
class ShrunkValues:
    """The shrunk value of each group, the `mean` they are drawn towards, and the `factor` of the distance that is left.

    The factor is 1 where values stand as they are and 0 where each is the mean; it and the mean are NaN without groups.
    """

    value: FloatArray
    mean: float
    factor: float


def james_stein(values: ArrayLike, variance: float) -> ShrunkValues:
    """Shrinks the `values` of k groups, each measured with the same known error `variance`, towards their mean.

    With m the mean of all and S = sum (y_i - m)^2, the shrunk value is m + c (y_i - m), c = 1 - (k - 3) variance / S,
    or 0 where that is less (the positive part). Three groups or fewer stand as they are. Source: Efron B, Morris C
    (1977), Stein's paradox in statistics, Scientific American 236(5):119-127; the positive part: Efron B, Morris C
    (1973), Stein's estimation rule and its competitors, J Am Stat Assoc 68:117-130 (both from memory).

    Raises ValueError where `values` is not a row of finite numbers, or `variance` is negative or not finite.
    """
    value, error = finite("values", values), float(non_negative("variance", variance))
    if not value.size:
        return ShrunkValues(value, np.nan, np.nan)
    mean = float(value.mean())
    pull, spread = max(value.size - 3, 0) * error, float(((value - mean) ** 2).sum())
    factor = 1 - pull / spread if spread > pull else float(pull == 0)
    return ShrunkValues(mean + factor * (value - mean), mean, factor)


METHODS = (
    Method(
        identifier="marshall",
        name="Marshall's global empirical Bayes estimator",
        functions=("marshall",),
        says="Draws the ratio of each group towards the mean of all, the more the fewer events it expects, so that a "
        "small group does not stand out by chance. Where ratios differ no more than by chance, each is the mean.",
        formula="m + a / (a + m / E_i) (O_i / E_i - m); m = sum O / sum E; "
        "a = max(0, sum E_i (r_i - m)^2 / sum E - m / mean E)",
        source="Marshall RM (1991), Mapping disease and mortality rates using empirical Bayes estimators, Applied "
        "Statistics 40:283-294",
        checks=(
            "test_shrinkage::test_infant_deaths_in_auckland",
            "test_shrinkage::test_recovers_the_spread_of_true_ratios_and_comes_closer_to_them",
        ),
    ),
    Method(
        identifier="james_stein",
        name="James and Stein's estimator, positive part",
        functions=("james_stein",),
        says="Draws values measured with the same error towards their mean, all by the same factor: over all groups "
        "together they come nearer to the truth, though a single group may not. Where values differ no more than by "
        "error, each is the mean; three groups or fewer stand as they are.",
        formula="m + c (y_i - m); c = max(0, 1 - (k - 3) variance / sum (y_i - m)^2)",
        source="Efron B, Morris C (1977), Stein's paradox in statistics, Scientific American 236(5):119-127 (from "
        "memory)",
        checks=(
            "test_shrinkage::test_averages_of_a_season",
            "test_shrinkage::test_james_stein_comes_closer_to_any_truth",
            "test_shrinkage::test_james_stein_of_equal_truths_has_the_known_risk",
        ),
    ),
)
