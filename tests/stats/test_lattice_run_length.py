"""Run lengths of Bernoulli and Poisson CUSUMs: closed forms, exact enumeration, and the charts themselves."""

from collections.abc import Callable
from fractions import Fraction
from math import exp, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.stats import bernoulli, poisson

from pipeline.stats.lattice_run_length import bernoulli_run_length, poisson_run_length
from pipeline.stats.likelihood_cusum import bernoulli_cusum, bernoulli_reference, poisson_cusum, poisson_reference
from pipeline.stats.run_length import threshold_for

from .conftest import untimed


@untimed
@given(st.floats(0.001, 1), st.integers(0, 20), st.data())
def test_small_charts_by_hand(p: float, h: int, data: st.DataObject) -> None:
    """Without a reference value the events add up: h + 1 of them are above h, fewer with a headstart."""
    headstart = data.draw(st.integers(0, h))
    expected = (h + 1 - headstart) / p
    assert_allclose(bernoulli_run_length(p, Fraction(0), h, Fraction(headstart)), expected)
    assert_allclose(bernoulli_run_length(p, Fraction(1, 5), 0.7), 1 / p)  # the first event is above the threshold
    assert_allclose(poisson_run_length(p, Fraction(0), 0), 1 / (1 - exp(-p)))


def test_certain_events_climb_straight() -> None:
    """Steps of 4/5 from 0: 4 is reached with the fifth and passed with the sixth."""
    assert_allclose(bernoulli_run_length(1.0, Fraction(1, 5), 4), 6)
    assert_allclose(bernoulli_run_length(1.0, Fraction(1, 5), Fraction(4), Fraction(4, 5)), 5)


def test_a_decimal_threshold_on_the_lattice_stands_for_its_multiple() -> None:
    """100 times 1.15 is less than 115 in binary; a sum of 115/100 is on that threshold all the same."""
    assert 100 * 1.15 < 115
    k = Fraction(1, 100)
    for run_length in (bernoulli_run_length, poisson_run_length):
        for h in (1.15, Fraction(115, 100)):
            assert run_length(0.1, k, h) == run_length(0.1, k, 1.155)
            assert run_length(0.1, k, h) > run_length(0.1, k, 1.145) * (1 + 1e-6)


def _by_enumeration(chances: np.ndarray, k: Fraction, h: Fraction, headstart: Fraction, points: int) -> float:
    """The sum over t of P(no signal by t), all paths followed in exact sums."""
    alive, total = {headstart: 1.0}, 1.0
    for _ in range(points):
        after: dict[Fraction, float] = {}
        for value, weight in alive.items():
            for count, chance in enumerate(chances):
                following = max(Fraction(0), value + count - k)
                if following <= h:
                    after[following] = after.get(following, 0.0) + weight * chance
        alive = after
        total += sum(alive.values())
    return total


@pytest.mark.parametrize(
    ("k", "h", "headstart"),
    [("1/4", "3/2", "0"), ("1/4", "3/2", "3/4"), ("2/7", "1", "1/3"), ("1/3", "5/4", "1/2")],
)
def test_bernoulli_equals_enumeration(k: str, h: str, headstart: str) -> None:
    scheme = Fraction(k), Fraction(h), Fraction(headstart)
    expected = _by_enumeration(bernoulli.pmf([0, 1], 0.3), *scheme, 400)
    assert_allclose(bernoulli_run_length(0.3, *scheme), expected, rtol=1e-6)


@pytest.mark.parametrize(("k", "h", "headstart"), [("3/2", "3/2", "0"), ("2", "2", "3/2"), ("4/3", "2", "1")])
def test_poisson_equals_enumeration(k: str, h: str, headstart: str) -> None:
    scheme = Fraction(k), Fraction(h), Fraction(headstart)
    expected = _by_enumeration(poisson.pmf(np.arange(6), 1.4), *scheme, 600)
    assert_allclose(poisson_run_length(1.4, *scheme), expected, rtol=1e-6)


