"""Empirical Bayes: ratios of small groups drawn towards the mean by as much as they are uncertain."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, counts, non_negative, row, same_shape
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
)
