"""Scores by tail probability: exact in whole-number arithmetic, and run rules keep their promise on them."""

from collections.abc import Callable
from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import binom, nbinom, norm

from pipeline.stats.chart_choice import RUN_RULES
from pipeline.stats.rare import count_to_events_chart
from pipeline.stats.run_rules import false_alarm_probability
from pipeline.stats.shewhart import p_chart
from pipeline.stats.tail_scores import run_scores, share_scores

from .conftest import untimed


def _at_least(x: int, n: int, p: Fraction) -> Fraction:
    return sum((comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(x, n + 1)), Fraction(0))


@pytest.mark.parametrize("p", [Fraction(1, 4), Fraction(1, 2), Fraction(9, 10)])
def test_scores_of_shares_in_whole_number_arithmetic(p: Fraction) -> None:
    n = 12
    for x, score in enumerate(share_scores([n] * (n + 1), np.arange(n + 1), float(p))):
        rise, fall = _at_least(x, n, p), 1 - _at_least(x + 1, n, p)
        assert (score > 0, score < 0) == (rise < Fraction(1, 2), fall < Fraction(1, 2))
        if score:
            assert_allclose(norm.sf(abs(score)), float(min(rise, fall)), rtol=1e-9)


def test_scores_of_runs_in_whole_number_arithmetic() -> None:
    p, events = Fraction(1, 8), 5
    for length, score in zip(range(5, 120), run_scores(np.arange(5, 120), float(p), events), strict=True):
        rise, fall = _at_least(events, length, p), 1 - _at_least(events, length - 1, p)
        assert (score > 0, score < 0) == (rise < Fraction(1, 2), fall < Fraction(1, 2))
        if score:
            assert_allclose(norm.sf(abs(score)), float(min(rise, fall)), rtol=1e-9)


def test_a_median_lies_on_neither_side() -> None:
    # P(X >= 5) = P(X <= 4) = 1/2 of nine at 1/2: neither is below a half, so nor is either count on a side.
    assert_array_equal(share_scores([9, 9, 10], [4, 5, 5], 0.5), [0, 0, 0])
    assert_array_equal(np.sign(share_scores([9, 9], [3, 6], 0.5)), [-1, 1])
    odd = np.arange(1, 400, 2)  # rounding puts some of these tails just below a half
    assert_array_equal(share_scores(odd, odd // 2, 0.5), np.zeros(200))
    assert_array_equal(share_scores(odd, odd // 2 + 1, 0.5), np.zeros(200))


AT_LIMIT = norm.isf(0.00135) - 1e-9
"""Exact limits have 0.135 % beyond them, a hair more than lies beyond 3 standard deviations."""


@untimed
@given(st.integers(1, 800), st.floats(0.001, 0.999))
def test_a_point_beyond_an_exact_limit_scores_beyond_three(n: int, p: float) -> None:
    counts = np.arange(n + 1)
    scores = share_scores(np.full(n + 1, n), counts, p)
    beyond = p_chart(np.full(n + 1, n), counts, p).beyond
    assert (np.diff(scores) >= 0).all()
    assert (np.abs(scores[beyond != 0]) >= AT_LIMIT).all()
    assert (np.abs(scores[beyond == 0]) <= 3 + 1e-6).all()
    assert_array_equal(np.sign(scores[beyond != 0]), beyond[beyond != 0])


@untimed
@given(st.integers(1, 6), st.floats(0.002, 0.9))
def test_a_run_beyond_an_exact_limit_scores_beyond_three(events: int, p: float) -> None:
    lengths = np.arange(events, events + 300)
    scores = run_scores(lengths, p, events)
    beyond = count_to_events_chart(lengths, p, events).beyond
    assert (np.diff(scores) <= 0).all()
    assert (np.abs(scores[beyond != 0]) >= AT_LIMIT).all()
    assert (np.abs(scores[beyond == 0]) <= 3 + 1e-6).all()


@pytest.mark.parametrize("mean", [0.5, 2.0, 6.0, 20.0])
@pytest.mark.parametrize("name", RUN_RULES)
def test_rules_alarm_no_more_often_than_they_say(name: str, mean: float) -> None:
    """Exactly, over every count a week can have: independent windows of skewed counts."""
    rule = RUN_RULES[name]
    n, p = 200, mean / 200
    counts = np.arange(n + 1)
    scores = share_scores(np.full(n + 1, n), counts, p)
    chances = [float(binom.pmf(counts, n, p)[side * scores > rule.beyond].sum()) for side in (1, -1)]
    alarms = sum(float(binom.sf(rule.least - 1, rule.window, chance)) for chance in chances)
    assert alarms <= false_alarm_probability(rule)
    lengths = np.arange(5, 20_000)
    scores = run_scores(lengths, p, 5)
    chances = [float(nbinom.pmf(lengths - 5, 5, p)[side * scores > rule.beyond].sum()) for side in (1, -1)]
    alarms = sum(float(binom.sf(rule.least - 1, rule.window, chance)) for chance in chances)
    assert 0.5 * false_alarm_probability(rule) < alarms <= false_alarm_probability(rule)


def test_edges_are_finite() -> None:
    assert_array_equal(share_scores([], [], 0.1), [])
    assert np.isfinite(share_scores([5, 5, 10**6], [0, 5, 10**6], 1e-4)).all()
    assert_array_equal(share_scores([5], [5], 1.0), [0])
    assert np.isfinite(share_scores([5], [4], 1.0)).all()
    assert np.isfinite(run_scores([1, 10**9], 0.5, 1)).all()


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: share_scores([0], [0], 0.1), "n must"),
        (lambda: share_scores([5], [6], 0.1), "observed must"),
        (lambda: share_scores([5], [-1], 0.1), "observed must"),
        (lambda: share_scores([5], [1], 1.1), "p must"),
        (lambda: share_scores([5, 5], [1], 0.1), "observed"),
        (lambda: run_scores([4], 0.1, 5), "lengths must"),
        (lambda: run_scores([5], 0.0, 5), "p must"),
        (lambda: run_scores([5], 0.1, 0), "events must"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
