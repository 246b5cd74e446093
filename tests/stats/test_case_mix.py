"""Case mix: what defines the fit, a one-factor fit by hand, separation, simulated coefficients, and calibration."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import expit, xlog1py, xlogy
from scipy.stats import norm

from pipeline.stats.case_mix import calibration, expected_events, fit_case_mix

from .conftest import untimed

STRATA = st.lists(
    st.integers(0, 60).flatmap(
        lambda n: st.tuples(st.integers(0, n), st.just(n), st.tuples(st.booleans(), st.booleans(), st.booleans()))
    ),
    min_size=1,
    max_size=12,
)
"""Events, piercings and three dummies, often with separated, missing or indistinguishable levels."""

Strata = list[tuple[int, int, tuple[bool, bool, bool]]]


def _columns(strata: Strata) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    events, n, factors = zip(*strata, strict=True)
    return np.array(events, dtype=float), np.array(n, dtype=float), np.array(factors, dtype=float)


@settings(untimed, max_examples=50)
@given(STRATA)
def test_is_where_the_penalised_likelihood_is_greatest(strata: Strata) -> None:
    """Binomial log-likelihood plus that of half an event in one piercing for each coefficient: its slope is 0."""
    events, n, factors = _columns(strata)
    if not 0 < events.sum() < n.sum():
        return
    model = fit_case_mix(events, n, factors)
    assert_allclose(model.risk, expit(model.intercept + factors @ model.coefficients), rtol=1e-12)

    def penalised(intercept: float, coefficients: NDArray[np.float64]) -> float:
        risk, made_up = expit(intercept + factors @ coefficients), expit(coefficients)
        real = xlogy(events, risk) + xlog1py(n - events, -risk)
        return float(real.sum() + (xlogy(0.5, made_up) + xlog1py(0.5, -made_up)).sum())

    greatest = penalised(model.intercept, model.coefficients)
    random = np.random.default_rng(1)
    for size in (0.01, 0.3):
        for step in random.normal(0, size, (10, 4)):
            assert penalised(model.intercept + step[0], model.coefficients + step[1:]) <= greatest + 1e-9


@settings(untimed, max_examples=50)
@given(STRATA)
def test_the_slope_of_the_penalised_likelihood_is_nought(strata: Strata) -> None:
    """To rounding, not only as far as the likelihood's flat top tells: two implementations must agree on risks."""
    events, n, factors = _columns(strata)
    if not 0 < events.sum() < n.sum():
        return
    model = fit_case_mix(events, n, factors)
    missing = events - n * model.risk
    slopes = [missing.sum(), *(factors.T @ missing + 0.5 - expit(model.coefficients))]
    assert_allclose(slopes, 0, atol=1e-12 * n.sum())


@untimed
@given(STRATA)
def test_expected_equals_observed_over_all_and_nearly_by_level(strata: Strata) -> None:
    events, n, factors = _columns(strata)
    if not 0 < events.sum() < n.sum():
        return
    model = fit_case_mix(events, n, factors)
    over_all = expected_events(model.risk, n, np.zeros(len(n)), 1)
    assert_allclose(over_all, [events.sum()], rtol=1e-6)
    assert (np.abs(factors.T @ (events - n * model.risk)) < 0.5 + 1e-6).all()


def test_one_dummy_by_hand() -> None:
    """4 of 40 at the reference level, 9 of 30 at the other: the two slopes set to 0, solved one inside the other."""
    events, n = [4, 9], [40, 30]

    def other_events_missing(coefficient: float) -> float:
        """Half of the made-up event's excess is what level 1 expects too few or too many."""
        expected_there = 9 + 0.5 - expit(coefficient)
        reference = (13 - expected_there) / 40
        return float(np.log(expected_there / (30 - expected_there)) - np.log(reference / (1 - reference)) - coefficient)

    model = fit_case_mix(events, n, [[0], [1]])
    assert_allclose(model.coefficients, [brentq(other_events_missing, -5, 5)], rtol=1e-6)
    assert model.coefficients[0] < np.log(9 / 21 / (4 / 36))


