"""CUSUM paths of a probability or a rate against SciPy's likelihoods, and against each other."""

from collections.abc import Callable
from math import log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import bernoulli, poisson

from pipeline.stats.cusum import Cusum, tabular_cusum
from pipeline.stats.likelihood_cusum import (
    bernoulli_cusum,
    bernoulli_reference,
    poisson_cusum,
    poisson_reference,
    risk_adjusted_cusum,
    risk_adjusted_weights,
)

from .conftest import Entry, untimed

EVENTS = st.lists(st.booleans(), max_size=200)
PROBABILITIES = st.floats(0.001, 0.999)


@untimed
@given(PROBABILITIES, PROBABILITIES.filter(lambda p: p != 0.5), st.integers(0, 9), st.floats(0.01, 50))
def test_weights_are_log_likelihood_ratios(p0: float, p1: float, count: int, mean: float) -> None:
    """One point from a high start adds what SciPy's distributions say; the paths differ by it alone."""
    start, ratio = 1e4, p1 / 0.5
    if p0 != p1:
        for event in (0, 1):
            path = bernoulli_cusum([event], p0, p1, start, start)
            change = bernoulli.logpmf(event, p1) - bernoulli.logpmf(event, p0)
            assert_allclose(path.statistic - start, change, atol=1e-9)
    path = poisson_cusum([count], [mean], ratio, start, start)
    change = poisson.logpmf(count, mean * ratio) - poisson.logpmf(count, mean)
    assert_allclose(path.statistic - start, change, atol=1e-9)
    changed_risk = ratio * p0 / (1 - p0 + ratio * p0)
    for event in (0, 1):
        path = risk_adjusted_cusum([event], [p0], ratio, start, start)
        change = bernoulli.logpmf(event, changed_risk) - bernoulli.logpmf(event, p0)
        assert_allclose(path.statistic - start, change, atol=1e-9)


def test_one_risk_for_all_is_the_bernoulli_cusum(check_value: Callable[[str], Entry]) -> None:
    """Steiner et al. (2000) with Reynolds & Stoumbos (1999), by algebra: in whole numbers, an event adds 60, else -1.

    With p1 = 0.025011250 the two logarithms stand 61 to 1. Signals are the same at every piercing and any threshold.
    """
    p0, p1 = check_value("RAC-02")["inputs"]["p"], 0.025011250
    odds_ratio = p1 / (1 - p1) / (p0 / (1 - p0))
    assert_allclose(bernoulli_reference(p0, p1), 1 / 61, rtol=1e-7)
    random = np.random.default_rng(61)
    for whole_h in (60, 120, 121, 183, 250):
        h = whole_h / 61 * log(odds_ratio)
        flags = random.random(4000) < 0.02
        now, beyond = 0, []
        for event in flags:
            now = max(0, now + (60 if event else -1))
            beyond.append(now > whole_h)
        by_risk = risk_adjusted_cusum(flags, np.full(4000, p0), odds_ratio, h)
        by_probability = bernoulli_cusum(flags, p0, p1, h)
        assert any(beyond)
        assert_array_equal(by_risk.beyond, beyond)
        assert_array_equal(by_probability.beyond, beyond)
        assert_allclose(by_risk.statistic, by_probability.statistic, atol=1e-9)


@untimed
@given(EVENTS, PROBABILITIES, PROBABILITIES)
def test_the_bernoulli_reference_scales_the_path(event_flags: list[bool], p0: float, p1: float) -> None:
    if abs(p0 - p1) < 1e-6:
        return
    log_odds_ratio = log(p1 / (1 - p1)) - log(p0 / (1 - p0))
    in_events = tabular_cusum(event_flags, bernoulli_reference(p0, p1), 0.0, 100.0)
    path = in_events.rise if p1 > p0 else in_events.fall
    own = bernoulli_cusum(event_flags, p0, p1, 100.0)
    assert_allclose(own.statistic, abs(log_odds_ratio) * path.statistic, atol=1e-7)


@untimed
@given(st.lists(st.integers(0, 30), max_size=50), st.floats(0.1, 20), st.sampled_from([0.3, 0.8, 1.5, 3.0]))
def test_the_poisson_reference_scales_the_path(observed: list[int], expected: float, ratio: float) -> None:
    in_events = tabular_cusum(observed, poisson_reference(expected, ratio), 0.0, 100.0)
    path = in_events.rise if ratio > 1 else in_events.fall
    own = poisson_cusum(observed, np.full(len(observed), expected), ratio, 100.0)
    assert_allclose(own.statistic, abs(log(ratio)) * path.statistic, atol=1e-7)


def test_risks_of_their_own_matter() -> None:
    """An event at low risk speaks for a rise more than one at high risk; a subgroup that expects none adds nothing."""
    low, high = (risk_adjusted_cusum([True], [risk], 2.0, 9.0).statistic[0] for risk in (0.01, 0.5))
    assert low > high > 0
    assert_array_equal(poisson_cusum([3, 0], [1.0, 0.0], 2.0, 9.0).statistic[[0, 0]], [3 * log(2) - 1] * 2)
    assert np.ptp(poisson_cusum([3, 0], [1.0, 0.0], 2.0, 9.0).statistic) == 0


@pytest.mark.parametrize(
    "path", [bernoulli_cusum([], 0.1, 0.2, 3), poisson_cusum([], [], 2, 3), risk_adjusted_cusum([], [], 2, 3)]
)
def test_no_points_give_an_empty_path(path: Cusum) -> None:
    assert path.statistic.shape == path.beyond.shape == (0,)
    assert path.first_signal is None


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: bernoulli_cusum([2], 0.1, 0.2, 3), "event_flags"),
        (lambda: bernoulli_cusum([1], 0, 0.2, 3), "p0"),
        (lambda: bernoulli_cusum([1], 0.1, 1, 3), "p1"),
        (lambda: bernoulli_cusum([1], 0.1, 0.1, 3), "p1"),
        (lambda: bernoulli_reference(np.nan, 0.1), "p0"),
        (lambda: bernoulli_reference(0.1, 0.1), "p1"),
        (lambda: poisson_cusum([0.5], [1], 2, 3), "observed"),
        (lambda: poisson_cusum([1], [-1], 2, 3), "expected"),
        (lambda: poisson_cusum([1, 1], [1, 1, 1], 2, 3), "expected"),
        (lambda: poisson_cusum([1], [1], 0, 3), "ratio"),
        (lambda: poisson_cusum([1], [1], 1, 3), "ratio"),
        (lambda: poisson_reference(-1, 2), "expected"),
        (lambda: poisson_reference(1, 1), "ratio"),
        (lambda: risk_adjusted_cusum([1], [0], 2, 3), "risk"),
        (lambda: risk_adjusted_cusum([1], [1], 2, 3), "risk"),
        (lambda: risk_adjusted_cusum([1, 0], [0.1] * 3, 2, 3), "risk"),
        (lambda: risk_adjusted_cusum([1], [0.1], 1, 3), "odds_ratio"),
        (lambda: risk_adjusted_cusum([1], [0.1], -2, 3), "odds_ratio"),
        (lambda: risk_adjusted_weights([1.0], 2), "risk"),
        (lambda: risk_adjusted_weights([0.5], 1), "odds_ratio"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
