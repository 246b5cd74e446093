"""Newcombe's differences and conditional rate ratios: his table, statsmodels, definitions, exact coverage."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike
from scipy.stats import binom, poisson
from statsmodels.stats.proportion import confint_proportions_2indep
from statsmodels.stats.rates import test_poisson_2indep as poisson_2indep

from pipeline.stats.differences import (
    Difference,
    RateRatio,
    newcombe,
    newcombe_corrected,
    rate_ratio_exact,
    rate_ratio_mid_p,
)

from .conftest import Entry, untimed

PARTS = st.integers(1, 10**5).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
EVENTS, SOME_EVENTS, EXPOSURE = st.integers(0, 1000), st.integers(1, 1000), st.floats(0.1, 1000)

DifferenceOf = Callable[[ArrayLike, ArrayLike, ArrayLike, ArrayLike], Difference]
RatioOf = Callable[[ArrayLike, ArrayLike, ArrayLike, ArrayLike], RateRatio]

DIFFERENCES = pytest.mark.parametrize("difference_of", [newcombe, newcombe_corrected])
RATIOS = pytest.mark.parametrize("ratio_of", [rate_ratio_exact, rate_ratio_mid_p])


def test_newcombe_equals_his_table(check_value: Callable[[str], Entry]) -> None:
    """Newcombe (1998), Stat Med 17:873-890, Table II, method 10 (three of eight rows opened, the rest from memory)."""
    entry = check_value("DIF-01")
    result = newcombe(*np.array(entry["inputs"]["x1_n1_x2_n2"]).T)
    ends = np.transpose([result.low, result.high])
    assert_allclose(ends, entry["expected"]["lower_upper"], atol=entry["tolerance"], rtol=0)


def test_newcombe_corrected_equals_his_table(check_value: Callable[[str], Entry]) -> None:
    """Newcombe (1998), Stat Med 17:873-890, Table II, method 11 (from memory)."""
    entry = check_value("DIF-03")
    result = newcombe_corrected(*np.array(entry["inputs"]["x1_n1_x2_n2"]).T)
    ends = np.transpose([result.low, result.high])
    assert_allclose(ends, entry["expected"]["lower_upper"], atol=entry["tolerance"], rtol=0)


@untimed
@given(PARTS, PARTS)
def test_newcombe_equals_statsmodels(first: tuple[int, int], second: tuple[int, int]) -> None:
    result = newcombe(*first, *second)
    other = confint_proportions_2indep(*first, *second, method="newcomb", compare="diff")
    assert_allclose([result.low, result.high], other, rtol=1e-9, atol=1e-12)


@DIFFERENCES
@untimed
@given(first=PARTS, second=PARTS)
def test_differences_stay_within_bounds_and_turn_round(
    difference_of: DifferenceOf, first: tuple[int, int], second: tuple[int, int]
) -> None:
    result, turned = difference_of(*first, *second), difference_of(*second, *first)
    assert -1 - 1e-12 <= result.low <= result.difference <= result.high <= 1 + 1e-12
    assert_allclose([turned.difference, turned.low, turned.high], [-result.difference, -result.high, -result.low])


@untimed
@given(PARTS, PARTS)
def test_the_correction_widens(first: tuple[int, int], second: tuple[int, int]) -> None:
    plain, corrected = newcombe(*first, *second), newcombe_corrected(*first, *second)
    assert corrected.difference == plain.difference
    assert corrected.low <= plain.low + 1e-12
    assert plain.high <= corrected.high + 1e-12


@DIFFERENCES
def test_an_empty_group_gives_nan(difference_of: DifferenceOf) -> None:
    result = difference_of([0, 5, 3], [0, 10, 10], [1, 0, 2], [10, 0, 10])
    assert_array_equal(np.isnan([result.difference, result.low, result.high]), [[True, True, False]] * 3)
    assert difference_of([], [], [], []).low.shape == (0,)
    assert_allclose(difference_of(3, 10, [2], [10]).high, result.high[2])


@pytest.mark.parametrize(
    ("difference_of", "mean", "least"), [(newcombe, 0.950, 0.938), (newcombe_corrected, 0.968, 0.961)]
)
def test_coverage_of_a_difference(difference_of: DifferenceOf, mean: float, least: float) -> None:
    """Exact, by enumeration, of 40 and 60 piercings over pairs of shares from 0.04 to 0.96 by 0.04."""
    x_1, x_2 = np.mgrid[:41, :61]
    result = difference_of(x_1, 40, x_2, 60)
    shares = np.linspace(0.04, 0.96, 24)
    chance_1, chance_2 = (binom.pmf(np.arange(n + 1), n, shares[:, None]) for n in (40, 60))
    truth = (shares[:, None] - shares)[..., None, None]
    held = ((result.low <= truth) & (truth <= result.high)).astype(float)
    coverage = np.einsum("ai,bj,abij->ab", chance_1, chance_2, held, optimize=True)
    assert_allclose(coverage.mean(), mean, atol=1e-3)
    assert coverage.min() > least


@untimed
@given(EVENTS, EXPOSURE, EVENTS, EXPOSURE)
def test_the_conditional_test_rejects_at_a_fortieth_at_each_end(
    events_1: int, exposure_1: float, events_2: int, exposure_2: float
) -> None:
    """What defines it: given all events, those of the first group are binomial, with a tail of 0.025 at either end."""
    if events_1 + events_2 == 0:
        return
    result = rate_ratio_exact(events_1, exposure_1, events_2, exposure_2)
    together = events_1 + events_2
    if events_1:
        chance = result.low * exposure_1 / (result.low * exposure_1 + exposure_2)
        assert_allclose(binom.sf(events_1 - 1, together, chance), 0.025, rtol=1e-6)
    if events_2:
        chance = result.high * exposure_1 / (result.high * exposure_1 + exposure_2)
        assert_allclose(binom.cdf(events_1, together, chance), 0.025, rtol=1e-6)


@untimed
@given(SOME_EVENTS, EXPOSURE, SOME_EVENTS, EXPOSURE)
def test_the_conditional_mid_p_test_rejects_at_a_fortieth_at_each_end(
    events_1: int, exposure_1: float, events_2: int, exposure_2: float
) -> None:
    """As statsmodels computes the one-sided mid p value of the ratio at either end."""
    first, second = (events_1, exposure_1), (events_2, exposure_2)
    result = rate_ratio_mid_p(*first, *second)
    for alternative, end in (("larger", result.low), ("smaller", result.high)):
        test = poisson_2indep(*first, *second, float(end), "cond-midp", alternative=alternative)
        assert_allclose(test.pvalue, 0.025, rtol=1e-6)


@RATIOS
@settings(untimed, max_examples=20)
@given(groups=st.lists(st.tuples(SOME_EVENTS, EXPOSURE, SOME_EVENTS, EXPOSURE), min_size=1, max_size=30))
def test_ratios_lie_within_and_turn_round(ratio_of: RatioOf, groups: list[tuple[int, float, int, float]]) -> None:
    events_1, exposure_1, events_2, exposure_2 = np.array(groups).T
    result = ratio_of(events_1, exposure_1, events_2, exposure_2)
    turned = ratio_of(events_2, exposure_2, events_1, exposure_1)
    assert_allclose(result.ratio, events_1 / exposure_1 / (events_2 / exposure_2))
    assert ((result.low > 0) & (result.low < result.ratio)).all()
    assert ((result.ratio < result.high) & (result.high < np.inf)).all()
    assert_allclose([turned.ratio, turned.low, turned.high], [1 / result.ratio, 1 / result.high, 1 / result.low])


@pytest.mark.parametrize(("ratio_of", "tail"), [(rate_ratio_exact, 0.025), (rate_ratio_mid_p, 0.05)])
def test_no_events_in_one_group_or_either(ratio_of: RatioOf, tail: float) -> None:
    """4 events, all of one group: the share's inner end is the fourth root of the tail, 2 `tail` for mid-P's half."""
    result = ratio_of([4, 0, 0], [10, 10, 10], [0, 4, 0], [20, 20, 20])
    end = tail ** (1 / 4)
    assert_array_equal(result.ratio, [np.inf, 0, np.nan])
    assert_allclose(result.low, [2 * end / (1 - end), 0, np.nan])
    assert_allclose(result.high, [np.inf, 2 * (1 - end) / end, np.nan])


@RATIOS
def test_no_exposure_gives_nan(ratio_of: RatioOf) -> None:
    result = ratio_of([0, 3, 3], [0, 10, 10], [5, 0, 2], [10, 0, 10])
    assert_array_equal(np.isnan([result.ratio, result.low, result.high]), [[True, True, False]] * 3)
    assert ratio_of([], [], [], []).low.shape == (0,)
    assert_allclose(ratio_of(3, 10, [2], [10]).high, result.high[2])


def test_coverage_of_a_rate_ratio() -> None:
    """Exact, by enumeration, of twice as many events in the first group: 6 to 24 against 3 to 12."""
    counts_1, counts_2 = np.arange(70), np.arange(50)
    means = np.linspace(3, 12, 10)
    chance = poisson.pmf(counts_1, 2 * means[:, None])[:, :, None] * poisson.pmf(counts_2, means[:, None])[:, None]
    coverage = {}
    for ratio_of in (rate_ratio_exact, rate_ratio_mid_p):
        result = ratio_of(counts_1[:, None] + 0 * counts_2, 1, counts_2 + 0 * counts_1[:, None], 1)
        # Neither group having events leaves the ratio unknown, which holds it.
        held = ~((result.low > 2) | (result.high < 2))
        coverage[ratio_of] = (chance * held).sum((1, 2))
    assert coverage[rate_ratio_exact].min() > 0.95
    assert abs(coverage[rate_ratio_mid_p].mean() - 0.95) < 0.01
    assert (coverage[rate_ratio_mid_p] < coverage[rate_ratio_exact]).all()


@DIFFERENCES
@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (([-1], [5], [1], [5]), "events_1"),
        (([1], [np.nan], [1], [5]), "n_1"),
        (([1], [5], [0.5], [5]), "events_2"),
        (([1], [5], [1], [np.inf]), "n_2"),
        (([6], [5], [1], [5]), "events_1"),
        (([1], [5], [6], [5]), "events_2"),
        (([1, 2], [5, 5], [1, 2, 3], [5, 5, 5]), "events_1 .* events_2"),
    ],
)
def test_differences_name_the_bad_argument(
    difference_of: DifferenceOf, arguments: tuple[ArrayLike, ArrayLike, ArrayLike, ArrayLike], named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        difference_of(*arguments)


@RATIOS
@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (([-1], [5], [1], [5]), "events_1"),
        (([1], [-5], [1], [5]), "exposure_1"),
        (([1], [5], [np.nan], [5]), "events_2"),
        (([1], [5], [1], [np.inf]), "exposure_2"),
        (([1], [0], [1], [5]), "events_1 must be 0"),
        (([1], [5], [1], [0]), "events_2 must be 0"),
        (([1, 2], [5, 5], [1, 2, 3], [5, 5, 5]), "events_1 .* events_2"),
    ],
)
def test_ratios_name_the_bad_argument(
    ratio_of: RatioOf, arguments: tuple[ArrayLike, ArrayLike, ArrayLike, ArrayLike], named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        ratio_of(*arguments)
