"""Rates by stratum and expected events: by hand, in fractions, and from a known truth."""

from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike
from scipy.stats import chi2, poisson

from pipeline.stats.standardise import (
    Rates,
    Ratio,
    expected,
    standardised_ratio,
    standardised_ratio_mid_p,
    stratum_rates,
)

from .conftest import Entry, untimed

PIERCINGS = st.lists(st.tuples(st.integers(0, 1), st.integers(0, 3), st.integers(0, 4)), min_size=1, max_size=60)
"""Event, stratum and group of each piercing."""


def test_rates_by_hand() -> None:
    rates = stratum_rates([1, 0, 0, 1, 1], [1, 1, 0.5, 1, 0.5], [0, 0, 0, 2, 2], 4)
    assert_allclose(rates.rate, [1 / 2.5, 3 / 4, 2 / 1.5, 3 / 4])  # 1 and 3 have none: all together, 3 of 4


def test_events_of_a_stratum_not_at_risk_count_in_the_whole() -> None:
    assert_allclose(stratum_rates([1, 0], [0, 4], [0, 1], 2).rate, [1 / 4, 0])


@pytest.mark.parametrize("events", [[], [0, 1]])
def test_nothing_at_risk_leaves_rates_and_expected_unknown(events: list[int]) -> None:
    strata = [0] * len(events)
    rates = stratum_rates(events, [0] * len(events), strata, 2)
    assert np.isnan(rates.rate).all()
    assert np.isnan(expected(rates, [1], [0], [0], 3)).all()


def test_expected_by_hand() -> None:
    rates = stratum_rates([1, 0, 0, 1], 1, [0, 0, 1, 1], 2)
    assert_allclose(expected(rates, [1, 1, 0.5], [0, 1, 1], [0, 0, 2], 3), [1, 0, 0.25])


def test_single_numbers_are_repeated() -> None:
    rates = stratum_rates([1, 0], 1, [0, 0], 1)
    assert_array_equal(expected(rates, 1, [0, 0], [0, 1], 2), [0.5, 0.5])


def test_no_piercings_expect_nothing() -> None:
    rates = stratum_rates([1, 0], 1, [0, 0], 1)
    assert_array_equal(expected(rates, [], [], [], 2), [0, 0])


@untimed
@given(PIERCINGS)
def test_equals_fractions_and_sums_to_the_events(piercings: list[tuple[int, int, int]]) -> None:
    """Over the reference piercings themselves, all groups together expect what was observed."""
    events, strata, groups = zip(*piercings, strict=True)
    result = expected(stratum_rates(events, 1, strata, 4), 1, strata, groups, 5)
    exact = [Fraction(0)] * 5
    for _, stratum, group in piercings:
        members = [event for event, other, _ in piercings if other == stratum]
        exact[group] += Fraction(sum(members), len(members))
    assert_allclose(result, [float(value) for value in exact], rtol=1e-12, atol=1e-15)
    assert_allclose(result.sum(), sum(events), rtol=1e-12)


@untimed
@given(PIERCINGS)
def test_a_group_that_is_everything_expects_exactly_its_events(piercings: list[tuple[int, int, int]]) -> None:
    """To the last bit, so that one expected event is not taken for less than one."""
    events, strata, _ = zip(*piercings, strict=True)
    result = expected(stratum_rates(events, 1, strata, 4), 1, strata, [0] * len(events), 1)
    assert_array_equal(result, [sum(events)])


@untimed
@given(PIERCINGS, st.randoms(use_true_random=False))
def test_the_order_of_piercings_does_not_matter(piercings: list[tuple[int, int, int]], random: object) -> None:
    events, strata, groups = np.array(piercings).T
    order = np.arange(len(events))
    random.shuffle(order)  # type: ignore[attr-defined]
    rates, shuffled = stratum_rates(events, 1, strata, 4), stratum_rates(events[order], 1, strata[order], 4)
    assert_array_equal(rates.rate, shuffled.rate)
    assert_array_equal(expected(rates, 1, strata, groups, 5), expected(shuffled, 1, strata[order], groups[order], 5))


def test_recovers_known_rates_where_crude_comparison_misleads() -> None:
    """Two groups fare alike in each stratum, but the second has mostly the riskier one."""
    random = np.random.default_rng(1987)
    group = np.repeat([0, 1], 60_000)
    stratum = (random.random(120_000) < np.where(group == 1, 0.8, 0.2)).astype(int)
    events = random.random(120_000) < np.array([0.02, 0.05])[stratum]
    rates = stratum_rates(events, 1, stratum, 2)
    ratio = np.bincount(group, weights=events) / expected(rates, 1, stratum, group, 2)
    crude = np.bincount(group, weights=events) / 60_000 / events.mean()
    assert_allclose(rates.rate, [0.02, 0.05], rtol=0.08)
    assert_allclose(ratio, [1, 1], atol=0.06)
    assert crude[1] > 1.2


