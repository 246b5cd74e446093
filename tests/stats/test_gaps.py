"""Single gaps: published limits, exact quantiles, and how days are taken apart."""

from collections.abc import Callable
from math import ceil

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import expon, geom, kurtosis, skew

from pipeline.stats.gaps import g_chart, g_limits, g_sigma_limits, gaps_between_events, nelson_transform, t_chart
from pipeline.stats.individuals import moving_range_sigma
from pipeline.stats.rare import runs_to_events

from .conftest import Entry, untimed

DAYS = st.lists(st.integers(0, 12).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n))), max_size=30)


def test_valve_failures(check_value: Callable[[str], Entry]) -> None:
    """Montgomery, ch. 7, after Nelson (1994), Journal of Quality Technology 26:239-240 (from memory): none beyond."""
    entry = check_value("RAR-01")
    times, expected = entry["inputs"]["hours_between"], entry["expected"]
    transformed = nelson_transform(times)
    assert_allclose(transformed, expected["y"], atol=0.015)
    assert_allclose(transformed.mean(), expected["ybar"], atol=0.015)
    sigma = moving_range_sigma(transformed)
    assert_allclose(sigma * 1.128, expected["MRbar"], atol=0.015)
    chart = t_chart(times, transformed.mean(), sigma)
    assert_allclose(chart.upper, [expected["UCL_2.66"]] * 20, atol=0.015)
    assert_array_equal(chart.lower, np.zeros(20))
    assert_array_equal(chart.statistic, transformed)
    assert not chart.beyond.any()


def test_transformed_exponential_times_are_nearly_normal() -> None:
    """At 9,999 equally spaced quantiles neither skewed nor heavy-tailed; the times themselves are both."""
    times = expon.ppf(np.arange(1, 10_000) / 10_000)
    assert skew(times) > 1.5
    assert abs(skew(nelson_transform(times))) < 0.03
    assert abs(kurtosis(nelson_transform(times))) < 0.35


def test_short_times_are_a_rise_and_long_ones_a_fall() -> None:
    """Centre 4 and sigma 1 have limits of 1 and 7 to the power 3.6; a point on either is not beyond it."""
    times = np.array([0.9, 1.0, 4.0, 7.0, 7.1]) ** 3.6
    assert_array_equal(t_chart(times, 4.0, 1.0).beyond, [1, 0, 0, 0, -1])


def test_g_sigma_limits_have_the_published_values(check_value: Callable[[str], Entry]) -> None:
    """Benneyan (2001), Health Care Management Science 4:305-318 (formula from memory)."""
    entry = check_value("RAR-04")
    for mean, upper, sd in zip(entry["inputs"]["xbar"], entry["expected"]["UCL"], entry["expected"]["sd"], strict=True):
        limits = g_sigma_limits(mean)
        assert_allclose([limits.upper, (limits.upper - mean) / 3], [upper, sd], atol=1e-4)
        assert_allclose(geom(1 / (mean + 1)).std(), sd, atol=1e-4)
        assert limits.lower == 0
        assert limits.centre == mean


@untimed
@given(st.floats(1e-6, 1e5))
def test_g_limits_are_the_geometric_quantiles(mean: float) -> None:
    """SciPy's geometric distribution, moved to begin at 0; up to rounding where a quantile is met exactly."""
    limits, gap = g_limits(mean), geom(1 / (mean + 1), loc=-1)
    assert limits.centre == mean
    for limit, quantile in ((limits.lower, 0.00135), (limits.upper, 0.99865)):
        assert gap.cdf(limit) >= quantile - 1e-9
        assert gap.cdf(limit - 1) < quantile + 1e-9


def test_g_limits_have_the_published_values(check_value: Callable[[str], Entry]) -> None:
    """Xie, Goh & Kuralmani (2002), closed forms (from memory), rounded up to whole piercings, the event left out."""
    entry = check_value("RAR-02")
    limits = g_limits(1 / entry["inputs"]["p"] - 1)
    assert limits.lower == ceil(entry["expected"]["LCL"]) - 1
    assert limits.upper == ceil(entry["expected"]["UCL"]) - 1


def test_short_gaps_are_a_rise_and_long_ones_a_fall() -> None:
    limits = g_limits(1999.0)
    lower, upper = int(limits.lower), int(limits.upper)
    chart = g_chart([lower - 1, lower, 1999, upper, upper + 1], 1999.0)
    assert_array_equal(chart.beyond, [1, 0, 0, 0, -1])
    assert_array_equal([chart.lower, chart.centre, chart.upper], [[lower] * 5, [1999] * 5, [upper] * 5])


def test_events_of_one_day_stand_last_in_it() -> None:
    """Ten and then four event-free piercings before the first event of the second day, none before its second."""
    assert_array_equal(gaps_between_events([10, 6, 0, 5, 3], [0, 2, 0, 1, 0]), [14, 0, 4])


@untimed
@given(DAYS)
def test_gaps_add_up_and_agree_with_runs_of_one_event(days: list[tuple[int, int]]) -> None:
    """The same piercings one by one, in the stated order: a run to one event is its gap and the event."""
    n, observed = np.array(days, dtype=np.int64).reshape(-1, 2).T
    in_order = [event for size, events in days for event in [False] * (size - events) + [True] * events]
    gaps = gaps_between_events(n, observed)
    assert_array_equal(gaps, runs_to_events(in_order, 1).length - 1)
    assert len(gaps) == observed.sum()


def test_simulated_gaps_have_the_mean_and_the_tails_of_the_limits() -> None:
    """100,000 days of 6 piercings at 2 %: mean gap 49 (standard error 0.45), and at most 0.0027 of gaps beyond."""
    observed = np.random.default_rng(2001).binomial(6, 0.02, 100_000)
    gaps = gaps_between_events(np.full(100_000, 6), observed)
    assert abs(gaps.mean() - 49) < 3 * 0.45
    assert 0 < np.abs(g_chart(gaps, 49.0).beyond).mean() < 0.0027


def test_no_events_give_no_gaps_and_an_empty_chart() -> None:
    assert gaps_between_events([], []).shape == gaps_between_events([5, 5], [0, 0]).shape == (0,)
    for chart in (g_chart([], 9.0), t_chart([], 4.0, 1.0)):
        assert chart.statistic.shape == chart.lower.shape == chart.beyond.shape == (0,)


def test_without_any_gap_the_limits_are_zero() -> None:
    limits = g_limits(0.0)
    assert [limits.lower, limits.centre, limits.upper] == [0, 0, 0]


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: gaps_between_events([5], [6]), "observed"),
        (lambda: gaps_between_events([5], [0.5]), "observed"),
        (lambda: gaps_between_events([-1], [0]), "n "),
        (lambda: gaps_between_events([5, 5], [1, 1, 1]), "observed"),
        (lambda: gaps_between_events(5, 1), "n "),
        (lambda: g_limits(-1), "mean"),
        (lambda: g_limits(np.nan), "mean"),
        (lambda: g_sigma_limits(np.inf), "mean"),
        (lambda: g_chart([-1], 5), "gaps"),
        (lambda: g_chart([1.5], 5), "gaps"),
        (lambda: g_chart(1, 5), "gaps"),
        (lambda: nelson_transform([-1]), "times"),
        (lambda: nelson_transform(1), "times"),
        (lambda: t_chart([np.nan], 4, 1), "times"),
        (lambda: t_chart([1], np.nan, 1), "centre"),
        (lambda: t_chart([1], 4, 0), "sigma"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
