"""Marshall's estimator: a library's values on his own data, another way to compute it, and a known truth."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike

from pipeline.stats.shrinkage import marshall

from .conftest import Columns, Entry, untimed

GROUPS = st.lists(st.tuples(st.integers(0, 50), st.floats(0.01, 60)), min_size=1, max_size=30)


def test_infant_deaths_in_auckland(check_value: Callable[[str], Entry], data_columns: Callable[[str], Columns]) -> None:
    """Marshall (1991), Applied Statistics 40:283-294 (data and method); values of R spdep's EBest."""
    entry = check_value("EB-07")
    data = data_columns("spdata_auckland.csv")
    result = marshall(data["Deaths.1977.85"], 9 * data["Under.5.1981"])
    assert_allclose(result.variance, entry["expected"]["a"], atol=1e-12)
    assert_allclose(result.mean, entry["expected"]["b"], atol=1e-8)
    assert_allclose([result.ratio.min(), result.ratio.max()], entry["expected"]["estimate_range"], atol=1e-6)
    assert_allclose(result.ratio.mean(), entry["expected"]["estimate_mean"], atol=1e-6)


@untimed
@given(GROUPS)
def test_equals_the_formula_group_by_group(groups: list[tuple[int, float]]) -> None:
    observed, expected = zip(*groups, strict=True)
    if sum(observed) == 0:
        return
    mean = sum(observed) / sum(expected)
    spread = sum(e * (o / e - mean) ** 2 for o, e in groups) / sum(expected)
    variance = max(0.0, spread - mean / (sum(expected) / len(groups)))
    result = marshall(observed, expected)
    assert_allclose(result.variance, variance, rtol=1e-9, atol=1e-9 * spread)
    for shrunk, (o, e) in zip(result.ratio, groups, strict=True):
        weight = result.variance / (result.variance + mean / e)
        assert_allclose(shrunk, mean + weight * (o / e - mean), rtol=1e-9)
        assert min(o / e, mean) * (1 - 1e-9) <= shrunk <= max(o / e, mean) * (1 + 1e-9)


def test_recovers_the_spread_of_true_ratios_and_comes_closer_to_them() -> None:
    """True ratios have mean 1 and variance 0.09; groups expect 2 to 40."""
    random = np.random.default_rng(1991)
    truth = random.gamma(1 / 0.09, 0.09, 4000)
    expected = random.uniform(2, 40, 4000)
    observed = random.poisson(truth * expected)
    result = marshall(observed, expected)
    assert_allclose(result.mean, 1, atol=0.02)
    assert_allclose(result.variance, 0.09, atol=0.015)
    assert ((result.ratio - truth) ** 2).mean() < 0.5 * ((observed / expected - truth) ** 2).mean()


def test_no_more_spread_than_chance_gives_every_group_the_mean() -> None:
    result = marshall([5, 5, 5], [4, 5, 6])
    assert result.variance == 0
    assert_array_equal(result.ratio, [1, 1, 1])


def test_one_group_is_its_own_mean() -> None:
    assert_array_equal(marshall([6], [4]).ratio, [1.5])


def test_groups_that_expect_nothing_take_no_part() -> None:
    result, without = marshall([9, 0, 2, 1], [4, 0, 5, 0.5]), marshall([9, 2, 1], [4, 5, 0.5])
    assert_array_equal(result.ratio[[0, 2, 3]], without.ratio)
    assert np.isnan(result.ratio[1])


@pytest.mark.parametrize(("observed", "expected"), [([], []), ([0, 0], [3, 4]), ([0, 0], [0, 0]), ([2], [0])])
def test_no_events_or_none_expected_leave_all_unknown(observed: list[int], expected: list[int]) -> None:
    result = marshall(observed, expected)
    assert result.ratio.shape == (len(observed),)
    assert np.isnan([*result.ratio, result.mean, result.variance]).all()


@pytest.mark.parametrize(
    ("observed", "expected", "named"),
    [
        ([-1], [1], "observed"),
        ([np.nan], [1], "observed"),
        ([1], [-1], "expected"),
        ([1], [np.nan], "expected"),
        ([1, 2], [1, 2, 3], "expected"),
        (1, 2, "observed"),
    ],
)
def test_the_bad_argument_is_named(observed: ArrayLike, expected: ArrayLike, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        marshall(observed, expected)