def test_recovers_the_coefficients() -> None:
    """200 worlds of 240 strata: no bias beyond three errors of the mean, and 95 % intervals that hold the truth."""
    random = np.random.default_rng(2015)
    truth = np.array([0.7, -0.5, 0.4])
    factors = random.integers(0, 2, (240, 3))
    risk = expit(-3 + factors @ truth)
    n = random.integers(20, 80, 240)
    models = [fit_case_mix(random.binomial(n, risk), n, factors) for _ in range(200)]
    found = np.array([model.coefficients for model in models])
    errors = np.array([model.errors for model in models])
    assert (np.abs(found.mean(axis=0) - truth) < 3 * errors.mean(axis=0) / np.sqrt(200)).all()
    held = np.abs(found - truth) < norm.isf(0.025) * errors
    assert 0.93 < held.mean() < 0.97
    assert_allclose(np.mean([model.intercept for model in models]), -3, atol=0.05)


def test_many_piercings_give_what_statsmodels_gives_without_a_prior() -> None:
    from statsmodels.api import Logit

    random = np.random.default_rng(7)
    factors = random.integers(0, 2, (30_000, 2)).astype(float)
    events = random.binomial(1, expit(-2 + factors @ [0.8, -0.6]))
    plain = Logit(events, np.column_stack([np.ones(30_000), factors])).fit(disp=0)
    model = fit_case_mix(events, np.ones(30_000), factors)
    assert_allclose([model.intercept, *model.coefficients], plain.params, atol=1e-3)
    assert_allclose(model.errors, plain.bse[1:], rtol=1e-3)


def test_rows_may_be_split_or_pooled() -> None:
    split = fit_case_mix([1, 2, 5, 0], [10, 20, 30, 0], [[0], [0], [1], [1]])
    pooled = fit_case_mix([3, 5], [30, 30], [[0], [1]])
    assert_allclose(split.coefficients, pooled.coefficients, rtol=1e-9)
    assert_allclose(split.errors, pooled.errors, rtol=1e-9)
    assert_allclose(split.risk, pooled.risk[[0, 0, 1, 1]], rtol=1e-9)


def test_separation_keeps_coefficients_finite() -> None:
    """No event at the second level, only events at the third, nobody at the fourth; the fifth repeats the second."""
    factors = np.array([[0, 0, 0, 0], [1, 0, 0, 1], [0, 1, 0, 0]])
    model = fit_case_mix([20, 0, 15], [200, 60, 15], factors)
    assert np.isfinite([*model.coefficients, *model.errors, *model.risk]).all()
    assert model.coefficients[0] < -1
    assert model.coefficients[1] > 3
    assert_allclose(model.coefficients[2], 0, atol=1e-9)
    assert_allclose(model.coefficients[3], model.coefficients[0], rtol=1e-6)
    assert 0 < model.risk[1] < 0.02
    assert 0.95 < model.risk[2] < 1


def test_no_factors_leave_the_pooled_share() -> None:
    model = fit_case_mix([3, 4], [10, 25], np.zeros((2, 0)))
    assert_allclose(model.risk, [0.2, 0.2], rtol=1e-9)
    assert model.coefficients.shape == (0,)


@pytest.mark.parametrize(("events", "n"), [([0, 0], [5, 9]), ([5, 9], [5, 9]), ([0, 0], [0, 0]), ([], [])])
def test_none_or_all_events_leave_all_unknown(events: list[int], n: list[int]) -> None:
    model = fit_case_mix(events, n, np.zeros((len(n), 2)))
    assert np.isnan([model.intercept, *model.coefficients, *model.errors, *model.risk]).all()
    assert model.risk.shape == (len(n),)
    assert np.isnan(expected_events(model.risk, n, [0] * len(n), 1)).all() == bool(n)


