"""The reporting delay under right truncation: reference values, two other estimators, and a known truth recovered."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import ArrayLike, NDArray
from scipy.stats import gamma

from pipeline.stats.delay import PRIOR_EVENTS, assumed_cdf, estimate_delay

from .conftest import Columns, Entry, untimed

EVENTS = st.lists(
    st.tuples(st.integers(0, 12), st.integers(0, 12)).map(lambda pair: (min(pair), max(pair))), min_size=1, max_size=40
)
"""Delays with the truncation under which each was seen."""


def test_children_infected_by_transfusion(
    check_value: Callable[[str], Entry], data_columns: Callable[[str], Columns]
) -> None:
    """Lagakos, Barraj & De Gruttola (1988), Biometrika 75:515-523; data of Klein & Moeschberger, sect. 1.19.

    Their Table 5.3 was not opened; the values were computed with other code. P(X < x) is the estimate just below x.
    """
    entry = check_value("DEL-04")
    data = data_columns("kmsurv_aids_transfusion.csv")
    child = data["adult"] == 0
    distribution = estimate_delay(data["induct"][child], 8 - data["infect"][child], prior_events=0)
    below = distribution.cdf(np.nextafter(entry["expected"]["x"], 0))
    assert_allclose(below, entry["expected"]["P_X_less_than_x_given_X<=8"], atol=6e-5)


def test_chain_ladder_is_the_same_estimator(check_value: Callable[[str], Entry]) -> None:
    """Taylor & Ashe (1983) triangle and Mack's (1993) development factors (from memory).

    Taken as events (one for each thousand of the amounts), the factors are the ratios of the estimated distribution
    from one delay to the next; rounding to thousands leaves three digits.
    """
    entry = check_value("DEL-01")
    delays, truncations = [], []
    for cumulative in entry["inputs"]["cumulative_triangle"]:
        reported = np.rint(np.diff(cumulative, prepend=0) / 1000).astype(int)
        delays.append(np.repeat(np.arange(len(reported)), reported))
        truncations.append(np.full(reported.sum(), len(reported) - 1))
    known = estimate_delay(np.concatenate(delays), np.concatenate(truncations), prior_events=0).cdf(np.arange(10))
    assert_allclose(known[1:] / known[:-1], entry["expected"]["factors"], rtol=5e-4)


def _direct(delays: NDArray[np.int64], truncations: NDArray[np.int64], k: int) -> float:
    """The product as it is written, one delay at a time."""
    product = 1.0
    for j in set(delays.tolist()):
        if j > k:
            product *= 1 - (delays == j).sum() / ((delays <= j) & (truncations >= j)).sum()
    return float(product)


@untimed
@given(EVENTS)
def test_equals_the_product_as_written(events: list[tuple[int, int]]) -> None:
    delays, truncations = np.array(events).T
    distribution = estimate_delay(delays, truncations, prior_events=0)
    first = int(delays.min())
    days = np.arange(first, 14)
    written = np.array([_direct(delays, truncations, int(k)) for k in days])
    assert_allclose(distribution.cdf(days), written, atol=1e-12)
    assert distribution.cdf(first - 1) == 0


@untimed
@given(EVENTS)
def test_drawn_towards_the_assumed_distribution_as_written(events: list[tuple[int, int]]) -> None:
    """Each q is (d + m h) / (Y + m), at every whole day to 120, one factor at a time."""
    delays, truncations = np.array(events).T
    product, written = 1.0, {}
    for j in range(120, 0, -1):
        written[j] = product
        at_risk = ((delays <= j) & (truncations >= j)).sum()
        assumed = 1 - assumed_cdf(j - 1) / assumed_cdf(j)
        product *= 1 - ((delays == j).sum() + PRIOR_EVENTS * assumed) / (at_risk + PRIOR_EVENTS)
    written[0] = product
    days = np.arange(121)
    assert_allclose(estimate_delay(delays, truncations).cdf(days), [written[day] for day in days], atol=1e-12)


@untimed
@given(EVENTS)
def test_is_a_distribution(events: list[tuple[int, int]]) -> None:
    distribution = estimate_delay(*np.array(events).T)
    known = distribution.cdf(np.arange(-3, 400))
    assert (np.diff(known) >= 0).all()
    assert_array_equal(known[:3], 0)
    assert_allclose(known[-1], 1)
    assert distribution.cdf(5).shape == ()


@untimed
@given(st.lists(st.integers(0, 30), min_size=100, max_size=150))
def test_without_truncation_it_is_the_share_of_delays_so_far(delays: list[int]) -> None:
    distribution = estimate_delay(delays, np.full(len(delays), 1000), prior_events=0)
    share = [np.mean(np.array(delays) <= k) for k in range(31)]
    assert_allclose(distribution.cdf(np.arange(31)), share, atol=1e-12)


def test_recovers_a_known_distribution_where_plain_counting_does_not() -> None:
    """Delays are gamma, mean 16 days; events of the last 60 days are seen only if known by now."""
    random = np.random.default_rng(1988)
    delays = np.floor(random.gamma(2.0, 8.0, 40_000))
    truncations = random.integers(0, 60, 40_000)
    seen = delays <= truncations
    distribution = estimate_delay(delays[seen], truncations[seen])
    days = np.arange(50)
    truth = gamma.cdf(days + 1, 2.0, scale=8.0) / gamma.cdf(60, 2.0, scale=8.0)
    counted = np.array([(delays[seen] <= k).mean() for k in days])
    assert np.abs(distribution.cdf(days) - truth).max() < 0.01
    assert np.abs(counted - truth).max() > 0.08


def test_a_single_old_event_does_not_carry_the_whole_estimate() -> None:
    """A young chain: one event was seen after 50 days; no other piercing is old enough to have shown one so late."""
    delays, truncations = [50] + [3] * 100, [50] + [10] * 100
    assert estimate_delay(delays, truncations, prior_events=0).cdf(49) == 0
    assert estimate_delay(delays, truncations).cdf(49) > 0.8


def test_many_events_outweigh_the_assumed_distribution() -> None:
    known = estimate_delay([3] * 5000, [400] * 5000).cdf([2, 3])
    assert known[0] < 0.002
    assert known[1] > 0.998


def test_no_events_leave_the_assumed_distribution() -> None:
    days = np.arange(-2, 60)
    distribution = estimate_delay([], [])
    assert distribution.events == 0
    assert_array_equal(distribution.delays, np.arange(121))
    assert_allclose(distribution.cdf(days), assumed_cdf(days), atol=1e-10)


def test_a_delay_beyond_the_assumed_longest_is_kept() -> None:
    distribution = estimate_delay([200], [300])
    assert distribution.cdf(199) < 1
    assert distribution.cdf(200) == 1


def test_neither_events_nor_a_prior() -> None:
    with pytest.raises(ValueError, match="delays"):
        estimate_delay([], [], prior_events=0)


def test_assumed_distribution() -> None:
    """1 - exp(-((k + 1) / 14)^1.5), by hand: at 13 days 1 - 1/e, at 27 days 1 - exp(-2 sqrt 2)."""
    assert_allclose(assumed_cdf([-1, 13, 27]), [0, 1 - np.exp(-1), 1 - np.exp(-2 * np.sqrt(2))], rtol=1e-12)
    assert_allclose(assumed_cdf(0), 1 - np.exp(-(14**-1.5)), rtol=1e-12)
    assert_array_equal(assumed_cdf([-20, -0.5]), [0, 0])
    assert assumed_cdf(9) < 0.5 < assumed_cdf(10)
    assert assumed_cdf(23) < 0.9 < assumed_cdf(24)


@pytest.mark.parametrize(
    ("delays", "truncations", "named"),
    [
        ([-1], [5], "delays"),
        ([np.nan], [5], "delays"),
        ([1], [np.nan], "truncations"),
        ([1], [-2], "truncations"),
        ([6], [5], "delays must be at most truncations"),
        ([1, 2], [5, 5, 5], "truncations"),
        (1, 5, "delays"),
    ],
)
def test_the_bad_argument_is_named(delays: ArrayLike, truncations: ArrayLike, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        estimate_delay(delays, truncations)