def _first_signals(beyond: list[np.ndarray]) -> np.ndarray:
    assert all(path.any() for path in beyond)
    return np.array([np.argmax(path) + 1 for path in beyond])


@pytest.mark.parametrize("p", [0.05, 0.09])
def test_simulated_charts_have_the_run_length(p: float) -> None:
    """1,000 charts whose alternative puts the reference value at 1/15, in log-likelihood units, on the lattice's h."""
    p1 = brentq(lambda p1: bernoulli_reference(0.05, p1) - 1 / 15, 0.051, 0.5, xtol=1e-15)
    log_odds_ratio = log(p1 / (1 - p1)) - log(0.05 / 0.95)
    flags = np.random.default_rng(1999).random((1000, 4000)) < p
    firsts = _first_signals([bernoulli_cusum(row, 0.05, p1, 32 / 15 * log_odds_ratio).beyond for row in flags])
    error = firsts.std() / np.sqrt(len(firsts))
    assert abs(firsts.mean() - bernoulli_run_length(p, Fraction(1, 15), Fraction(32, 15))) < 2 * error


def test_simulated_weeks_have_the_run_length() -> None:
    """1,000 charts of weeks that expect 4, looking for half as many again; the reference value as a near fraction."""
    counts = np.random.default_rng(1985).poisson(4, size=(1000, 1500))
    expected, h = np.full(1500, 4.0), 5.0
    firsts = _first_signals([poisson_cusum(row, expected, 1.5, h * log(1.5)).beyond for row in counts])
    k = Fraction(poisson_reference(4.0, 1.5)).limit_denominator(50)
    error = firsts.std() / np.sqrt(len(firsts))
    assert abs(firsts.mean() - poisson_run_length(4.0, k, h)) < 2 * error


def test_the_threshold_is_the_smallest_on_the_lattice() -> None:
    k = Fraction(1, 40)
    h = threshold_for(1000.0, lambda h: bernoulli_run_length(0.015, k, h), k)
    assert h % k == 0
    assert bernoulli_run_length(0.015, k, h) >= 1000 > bernoulli_run_length(0.015, k, h - k)


def test_a_larger_reference_or_threshold_alarms_later_and_a_headstart_sooner() -> None:
    base = poisson_run_length(2.0, Fraction(3), 4)
    assert poisson_run_length(2.0, Fraction(7, 2), 4) > base
    assert poisson_run_length(2.0, Fraction(3), 5) > base
    assert poisson_run_length(2.0, Fraction(3), 4, Fraction(2)) < base


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: bernoulli_run_length(0.0, Fraction(1, 5), 2), "p "),
        (lambda: bernoulli_run_length(1.1, Fraction(1, 5), 2), "p "),
        (lambda: bernoulli_run_length(0.1, Fraction(-1, 5), 2), "k "),
        (lambda: bernoulli_run_length(0.1, Fraction(1), 2), "k "),
        (lambda: bernoulli_run_length(0.1, Fraction(0.0164), 2), "k "),  # a binary fraction of 2^58 parts
        (lambda: bernoulli_run_length(0.1, Fraction(1, 5), -2), "h "),
        (lambda: bernoulli_run_length(0.1, Fraction(1, 5), 2, Fraction(3)), "headstart"),
        (lambda: bernoulli_run_length(0.1, Fraction(1, 5), 2, Fraction(-1)), "headstart"),
        (lambda: poisson_run_length(0.0, Fraction(1), 2), "mean"),
        (lambda: poisson_run_length(np.nan, Fraction(1), 2), "mean"),
        (lambda: poisson_run_length(1.0, Fraction(-1), 2), "k "),
        (lambda: poisson_run_length(1.0, Fraction(1), np.inf), "h "),
        (lambda: poisson_run_length(1.0, Fraction(1), 2, Fraction(3)), "headstart"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
