"""Garwood's, mid-P and Byar's intervals of a count, against printed values, statsmodels and what defines them."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike, NDArray
from scipy.stats import poisson
from statsmodels.stats.rates import confint_poisson

from pipeline.stats.count_intervals import byar, byar_half, poisson_exact, poisson_mid_p
from pipeline.stats.intervals import Interval

from .conftest import Entry, untimed

OF_A_COUNT = pytest.mark.parametrize("interval_of", [poisson_exact, poisson_mid_p, byar, byar_half])

IntervalOf = Callable[[ArrayLike], Interval]


def _ends(interval: Interval) -> NDArray[np.float64]:
    return np.stack([interval.low, interval.high], axis=-1)


def test_poisson_exact_equals_the_standard_table(check_value: Callable[[str], Entry]) -> None:
    """Garwood (1936), Biometrika 28:437-442, as in standard tables (from memory)."""
    entry = check_value("POI-01")
    interval = poisson_exact(entry["inputs"]["count"])
    assert_allclose(np.transpose([interval.low, interval.high]), entry["expected"]["lower_upper"], atol=5e-5, rtol=0)


def test_poisson_exact_equals_r(check_value: Callable[[str], Entry]) -> None:
    """Exact interval of a rate of 15 in 400, printed by two R packages (opened)."""
    entry = check_value("POI-03")
    interval = poisson_exact(entry["inputs"]["x"])
    rate = np.array([interval.low, interval.high]) / entry["inputs"]["t"]
    assert_allclose(rate, entry["expected"]["exact"], rtol=1e-12)


@untimed
@given(st.integers(0, 10**6))
def test_each_tail_at_a_garwood_end_is_a_fortieth(observed: int) -> None:
    """What defines it: P(X >= O | low) = P(X <= O | high) = 0.025."""
    interval = poisson_exact(observed)
    assert_allclose(poisson.cdf(observed, interval.high), 0.025, rtol=1e-6)
    if observed:
        assert_allclose(poisson.sf(observed - 1, interval.low), 0.025, rtol=1e-6)
    else:
        assert interval.low == 0


def test_byar_equals_its_formula_by_hand(check_value: Callable[[str], Entry]) -> None:
    """Breslow & Day (1987), equation 2.13 (formula from memory; numbers computed apart from this code)."""
    entry = check_value("POI-04")
    ends = _ends(byar(entry["inputs"]["O"]))
    assert_allclose(ends, entry["expected"]["lower_upper"], atol=entry["tolerance"], rtol=0)


def test_byar_is_near_the_exact_interval() -> None:
    """Furthest at two events."""
    count = np.arange(1, 1001)
    apart = np.abs(_ends(byar(count)) - _ends(poisson_exact(count)))
    assert apart.max() < 0.018
    assert apart[19:].max() < 0.006


def test_byar_half_equals_r(check_value: Callable[[str], Entry]) -> None:
    """R DescTools PoissonCI, a rate of 15 in 400, printed in the statsmodels test suite (opened)."""
    entry = check_value("POI-03")
    ends = _ends(byar_half(entry["inputs"]["x"])) / entry["inputs"]["t"]
    assert_allclose(ends, entry["expected"]["byar_x_plus_half"], atol=entry["tolerance"], rtol=0)


def test_byar_half_is_near_the_mid_p_interval() -> None:
    count = np.arange(1, 1001)
    apart = np.abs(_ends(byar_half(count)) - _ends(poisson_mid_p(count)))
    assert apart[4:].max() < 0.13
    assert apart[19:].max() < 0.06
    assert (apart < np.abs(_ends(byar_half(count)) - _ends(poisson_exact(count)))).all()


@pytest.mark.parametrize("observed", [1, 4, 15, 60])
def test_poisson_mid_p_equals_statsmodels(observed: int) -> None:
    """It minimises the squared distance of a two-sided p value from 0.05."""
    assert_allclose(_ends(poisson_mid_p(observed)), confint_poisson(observed, 1, method="midp-c"), rtol=1e-5)


@settings(untimed, max_examples=15)
@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=40).map(np.array))
def test_half_a_tail_at_a_mid_p_end_is_a_fortieth(observed: NDArray[np.int64]) -> None:
    """What defines it: P(X > O | low) + P(X = O | low) / 2 = 0.025, and from below at the upper end."""
    interval = poisson_mid_p(observed)
    above = (poisson.sf(observed - 1, interval.low) + poisson.sf(observed, interval.low)) / 2
    below = (poisson.cdf(observed - 1, interval.high) + poisson.cdf(observed, interval.high)) / 2
    assert_allclose(above[observed > 0], 0.025, rtol=1e-6)
    assert_allclose(below, 0.025, rtol=1e-6)


def test_mid_p_at_no_events_is_the_rule_of_three() -> None:
    """-ln 0.05, 2.9957."""
    interval = poisson_mid_p(0)
    assert interval.low == 0
    assert_allclose(interval.high, -np.log(0.05))


@OF_A_COUNT
def test_intervals_hold_the_count_and_rise_with_it(interval_of: IntervalOf) -> None:
    count = np.arange(2000)
    interval = interval_of(count)
    assert interval.low[0] == 0
    assert (interval.low[1:] > 0).all()
    assert (interval.low <= count).all()
    assert (count <= interval.high).all()
    assert (np.diff(interval.low) > 0).all()
    assert (np.diff(interval.high) > 0).all()


@OF_A_COUNT
def test_shapes_are_kept(interval_of: IntervalOf) -> None:
    assert interval_of([]).low.shape == interval_of([]).high.shape == (0,)
    assert interval_of(3).low.shape == interval_of(3).high.shape == ()
    several, alone = interval_of([[3, 0], [1, 9]]), interval_of(9)
    assert several.low.shape == several.high.shape == (2, 2)
    assert_array_equal(several.high[1, 1], alone.high)


@OF_A_COUNT
@pytest.mark.parametrize("observed", [[np.nan], [-1], [0.5], [np.inf]])
def test_the_bad_argument_is_named(interval_of: IntervalOf, observed: ArrayLike) -> None:
    with pytest.raises(ValueError, match="observed"):
        interval_of(observed)
