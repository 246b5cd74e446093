"""Exact coverage by enumeration: how often an interval holds the truth, over a grid of truths, and as printed."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy.stats import binom, poisson

from pipeline.stats import count_intervals, intervals
from pipeline.stats.arguments import FloatArray
from pipeline.stats.count_intervals import byar, byar_half, poisson_exact, poisson_mid_p
from pipeline.stats.intervals import (
    Interval,
    clopper_pearson,
    jeffreys,
    mid_p,
    wilson,
    wilson_corrected,
)

SIZES = np.arange(5, 101)
SHARES = np.arange(1, 501) / 1000
"""Up to one half: each interval of a proportion mirrors, so its coverage does."""
MEANS = np.arange(1, 5001) / 100
SAYS = {
    function: method.says
    for module in (intervals, count_intervals)
    for method in module.METHODS
    for function in method.functions
}


IntervalOf = Callable[[ArrayLike, ArrayLike], Interval]


def _held(truth: FloatArray, interval: Interval) -> FloatArray:
    """1 where a possible count's interval, in a row, holds a truth, in a column."""
    return ((interval.low[:, None] <= truth) & (truth <= interval.high[:, None])).astype(np.float64)


@pytest.fixture(scope="module")
def coverage_of_a_proportion() -> Callable[[IntervalOf], FloatArray]:
    """A row for each size, a column for each share."""
    n = np.repeat(SIZES, SIZES + 1)
    starts = np.cumsum(SIZES + 1) - (SIZES + 1)
    x = np.arange(len(n)) - np.repeat(starts, SIZES + 1)
    chance = binom.pmf(x[:, None], n[:, None], SHARES)
    return lambda interval_of: np.add.reduceat(chance * _held(SHARES, interval_of(x, n)), starts)


def _coverage_of_a_count(interval_of: Callable[[ArrayLike], Interval]) -> FloatArray:
    count = np.arange(200)
    return np.asarray((poisson.pmf(count[:, None], MEANS) * _held(MEANS, interval_of(count))).sum(0))


@pytest.mark.parametrize(
    ("interval_of", "mean", "worst", "at"),
    [
        (wilson, 0.952, 0.833, (5, 0.036)),
        (wilson_corrected, 0.971, 0.949, (13, 0.004)),
        (clopper_pearson, 0.971, 0.950, (67, 0.5)),
        (jeffreys, 0.951, 0.868, (10, 0.218)),
        (mid_p, 0.957, 0.912, (6, 0.409)),
    ],
)
def test_coverage_of_a_proportion_is_as_printed(
    coverage_of_a_proportion: Callable[[IntervalOf], FloatArray],
    interval_of: IntervalOf,
    mean: float,
    worst: float,
    at: tuple[int, float],
) -> None:
    coverage = coverage_of_a_proportion(interval_of)
    row, column = np.unravel_index(coverage.argmin(), coverage.shape)
    assert (SIZES[row], SHARES[column]) == at
    assert (f"{coverage.mean():.3f}", f"{coverage.min():.3f}") == (f"{mean:.3f}", f"{worst:.3f}")
    assert (
        f"Over n from 5 to 100 and p from 0.001 to 0.5 by 0.001 it covers {mean:.3f} on average, "
        f"at lowest {worst:.3f} at n = {at[0]}, p = {at[1]}."
    ) in SAYS[interval_of.__name__]


def test_clopper_pearson_never_covers_less_than_it_says(
    coverage_of_a_proportion: Callable[[IntervalOf], FloatArray],
) -> None:
    assert coverage_of_a_proportion(clopper_pearson).min() >= 0.95


@pytest.mark.parametrize("interval_of", [wilson, jeffreys, mid_p])
def test_the_narrow_intervals_cover_what_they_say_on_average(
    coverage_of_a_proportion: Callable[[IntervalOf], FloatArray], interval_of: IntervalOf
) -> None:
    """Within 0.008 of 0.95 over the grid, and within 0.004 where five events or more are expected."""
    coverage = coverage_of_a_proportion(interval_of)
    assert abs(coverage.mean() - 0.95) < 0.008
    assert abs(coverage[SIZES[:, None] * SHARES >= 5].mean() - 0.95) < 0.004


@pytest.mark.parametrize(
    ("interval_of", "mean", "worst", "at"),
    [
        (poisson_exact, 0.963, 0.950, 47.53),
        (poisson_mid_p, 0.953, 0.916, 3.06),
        (byar, 0.963, 0.950, 47.53),
        (byar_half, 0.950, 0.875, 2.47),
    ],
)
def test_coverage_of_a_count_is_as_printed(
    interval_of: Callable[[ArrayLike], Interval], mean: float, worst: float, at: float
) -> None:
    coverage = _coverage_of_a_count(interval_of)
    assert MEANS[coverage.argmin()] == at
    assert (f"{coverage.mean():.3f}", f"{coverage.min():.3f}") == (f"{mean:.3f}", f"{worst:.3f}")
    assert (
        f"ver means from 0.01 to 50 by 0.01 it covers {mean:.3f} on average, at lowest {worst:.3f} at mean {at}."
    ) in SAYS[interval_of.__name__]


@pytest.mark.parametrize("interval_of", [poisson_exact, byar])
def test_exact_and_byars_interval_of_a_count_never_cover_less(interval_of: Callable[[ArrayLike], Interval]) -> None:
    assert _coverage_of_a_count(interval_of).min() >= 0.95
