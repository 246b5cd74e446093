"""Marshall's and James and Stein's estimators: published values, another way to compute them, and known truths."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike
from scipy.integrate import quad
from scipy.stats import chi2

from pipeline.stats.shrinkage import james_stein, marshall

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


HITS = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]
"""Of 45 times at bat, of 18 players: Efron & Morris (1975), J Am Stat Assoc 70:311-319, Table 1 (from memory)."""


def test_averages_of_a_season(check_value: Callable[[str], Entry]) -> None:
    """Efron & Morris (1977), Scientific American 236(5):119-127 (from memory); averages as printed, to three digits."""
    entry = check_value("EB-04")
    averages = np.round(np.array(HITS) / 45, 3)
    mean = averages.mean()
    result = james_stein(averages, mean * (1 - mean) / 45)
    assert_allclose(result.mean, entry["expected"]["grand_mean"], atol=5e-4, rtol=0)
    assert_allclose(result.factor, entry["expected"]["shrinkage_c"], atol=entry["tolerance"]["c"], rtol=0)
    assert_allclose(result.value[:3], entry["expected"]["first_three"], atol=entry["tolerance"]["values"], rtol=0)


@untimed
@given(st.lists(st.floats(-50, 50), min_size=4, max_size=30), st.floats(0, 100))
def test_james_stein_equals_its_formula(values: list[float], variance: float) -> None:
    mean = sum(values) / len(values)
    spread = sum((value - mean) ** 2 for value in values)
    pull = (len(values) - 3) * variance
    factor = 1 - pull / spread if spread > pull else 0.0
    result = james_stein(values, variance)
    if spread > 1e-9:
        assert_allclose(result.factor, factor, atol=1e-9)
    assert_allclose(result.value, [mean + factor * (value - mean) for value in values], atol=1e-6)


@pytest.mark.parametrize("truth", [np.zeros(8), np.linspace(-1, 1, 8), np.array([0] * 7 + [9]), np.arange(8) * 4])
def test_james_stein_comes_closer_to_any_truth(truth: np.ndarray) -> None:
    """4,000 times: over all groups the squared error is less than that of the values themselves, beyond chance."""
    values = truth + np.random.default_rng(1961).normal(size=(4000, 8))
    shrunk = np.array([james_stein(row, 1.0).value for row in values])
    gain = ((values - truth) ** 2).sum(axis=1) - ((shrunk - truth) ** 2).sum(axis=1)
    assert gain.mean() > 2 * gain.std() / np.sqrt(len(gain))


def test_james_stein_of_equal_truths_has_the_known_risk() -> None:
    """The mean's own error and what is left of the distances: 1 + E max(0, 1 - (k - 3) / X)^2 X, X chi-square."""
    k = 10
    left = quad(lambda x: (1 - (k - 3) / x) ** 2 * x * chi2.pdf(x, k - 1), k - 3, np.inf)[0]
    values = np.random.default_rng(1973).normal(size=(8000, k))
    loss = np.array([(james_stein(row, 1.0).value ** 2).sum() for row in values])
    assert abs(loss.mean() - (1 + left)) < 2 * loss.std() / np.sqrt(len(loss))


def test_few_or_exact_values_stand_as_they_are_and_equal_ones_are_the_mean() -> None:
    for values, variance in (([1.0, 5.0, 9.0], 4.0), ([7.0], 4.0), ([1.0, 2.0, 3.0, 10.0], 0.0)):
        result = james_stein(values, variance)
        assert result.factor == 1
        assert_allclose(result.value, values, rtol=1e-12)
    result = james_stein([3.0] * 5, 4.0)
    assert (result.factor, result.mean) == (0, 3)
    assert_array_equal(result.value, [3] * 5)
    nothing = james_stein([], 1.0)
    assert nothing.value.shape == (0,)
    assert np.isnan([nothing.mean, nothing.factor]).all()


@pytest.mark.parametrize(
    ("values", "variance", "named"),
    [([np.nan], 1, "values"), ([[1.0]], 1, "values"), ([1.0], -1, "variance"), ([1.0], np.inf, "variance")],
)
def test_james_stein_names_the_bad_argument(values: ArrayLike, variance: float, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        james_stein(values, variance)
