"""The EWMA chart: a handbook's example, its recursion, and limits from the weights themselves."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.stats.ewma import ewma, ewma_chart, ewma_limits, steady_ewma_limits

from .conftest import Entry, untimed

WEIGHTS = st.floats(0.01, 1)


def test_handbook_example(check_value: Callable[[str], Entry]) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (opened)."""
    entry = check_value("EWM-01")
    inputs, expected = entry["inputs"], entry["expected"]
    average = ewma(inputs["x"], inputs["start"], inputs["lambda"])
    limits = steady_ewma_limits(inputs["start"], inputs["s"], inputs["lambda"])
    assert_allclose(average, expected["ewma"], atol=0.0051)
    assert_allclose([limits.lower[0], limits.upper[0]], [expected["LCL"], expected["UCL"]], atol=2e-4)
    chart = ewma_chart(inputs["x"], inputs["start"], inputs["s"], inputs["lambda"])
    assert np.flatnonzero(chart.beyond).tolist() == expected["signals"]
    assert_array_equal(chart.statistic, average)


@untimed
@given(st.lists(st.floats(-1e3, 1e3), max_size=50), st.floats(-10, 10), WEIGHTS)
def test_equals_its_recursion(values: list[float], target: float, weight: float) -> None:
    now, averages = target, []
    for value in values:
        now = weight * value + (1 - weight) * now
        averages.append(now)
    assert_allclose(ewma(values, target, weight), averages, atol=1e-9)


@untimed
@given(st.integers(1, 40), WEIGHTS, st.floats(0.1, 10), st.floats(0, 5))
def test_limits_have_the_variance_of_the_weights(n: int, weight: float, sigma: float, width: float) -> None:
    """What each value contributes to each average, seen by sending single ones through: squares add to the variance."""
    contributions = np.array([ewma(np.eye(n)[i], 0.0, weight) for i in range(n)])
    limits = ewma_limits(n, 7.0, sigma, weight, width)
    distance = width * sigma * np.sqrt((contributions**2).sum(axis=0))
    assert_allclose(limits.upper - 7, distance, atol=1e-9)
    assert_allclose(7 - limits.lower, distance, atol=1e-9)
    assert_array_equal(limits.centre, np.full(n, 7.0))


@untimed
@given(st.floats(0.05, 1))
def test_limits_widen_to_the_steady_ones(weight: float) -> None:
    limits, steady = ewma_limits(400, 2.0, 3.0, weight), steady_ewma_limits(2.0, 3.0, weight)
    assert (np.diff(limits.upper) >= 0).all()
    assert_allclose([limits.lower[-1], limits.upper[-1]], [steady.lower[0], steady.upper[0]])


def test_weight_one_is_the_chart_of_single_values() -> None:
    """On the limit at three standard deviations is not beyond it."""
    chart = ewma_chart([3.0, 3.001, -3.0, -3.001], 0.0, 1.0, 1.0)
    assert_array_equal(chart.statistic, [3.0, 3.001, -3.0, -3.001])
    assert_array_equal(chart.beyond, [0, 1, 0, -1])
    assert_array_equal([chart.lower, chart.centre, chart.upper], [[-3] * 4, [0] * 4, [3] * 4])


def test_early_points_are_held_to_their_own_limits() -> None:
    """A first value of 3.5 sigmas is beyond its limit, though its average lies within the steady ones."""
    chart = ewma_chart([3.5], 0.0, 1.0, 0.2)
    assert_array_equal(chart.beyond, [1])
    assert chart.statistic < steady_ewma_limits(0.0, 1.0, 0.2).upper


def test_no_values_give_an_empty_chart() -> None:
    chart = ewma_chart([], 0.0, 1.0, 0.2)
    assert [part.shape for part in (chart.statistic, chart.centre, chart.lower, chart.upper, chart.beyond)] == [
        (0,)
    ] * 5


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: ewma([np.inf], 0, 0.2), "values"),
        (lambda: ewma([[1.0]], 0, 0.2), "values"),
        (lambda: ewma([1], np.nan, 0.2), "target"),
        (lambda: ewma([1], 0, 0), "weight"),
        (lambda: ewma([1], 0, 1.1), "weight"),
        (lambda: ewma_limits(-1, 0, 1, 0.2), "n "),
        (lambda: ewma_limits(3, 0, 0, 0.2), "sigma"),
        (lambda: ewma_limits(3, 0, 1, np.nan), "weight"),
        (lambda: ewma_limits(3, np.nan, 1, 0.2), "target"),
        (lambda: steady_ewma_limits(0, 1, 0.2, -1), "width"),
        (lambda: steady_ewma_limits(0, 1, 0), "weight"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
