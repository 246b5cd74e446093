"""The evidence of a rise by procedure date: against predictive densities of SciPy, its bound, what it grows with."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.special import logsumexp
from scipy.stats import nbinom, poisson

from pipeline.stats.arguments import FloatArray
from pipeline.stats.cohort_evidence import (
    GAPS,
    RATIOS,
    WINDOWS,
    Evidence,
    cohort_bayes_factor,
    cohort_evidence,
    most_evidence,
)

from .conftest import untimed

N = len(WINDOWS)
NONE, SOME = np.zeros(N), np.linspace(0.1, 9.0, N)
PRECISIONS = st.one_of(st.floats(0.05, 2000), st.just(np.inf))
EVENTS = st.lists(st.integers(0, N - 1), max_size=25)
"""The window that each event first lies in."""
USUAL = st.lists(st.floats(0.001, 3.0), min_size=N, max_size=N)
"""What each window expects more than the one before."""


def growing(events: list[int]) -> FloatArray:
    """Events by window, each window with those shorter than it."""
    return np.cumsum(np.bincount(events, minlength=N)).astype(np.float64)


def log_predictive(seen: FloatArray | float, usual: FloatArray | float, precision: float, ratio: float) -> Any:
    """Ln of the chance of so many events where `ratio` times as many come: their mean is `usual` times a gamma.

    A Poisson count whose mean is r E g, with g of a gamma distribution of shape and rate c, is negative binomial with
    size c and probability c / (c + r E).
    """
    if np.isinf(precision):
        return poisson.logpmf(seen, ratio * usual)
    return nbinom.logpmf(seen, precision, precision / (precision + ratio * usual))


@untimed
@given(EVENTS, USUAL, PRECISIONS)
def test_it_is_the_mixture_of_predictive_densities(events: list[int], usual: list[float], precision: float) -> None:
    """A day of the last 182 is as likely the start as another, and so are four sizes of the rise."""
    seen, expected = growing(events), np.cumsum(usual)
    by_day = [
        np.log(GAPS / len(RATIOS))
        + log_predictive(seen, expected, precision, ratio)
        - log_predictive(seen, expected, precision, 1.0)
        for ratio in RATIOS
    ]
    found = cohort_evidence(seen, expected, precision)
    assert_allclose(found.score, logsumexp(by_day), rtol=1e-8, atol=1e-8)
    of_window = logsumexp(by_day, axis=0)
    assert_allclose(of_window[found.window], of_window.max(), rtol=1e-8, atol=1e-8)


def test_windows_stand_for_the_days_of_half_a_year() -> None:
    assert (WINDOWS[0], WINDOWS[-1], GAPS.sum()) == (2, 182, 182)
    assert_array_equal(np.cumsum(GAPS), WINDOWS)


def test_a_worked_case() -> None:
    # Three events and one expected in every window, known for certain: each ratio r adds 182/4 r^3 e^-(r - 1).
    terms = [1.3**3 * np.exp(-0.3), 2**3 * np.exp(-1), 3.5**3 * np.exp(-2.5), 6**3 * np.exp(-5)]
    found = cohort_evidence(np.full(N, 3), np.ones(N), np.inf)
    assert_allclose(found.score, np.log(182 / 4 * sum(terms)))
    assert found.window == np.argmax(GAPS)


def test_slices_are_judged_each_with_its_own_precision() -> None:
    seen = np.stack([growing([0, 0, 3]), NONE, growing([8] * 6)])
    usual = np.stack([SOME, SOME, SOME / 10])
    precision = np.array([5.0, np.inf, 80.0])
    found = cohort_evidence(seen, usual, precision)
    one_by_one = [cohort_evidence(*one) for one in zip(seen, usual, precision, strict=True)]
    assert_allclose(found.score, [one.score for one in one_by_one])
    assert_array_equal(found.window, [one.window for one in one_by_one])
    assert_allclose(most_evidence(seen, usual), [most_evidence(*one) for one in zip(seen, usual, strict=True)])


def test_of_no_slice_there_is_none() -> None:
    found = cohort_evidence(np.empty((0, N)), np.empty((0, N)), np.empty(0))
    assert (found.score.shape, found.window.shape, most_evidence(np.empty((0, N)), np.empty((0, N))).shape) == (
        (0,),
        (0,),
        (0,),
    )


@untimed
@given(EVENTS, st.lists(st.one_of(st.just(0.0), st.floats(0.001, 3.0)), min_size=N, max_size=N), PRECISIONS)
def test_no_score_exceeds_the_bound(events: list[int], usual: list[float], precision: float) -> None:
    seen, expected = growing(events), np.cumsum(usual)
    assert cohort_evidence(seen, expected, precision).score <= most_evidence(seen, expected) + 1e-9


def test_the_bound_is_met_where_every_day_tells_of_one_of_the_ratios() -> None:
    # Twice the expected in every window: the ratio 2 has a quarter of the weight, and the bound all of it.
    score = cohort_evidence(np.full(N, 400), np.full(N, 200), np.inf).score
    assert_allclose(most_evidence(np.full(N, 400), np.full(N, 200)) - score, np.log(4), atol=1e-6)


def test_an_event_where_none_is_expected_has_no_bound() -> None:
    assert most_evidence(growing([0]), NONE) == np.inf
    assert_allclose(most_evidence(NONE, NONE), np.log(182))
    assert_allclose(cohort_evidence(NONE, NONE, 10).score, np.log(182))


@untimed
@given(EVENTS, USUAL, PRECISIONS, st.integers(0, N - 1))
def test_a_further_event_is_no_less_evidence(
    events: list[int], usual: list[float], precision: float, further: int
) -> None:
    expected = np.cumsum(usual)
    before, after = (
        cohort_evidence(growing(known), expected, precision).score for known in (events, [*events, further])
    )
    assert after >= before - 1e-9
    assert cohort_evidence(growing([further] * 9), SOME, precision).score > cohort_evidence(NONE, SOME, precision).score


@untimed
@given(EVENTS, USUAL, PRECISIONS)
def test_more_expected_is_less_evidence(events: list[int], usual: list[float], precision: float) -> None:
    seen, expected = growing(events), np.cumsum(usual)
    assert (
        cohort_evidence(seen, expected * 1.1, precision).score
        <= cohort_evidence(seen, expected, precision).score + 1e-9
    )


@untimed
@given(st.integers(0, 60), st.floats(0.01, 40), PRECISIONS)
def test_the_bayes_factor_is_that_of_predictive_densities(seen: int, usual: float, precision: float) -> None:
    rises = [log_predictive(seen, usual, precision, ratio) for ratio in RATIOS]
    expected = logsumexp(rises) - np.log(4) - log_predictive(seen, usual, precision, 1.0)
    assert_allclose(cohort_bayes_factor(seen, usual, precision), expected, rtol=1e-8, atol=1e-8)


@pytest.mark.parametrize(("usual", "precision"), [(0.4, 3.0), (5.0, 40.0), (2.0, np.inf)])
def test_without_a_rise_likelihood_ratios_are_one_on_average(usual: float, precision: float) -> None:
    """So a sum over starts grows by one a day, which is what thresholds by size rest on."""
    seen = np.arange(400)
    chance = np.exp(log_predictive(seen, np.full(400, usual), precision, 1.0))
    factor = np.exp(cohort_bayes_factor(seen, np.full(400, usual), np.full(400, precision)))
    assert_allclose(chance @ factor, 1.0, rtol=1e-6)


Judge = Callable[[Any, Any], Evidence | FloatArray]
JUDGES: dict[str, Judge] = {
    "evidence": lambda observed, expected: cohort_evidence(observed, expected, 10.0),
    "bound": most_evidence,
}


@pytest.mark.parametrize("judge", JUDGES.values(), ids=JUDGES.keys())
@pytest.mark.parametrize(
    ("observed", "expected", "named"),
    [
        (NONE + 0.5, SOME, "observed"),
        (NONE - 1, SOME, "observed"),
        (NONE + np.nan, SOME, "observed"),
        (NONE, SOME - 5, "expected"),
        (NONE, SOME + np.inf, "expected"),
        (NONE[:-1], SOME[:-1], "36 windows"),
        (NONE, np.stack([SOME, SOME]), "36 windows"),
        (3, 1.0, "36 windows"),
    ],
)
def test_bad_counts_are_refused_by_name(judge: Judge, observed: Any, expected: Any, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        judge(observed, expected)


@pytest.mark.parametrize("precision", [0, -1, np.nan, [1.0], [[1.0, 2.0]]])
def test_a_bad_precision_is_refused_by_name(precision: Any) -> None:
    with pytest.raises(ValueError, match="precision"):
        cohort_evidence(NONE, SOME, precision)
    with pytest.raises(ValueError, match="precision"):
        cohort_bayes_factor([0, 1, 2], [1.0, 1.0, 1.0], precision)


@pytest.mark.parametrize(
    ("observed", "expected", "named"),
    [([0.5], [1.0], "observed"), ([1], [-1.0], "expected"), ([1, 2, 3], [1.0, 1.0], "observed")],
)
def test_a_bayes_factor_of_bad_counts_is_refused_by_name(observed: Any, expected: Any, named: str) -> None:
    with pytest.raises(ValueError, match=named):
        cohort_bayes_factor(observed, expected, 10.0)


def test_slices_may_stand_in_several_dimensions() -> None:
    rng = np.random.default_rng(4)
    observed = np.cumsum(rng.poisson(0.2, (2, 3, len(WINDOWS))), axis=-1)
    expected = np.cumsum(rng.uniform(0.05, 0.3, observed.shape), axis=-1)
    precision = rng.uniform(5, 50, (2, 3))
    whole = cohort_evidence(observed, expected, precision).score
    assert whole.shape == (2, 3)
    for at in np.ndindex(2, 3):
        alone = cohort_evidence(observed[at][np.newaxis], expected[at][np.newaxis], precision[at]).score[0]
        assert alone == pytest.approx(whole[at], rel=1e-12)


def test_evidence_too_large_for_an_exponential_is_still_a_number() -> None:
    observed = np.full((1, len(WINDOWS)), 3000.0)
    score = cohort_evidence(observed, np.full_like(observed, 100.0), np.inf).score[0]
    # 6^3000 e^(-5 * 100) outweighs all else; windows count as the 182 days they stand for, ratios a quarter each.
    assert score == pytest.approx(3000 * np.log(6) - 500 + np.log(182 / 4), rel=1e-9)