def test_expected_events_by_branch() -> None:
    expected = expected_events([0.1, 0.2, np.nan, 0.5], [10, 20, 5, 4], [0, 0, 1, 3], 4)
    assert_allclose(expected, [5, np.nan, 0, 2])


def test_calibration_by_hand() -> None:
    """Risks 0.1, 0.2 and 0.4 of 60, 30 and 10: their middle ones are the 30th, 75th and 95th of 100."""
    table = calibration([3, 1, 6, 5], [40, 20, 30, 10], [0.1, 0.1, 0.2, 0.4])
    assert_array_equal(table.tenth, [4, 8, 10])
    assert_array_equal(table.n, [60, 30, 10])
    assert_array_equal(table.observed, [4, 6, 5])
    assert_allclose(table.expected, [6, 6, 4])
    assert_allclose(table.hosmer_lemeshow, 4 / (6 * 0.9) + 0 + 1 / (4 * 0.6))


def test_calibration_of_single_piercings_by_hand() -> None:
    table = calibration([1, 0], [1, 1], [0.1, 0.1])
    assert_array_equal(table.n, [2])
    assert_allclose(table.hosmer_lemeshow, 0.8**2 / (0.2 * 0.9))


def test_risks_that_differ_by_rounding_alone_stay_together() -> None:
    table = calibration([1, 2], [10, 10], [0.1, 0.1 + 1e-15])
    assert_array_equal([table.n, table.observed], [[20], [3]])
    assert_array_equal(calibration([1, 2], [10, 10], [0.1, 0.1 + 1e-8]).n, [10, 10])


def test_calibration_of_a_right_and_a_wrong_model() -> None:
    """About the number of tenths where risks are right (here not fitted, so none is lost); far more where not."""
    random = np.random.default_rng(1980)
    risk = random.uniform(0.02, 0.4, 4000)
    n = random.integers(1, 10, 4000)
    statistics = [calibration(random.binomial(n, risk), n, risk).hosmer_lemeshow for _ in range(60)]
    assert_allclose(np.mean(statistics), 10, atol=3 * np.sqrt(20 / 60))
    assert calibration(random.binomial(n, risk), n, np.full(4000, 0.21) + (risk - 0.21) / 2).hosmer_lemeshow > 100


def test_calibration_with_nothing_to_judge() -> None:
    table = calibration([1, 0], [4, 0], [np.nan, 0.2])
    assert table.tenth.shape == (0,)
    assert np.isnan(table.hosmer_lemeshow)
    assert np.isnan(calibration([], [], []).hosmer_lemeshow)
    assert np.isnan(calibration([0, 1], [5, 9], [0.0, 0.3]).hosmer_lemeshow)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: fit_case_mix([-1], [1], [[0]]), "events"),
        (lambda: fit_case_mix([2], [1], [[0]]), "events"),
        (lambda: fit_case_mix([1], [np.nan], [[0]]), "n "),
        (lambda: fit_case_mix([1, 2], [3, 4, 5], [[0], [1]]), "events"),
        (lambda: fit_case_mix([1], [3], [0]), "factors"),
        (lambda: fit_case_mix([1], [3], [[0], [1]]), "factors"),
        (lambda: fit_case_mix([1], [3], [[np.nan]]), "factors"),
        (lambda: expected_events([1.1], [1], [0], 1), "risk"),
        (lambda: expected_events([-0.1], [1], [0], 1), "risk"),
        (lambda: expected_events([np.inf], [1], [0], 1), "risk"),
        (lambda: expected_events([0.1], [1.5], [0], 1), "n "),
        (lambda: expected_events([0.1], [1], [1], 1), "group"),
        (lambda: expected_events([0.1, 0.1], [1, 2], [0, 0, 0], 1), "group"),
        (lambda: calibration([2], [1], [0.5]), "events"),
        (lambda: calibration([1], [1], [0.5, 0.5]), "risk"),
        (lambda: calibration([1, 1, 1], [2, 2], [0.5, 0.5]), "events"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
