"""Laney's charts: textbook data, what defines them, and a simulated excess that is recovered."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.stats.control_chart import chart_against
from pipeline.stats.laney import laney_p_baseline, laney_p_chart, laney_u_baseline, laney_u_chart
from pipeline.stats.shewhart import p_sigma_limits, u_sigma_limits

from .conftest import Entry, untimed

SHARES = st.lists(st.integers(5, 500).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, n))), min_size=1)


def test_sigma_z_of_textbook_data(check_value: Callable[[str], Entry]) -> None:
    """Laney (2002) (formula from memory) on two data sets of Montgomery; the lower limit below 0 is given as 0."""
    expected = check_value("SHW-10")["expected"]
    limits = []
    for name, sigma_z in zip(("SHW-01", "SHW-03"), expected["sigma_z"], strict=True):
        inputs = check_value(name)["inputs"]
        observed = np.array(inputs["defectives"])
        n = np.broadcast_to(inputs["n"], observed.shape)
        baseline = laney_p_baseline(n, observed)
        assert_allclose(baseline.sigma_z, sigma_z, atol=1e-4)
        assert baseline.rate == observed.sum() / n.sum()
        chart = laney_p_chart(n, observed, baseline.rate, baseline.sigma_z)
        limits.append([chart.lower[0], chart.upper[0]])
    assert_allclose(limits[0], [0, expected["SHW01_limits"][1]], atol=1e-4)
    assert_allclose(limits[1], expected["SHW03_limits_first"], atol=1e-4)


@untimed
@given(SHARES, st.floats(0, 1))
def test_sigma_z_one_gives_the_three_sigma_limits(shares: list[tuple[int, int]], p: float) -> None:
    n, observed = np.array(shares).T
    for chart, plain in (
        (laney_p_chart(n, observed, p, 1.0), chart_against(observed / n, p_sigma_limits(n, p))),
        (laney_u_chart(n, observed, p, 1.0), chart_against(observed / n, u_sigma_limits(n, p))),
    ):
        assert_allclose([chart.lower, chart.upper], [plain.lower, plain.upper], atol=1e-12)
        assert_array_equal(chart.beyond, plain.beyond)


def test_sigma_z_recovers_the_simulated_excess() -> None:
    """3,000 weeks of 20,000 piercings: the true shares differ by twice chance, so all together by sqrt(5) of it."""
    random = np.random.default_rng(2002)
    n, p = np.full(3000, 20_000), 0.03
    chance = np.sqrt(p * (1 - p) / n)
    plain = laney_p_baseline(n, random.binomial(n, p))
    assert_allclose(plain.sigma_z, 1, rtol=0.05)
    observed = random.binomial(n, random.normal(p, 2 * chance))
    baseline = laney_p_baseline(n, observed)
    assert_allclose(baseline.sigma_z, np.sqrt(5), rtol=0.05)
    by_units = laney_u_baseline(n, random.poisson(n * random.normal(p, 2 * np.sqrt(p / n))))
    assert_allclose(by_units.sigma_z, np.sqrt(5), rtol=0.05)
    assert np.abs(laney_p_chart(n, observed, p, 1.0).beyond).mean() > 0.1
    assert np.abs(laney_p_chart(n, observed, p, baseline.sigma_z).beyond).mean() < 0.006


def test_rates_by_hand() -> None:
    """At 2 per unit in all, rates of 1 and 3 stand one error of chance off on either side: z of -1 and 1."""
    baseline = laney_u_baseline([2.0, 2.0], [2, 6])
    assert baseline.rate == 2
    assert_allclose(baseline.sigma_z, 2 / 1.128)
    chart = laney_u_chart([2.0, 8.0], [2, 36], 2.0, 1.5)
    assert_allclose(chart.upper, [6.5, 4.25])
    assert_array_equal(chart.lower, [0, 0])
    assert_array_equal(chart.beyond, [0, 1])


def test_limits_stay_within_the_possible() -> None:
    assert_array_equal(laney_p_chart([10], [10], 0.9, 5.0).upper, [1])
    assert_array_equal(laney_p_chart([10], [0], 0.1, 5.0).lower, [0])
    assert_array_equal(laney_p_chart([1], [1], 0.9, 1.0).upper, [1])


def test_no_subgroups_give_an_empty_chart() -> None:
    for chart in (laney_p_chart([], [], 0.1, 1.0), laney_u_chart([], [], 0.1, 1.0)):
        assert chart.statistic.shape == chart.upper.shape == chart.beyond.shape == (0,)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: laney_p_baseline([], []), "values"),
        (lambda: laney_p_baseline([5], [1]), "values"),
        (lambda: laney_p_baseline([5, 0], [1, 0]), "n "),
        (lambda: laney_p_baseline([5, 5], [1, 6]), "observed"),
        (lambda: laney_p_baseline([5, 5], [0, 0]), "observed"),
        (lambda: laney_p_baseline([5, 5], [5, 5]), "observed"),
        (lambda: laney_p_baseline([5, 5], [1, 1, 1]), "observed"),
        (lambda: laney_u_baseline([], []), "values"),
        (lambda: laney_u_baseline([1, 0], [1, 1]), "units"),
        (lambda: laney_u_baseline([1, 1], [0, 0]), "observed"),
        (lambda: laney_p_chart([5], [1], 1.1, 1), "p "),
        (lambda: laney_p_chart([5], [1], 0.1, 0), "sigma_z"),
        (lambda: laney_u_chart([5], [-1], 0.1, 1), "observed"),
        (lambda: laney_u_chart([5], [1], -0.1, 1), "u "),
        (lambda: laney_u_chart([5], [1], 0.1, np.nan), "sigma_z"),
        (lambda: laney_u_chart(5, 1, 0.1, 1), "units"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
