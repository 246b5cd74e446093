"""Two-sided 95 % confidence intervals of a Poisson mean: how sure a count is. None is a limit for a chart or a funnel.

Two formulas are both called Byar's; they are kept apart here. `byar` comes near the exact interval, `byar_half` near
the mid-P one.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize.elementwise import find_root
from scipy.stats import chi2, poisson

from pipeline.stats.arguments import FloatArray, counts
from pipeline.stats.intervals import TAIL, Interval, Z
from pipeline.stats.method import Method


def poisson_exact(observed: ArrayLike) -> Interval:
    """Exact interval of the mean of a Poisson count.

    Source: Garwood F (1936), Biometrika 28:437-442.

    Raises ValueError where `observed` are not whole numbers of 0 or more.
    """
    count = counts("observed", observed)
    low = chi2.ppf(TAIL, 2 * np.maximum(count, 1)) / 2
    return Interval(np.where(count == 0, 0.0, low), np.asarray(chi2.ppf(1 - TAIL, 2 * count + 2) / 2))


def poisson_mid_p(observed: ArrayLike) -> Interval:
    """Mid-P interval of the mean of a Poisson count: as the exact one, but half of P(X = `observed`) counts to a tail.

    The lower end is 0 at no events. Source: Berry G, Armitage P (1995), Mid-P confidence intervals: a brief review, The
    Statistician 44:417-423 (from memory).

    Raises ValueError where `observed` are not whole numbers of 0 or more.
    """
    count = counts("observed", observed)
    exact = poisson_exact(count)
    # Each end lies between the exact one and the count itself.
    low = find_root(_mid_tail_above, (exact.low, count), args=(count,)).x
    high = find_root(_mid_tail_below, (count, exact.high), args=(count,)).x
    return Interval(np.where(count == 0, 0.0, low), high)


def _mid_tail_above(mean: FloatArray, count: FloatArray) -> FloatArray:
    return np.asarray(poisson.sf(count, mean) + poisson.pmf(count, mean) / 2 - TAIL)


def _mid_tail_below(mean: FloatArray, count: FloatArray) -> FloatArray:
    return np.asarray(poisson.cdf(count - 1, mean) + poisson.pmf(count, mean) / 2 - TAIL)


def _cubed(mean: FloatArray, deviate: float) -> FloatArray:
    """The point `deviate` standard deviations from `mean`, by the normal approximation to a Poisson's cube root."""
    return np.asarray(mean * (1 - 1 / (9 * mean) + deviate / (3 * np.sqrt(mean))) ** 3)


def byar(observed: ArrayLike) -> Interval:
    """Byar's approximation to the exact interval of the mean of a Poisson count.

    The lower end is 0 at no events, where its formula does not hold. Source: Breslow NE, Day NE (1987), Statistical
    Methods in Cancer Research II, IARC Scientific Publications 82, equation 2.13 (from memory).

    Raises ValueError where `observed` are not whole numbers of 0 or more.
    """
    count = counts("observed", observed)
    return Interval(np.where(count == 0, 0.0, _cubed(np.maximum(count, 1), -Z)), _cubed(count + 1, Z))


def byar_half(observed: ArrayLike) -> Interval:
    """Byar's approximation with half an event added at both ends, which comes near the mid-P interval.

    The lower end is 0 at no events, where its formula falls below. Source: PoissonCI of the R package DescTools, method
    "byar".

    Raises ValueError where `observed` are not whole numbers of 0 or more.
    """
    count = counts("observed", observed)
    return Interval(np.where(count == 0, 0.0, _cubed(count + 0.5, -Z)), _cubed(count + 0.5, Z))


_GRID = "Over means from 0.01 to 50 by 0.01 it covers {} on average, at lowest {} at mean {}."

METHODS = (
    Method(
        identifier="poisson_exact",
        name="Garwood's exact interval of a Poisson mean",
        functions=("poisson_exact",),
        says="Never too narrow; at no events from 0 to 3.689. " + _GRID.format("0.963", "0.950", 47.53),
        formula="chi-square quantiles: 2.5 % with 2x degrees of freedom and 97.5 % with 2x + 2, each over 2",
        source="Garwood F (1936), Fiducial limits for the Poisson distribution, Biometrika 28:437-442",
        checks=(
            "test_count_intervals::test_poisson_exact_equals_the_standard_table",
            "test_count_intervals::test_poisson_exact_equals_r",
            "test_coverage::test_coverage_of_a_count_is_as_printed",
        ),
    ),
    Method(
        identifier="poisson_mid_p",
        name="Mid-P interval of a Poisson mean",
        functions=("poisson_mid_p",),
        says="Narrower than the exact interval; at no events from 0 to 2.996. " + _GRID.format("0.953", "0.916", 3.06),
        formula="the m with P(X > x | m) + P(X = x | m) / 2 = 0.025 and with P(X < x | m) + P(X = x | m) / 2 = 0.025",
        source="Berry G, Armitage P (1995), Mid-P confidence intervals: a brief review, The Statistician 44:417-423 "
        "(from memory)",
        checks=(
            "test_count_intervals::test_half_a_tail_at_a_mid_p_end_is_a_fortieth",
            "test_count_intervals::test_poisson_mid_p_equals_statsmodels",
            "test_coverage::test_coverage_of_a_count_is_as_printed",
        ),
    ),
    Method(
        identifier="byar",
        name="Byar's approximation",
        functions=("byar",),
        says="The exact interval without tables, within 0.018 of it from one event on. "
        + _GRID.format("0.963", "0.950", 47.53),
        formula="x (1 - 1/(9x) - z/(3 sqrt x))^3 and y (1 - 1/(9y) + z/(3 sqrt y))^3 with y = x + 1",
        source="Breslow NE, Day NE (1987), Statistical Methods in Cancer Research II, IARC Scientific Publications 82, "
        "equation 2.13 (from memory)",
        checks=(
            "test_count_intervals::test_byar_equals_its_formula_by_hand",
            "test_count_intervals::test_byar_is_near_the_exact_interval",
            "test_coverage::test_coverage_of_a_count_is_as_printed",
        ),
    ),
    Method(
        identifier="byar_half",
        name="Byar's approximation with half an event added",
        functions=("byar_half",),
        says="The mid-P interval without root-finding. " + _GRID.format("0.950", "0.875", 2.47),
        formula="y (1 - 1/(9y) - z/(3 sqrt y))^3 and y (1 - 1/(9y) + z/(3 sqrt y))^3 with y = x + 1/2",
        source="PoissonCI of the R package DescTools, its method byar",
        checks=(
            "test_count_intervals::test_byar_half_equals_r",
            "test_coverage::test_coverage_of_a_count_is_as_printed",
        ),
    ),
)
"""What this module offers."""