def test_no_ratio_below_one_expected(check_value: Callable[[str], Entry]) -> None:
    """Reporting rules of a national infection network (rules opened): below 1 expected, no ratio.

    At no event its upper limit is the mid-P one, -ln 0.05 / E; that of this function is the exact one, -ln 0.025 / E.
    """
    assert check_value("POI-06")["expected"]["predicted<1"] == "ratio not calculated"
    result = standardised_ratio([3, 3, 0, 0], [0.999, 1, 4, 0])
    assert_array_equal(np.isnan([result.ratio, result.low, result.high]), [[True, False, False, True]] * 3)
    assert_allclose(result.high[2], -np.log(0.025) / 4)


def test_ratio_and_interval_by_their_formula() -> None:
    result = standardised_ratio(20, 12.5)
    assert_allclose(result.ratio, 1.6)
    assert_allclose([result.low, result.high], [chi2.ppf(0.025, 40) / 25, chi2.ppf(0.975, 42) / 25])


def test_mid_p_at_no_events_equals_the_networks_rule(check_value: Callable[[str], Entry]) -> None:
    """Upper limit -ln 0.05 / E (opened), and no ratio below 1 expected."""
    assert "-ln(0.05)/E" in check_value("POI-06")["expected"]["observed=0"]
    result = standardised_ratio_mid_p([0, 0, 3, 3], [4, 0.999, 0.999, 1])
    assert_array_equal(np.isnan([result.ratio, result.low, result.high]), [[False, True, True, False]] * 3)
    assert_allclose(result.high[0], -np.log(0.05) / 4)
    assert (result.ratio[0], result.low[0]) == (0, 0)


def test_mid_p_agrees_with_the_networks_test() -> None:
    """An interval without 1 is a one-sided mid p value below 0.025, by a library's tails at E."""
    observed, mean = (grid.ravel() for grid in np.meshgrid(np.arange(60), np.linspace(1, 30, 59)))
    result = standardised_ratio_mid_p(observed, mean)
    half = poisson.pmf(observed, mean) / 2
    assert_array_equal(result.low > 1, poisson.sf(observed, mean) + half < 0.025)
    assert_array_equal(result.high < 1, poisson.cdf(observed, mean) - half < 0.025)


def test_mid_p_lies_within_the_exact_interval() -> None:
    observed = np.arange(60)
    exact, mid = standardised_ratio(observed, 7.5), standardised_ratio_mid_p(observed, 7.5)
    assert_array_equal(mid.ratio, exact.ratio)
    assert (exact.low <= mid.low).all()
    assert (mid.high < exact.high).all()


@pytest.mark.parametrize(
    ("events", "at_risk", "stratum", "named"),
    [
        ([-1], [1], [0], "events"),
        ([0.5], [1], [0], "events"),
        ([np.nan], [1], [0], "events"),
        ([1], [-1], [0], "at_risk"),
        ([1], [np.nan], [0], "at_risk"),
        ([1], [1], [2], "stratum"),
        ([1], [1], [-1], "stratum"),
        ([1], [1], 0, "stratum"),
        ([1, 1], [1], [0], "events .* at_risk"),
    ],
)
def test_stratum_rates_names_the_bad_argument(
    events: ArrayLike, at_risk: ArrayLike, stratum: ArrayLike, named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        stratum_rates(events, at_risk, stratum, 2)


@pytest.mark.parametrize(
    ("at_risk", "stratum", "group", "named"),
    [
        ([-1], [0], [0], "at_risk"),
        ([np.inf], [0], [0], "at_risk"),
        ([1], [1], [0], "stratum"),
        ([1], [0], [3], "group"),
        ([1], [0], [np.nan], "group"),
        ([1], [0], [0, 0], "group"),
    ],
)
def test_expected_names_the_bad_argument(at_risk: ArrayLike, stratum: ArrayLike, group: ArrayLike, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        expected(Rates(np.ones(1), np.ones(1)), at_risk, stratum, group, 3)


@pytest.mark.parametrize("ratio_of", [standardised_ratio, standardised_ratio_mid_p])
@pytest.mark.parametrize(("observed", "mean", "named"), [([-1], [1], "observed"), ([1], [-1], "expected")])
def test_ratio_names_the_bad_argument(
    ratio_of: Callable[[ArrayLike, ArrayLike], Ratio], observed: ArrayLike, mean: ArrayLike, named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        ratio_of(observed, mean)
