"""The widened p chart: when a baseline's weeks clearly vary by more than chance, and how wide its limits then are."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import chi2_contingency

from pipeline.stats.laney import laney_p_baseline, laney_p_chart
from pipeline.stats.shewhart import p_chart
from pipeline.stats.widened import CONFIDENCE, sigma_z_beyond_chance, widened_p_chart

from .conftest import untimed

N = np.array([480, 520, 500, 455, 610, 530, 470, 505] * 4)
RNG = np.random.default_rng(20310504)


def test_the_sum_of_squares_is_that_of_a_contingency_table() -> None:
    """SciPy's chi-square test of weeks by infected or not, with the same degrees of freedom, decides alike."""
    decided = set()
    for spread in (0.0, 0.003, 0.006, 0.02):
        for _ in range(25):
            shares = np.clip(0.03 + spread * RNG.standard_normal(N.size), 0.001, 1)
            observed = RNG.binomial(N, shares)
            test = chi2_contingency([observed, N - observed], correction=False)
            assert test.dof == N.size - 1
            is_clear = test.pvalue < 1 - CONFIDENCE
            decided.add(is_clear)
            sigma_z = laney_p_baseline(N, observed).sigma_z
            assert sigma_z_beyond_chance(N, observed) == (max(1.0, sigma_z) if is_clear else 1.0)
    assert decided == {True, False}


def test_weeks_of_chance_are_widened_one_time_in_twenty() -> None:
    n_runs = 2000
    widened = [sigma_z_beyond_chance(N, row) > 1 for row in RNG.binomial(N, 0.03, (n_runs, N.size))]
    assert_allclose(np.mean(widened), 0.05, atol=3 * np.sqrt(0.05 * 0.95 / n_runs))


def test_sigma_z_recovers_the_simulated_excess() -> None:
    """Weeks whose z have 2.5 times the standard deviation of chance."""
    z = 2.5 * RNG.standard_normal(4000)
    n = np.full(4000, 20_000)
    observed = np.rint(n * (0.2 + z * np.sqrt(0.16 / n))).astype(int)
    assert_allclose(sigma_z_beyond_chance(n, observed), 2.5, rtol=0.05)


@untimed
@given(
    st.lists(st.tuples(st.integers(1, 900), st.floats(0, 1)), min_size=1, max_size=12),
    st.floats(0.005, 0.6),
    st.floats(1, 5),
)
def test_limits_are_never_narrower_than_exact_ones(weeks: list[tuple[int, float]], p: float, sigma_z: float) -> None:
    n = np.array([size for size, _ in weeks])
    observed = np.array([int(size * share) for size, share in weeks])
    wide, exact, laney = (
        widened_p_chart(n, observed, p, sigma_z), p_chart(n, observed, p), laney_p_chart(n, observed, p, sigma_z)
    )  # fmt: skip
    assert_array_equal(wide.centre, exact.centre)
    if sigma_z > 1:
        assert_array_equal(wide.lower, np.minimum(exact.lower, laney.lower))
        assert_array_equal(wide.upper, np.maximum(exact.upper, laney.upper))
    assert (np.abs(wide.beyond) <= np.abs(exact.beyond)).all()


def test_without_an_excess_the_chart_is_the_exact_one() -> None:
    chart, exact = widened_p_chart([100, 1000], [9, 40], 0.03, 1.0), p_chart([100, 1000], [9, 40], 0.03)
    assert laney_p_chart([1000], [40], 0.03, 1.0).lower < exact.lower[1]  # here three standard deviations are wider
    assert_array_equal([chart.lower, chart.upper, chart.beyond], [exact.lower, exact.upper, exact.beyond])


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: sigma_z_beyond_chance([5, 5], [0, 0]), "observed must"),
        (lambda: sigma_z_beyond_chance([5, 0], [1, 0]), "n must"),
        (lambda: sigma_z_beyond_chance([5], [1]), "values must"),
        (lambda: widened_p_chart([5], [6], 0.1, 2.0), "observed must"),
        (lambda: widened_p_chart([5], [1], 0.1, 0.0), "sigma_z must"),
        (lambda: widened_p_chart([5], [1], 1.1, 1.0), "p must"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
