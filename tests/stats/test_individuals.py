"""Individuals and moving ranges: small examples by hand, and simulated values whose spread is known."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.stats.individuals import individuals_chart, moving_range_sigma

from .conftest import untimed


def test_sigma_and_limits_by_hand() -> None:
    """Ranges 2, 1 and 3 have the mean 2: limits stand 2.66 times that from the mean of 11.5."""
    values = [10.0, 12.0, 11.0, 14.0]
    sigma = moving_range_sigma(values)
    assert_allclose(sigma, 2 / 1.128)
    chart = individuals_chart(values, 11.75, sigma)
    assert_allclose([chart.lower, chart.upper], [[11.75 - 5.32] * 4, [11.75 + 5.32] * 4], atol=0.002)
    assert_array_equal(chart.centre, [11.75] * 4)
    assert_array_equal(chart.statistic, values)


def test_sigma_of_simulated_values() -> None:
    """40,000 normal values of standard deviation 3; a jump half way leaves it nearly so, unlike the ordinary one."""
    values = np.random.default_rng(1128).normal(5, 3, 40_000)
    assert_allclose(moving_range_sigma(values), 3, rtol=0.02)
    values[20_000:] += 30
    assert_allclose(moving_range_sigma(values), 3, rtol=0.02)
    assert values.std() > 15


@pytest.mark.parametrize(("centre", "sigma"), [(0.0, 1.0), (0.3, 0.1), (1e3, 1e-3), (-7.7, 0.7)])
def test_a_point_on_a_limit_is_not_beyond_it(centre: float, sigma: float) -> None:
    steps = np.array([-3.01, -3, 0, 3, 3.01])
    assert_array_equal(individuals_chart(centre + steps * sigma, centre, sigma).beyond, [-1, 0, 0, 0, 1])


@untimed
@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=30), st.floats(0.01, 100), st.floats(-1e3, 1e3))
def test_sigma_scales_with_the_values_and_ignores_their_level(values: list[float], scale: float, level: float) -> None:
    moved = scale * np.array(values) + level
    assert_allclose(moving_range_sigma(moved), scale * moving_range_sigma(values), rtol=1e-6, atol=1e-8)
    assert moving_range_sigma(values[::-1]) == pytest.approx(moving_range_sigma(values))


def test_no_values_give_an_empty_chart() -> None:
    chart = individuals_chart([], 1.0, 1.0)
    assert chart.statistic.shape == chart.lower.shape == chart.beyond.shape == (0,)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: moving_range_sigma([]), "values"),
        (lambda: moving_range_sigma([1]), "values"),
        (lambda: moving_range_sigma([1, np.nan]), "values"),
        (lambda: moving_range_sigma([[1, 2]]), "values"),
        (lambda: individuals_chart([np.inf], 0, 1), "values"),
        (lambda: individuals_chart([1], np.nan, 1), "centre"),
        (lambda: individuals_chart([1], 0, 0), "sigma"),
        (lambda: individuals_chart([1], 0, -1), "sigma"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
