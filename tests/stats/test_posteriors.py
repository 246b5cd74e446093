"""Beta-binomial and gamma-Poisson: published examples, another library's values, and known truths recovered."""

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import beta, gamma, nbinom

from pipeline.stats.beta_binomial import BetaPrior, beta_from_moments, beta_posterior, beta_prior
from pipeline.stats.gamma_poisson import GammaPrior, gamma_posterior, gamma_prior
from pipeline.stats.posteriors import Posterior, probability_beyond

from .conftest import Columns, Entry, untimed

RATS = (
    "0/20 x7; 0/19 x4; 0/18 x2; 0/17; 1/20 x4; 1/19 x2; 1/18 x2; 2/25; 2/24; 2/23; 2/20 x6; 1/10; 5/49; 2/19; 5/46; "
    "3/27; 2/17; 7/49; 7/47; 3/20 x2; 2/13; 9/48; 10/50; 4/20 x7; 10/48; 4/19 x3; 5/22; 11/46; 12/49; 5/20 x2; 6/23; "
    "5/19; 6/22; 6/20 x3; 16/52; 15/47; 15/46; 9/24"
)


def _rats() -> tuple[list[int], list[int]]:
    tumours, rats = [], []
    for group in RATS.split("; "):
        share, _, times = group.partition(" x")
        x, n = share.split("/")
        tumours += [int(x)] * int(times or 1)
        rats += [int(n)] * int(times or 1)
    return tumours, rats


def test_tumours_in_rats(check_value: Callable[[str], Entry]) -> None:
    """Gelman et al., Bayesian Data Analysis, chapter 5 (Table 5.1, Tarone 1982; from memory).

    The book takes the moments of the raw shares, chance included, so only the match of moments and the posterior of
    the current group, 4 of 14, are its; the prior from all groups is stronger.
    """
    entry = check_value("EB-01")
    assert entry["inputs"]["historical_70"].startswith(RATS)
    tumours, rats = _rats()
    assert len(rats) == 70
    raw = np.divide(tumours, rats)
    assert_allclose([raw.mean(), raw.std(ddof=1)], [entry["expected"]["mean"], entry["expected"]["sd"]], atol=5e-4)
    prior = beta_from_moments(float(raw.mean()), float(raw.var(ddof=1)))
    assert_allclose([prior.alpha, prior.beta], [entry["expected"]["alpha"], entry["expected"]["beta"]], atol=0.05)
    current = beta_posterior(prior, [4], [14])
    assert_allclose(current.mean, entry["expected"]["posterior_mean_4_of_14"], atol=2.5e-3)
    assert_allclose(current.distribution.std(), entry["expected"]["posterior_sd"], atol=2.5e-3)
    without_chance = beta_prior(tumours, rats)
    assert without_chance.alpha + without_chance.beta > prior.alpha + prior.beta


def test_respiratory_disease_in_huddersfield(
    check_value: Callable[[str], Entry], data_columns: Callable[[str], Columns]
) -> None:
    """Martuzzi & Elliott (1996), Stat Med 15:1867-1873 (data and method); values of R spdep's EBest."""
    entry = check_value("EB-08")
    data = data_columns("spdata_huddersfield.csv")
    posterior = beta_posterior(beta_prior(data["cases"], data["total"]), data["cases"], data["total"])
    both = 100 * np.transpose([data["cases"] / data["total"], posterior.mean])[:4]
    assert_allclose(both, entry["expected"]["first_rows_raw_eb_percent"], atol=6e-3)


def test_failures_of_pumps(check_value: Callable[[str], Entry]) -> None:
    """Gaver & O'Muircheartaigh (1987), Technometrics 29:1-15 (data); George, Makov & Smith (1993) (from memory)."""
    entry = check_value("EB-05")
    failures, time = entry["inputs"]["failures"], entry["inputs"]["time"]
    prior = gamma_prior(failures, time)
    assert_allclose([prior.shape, prior.rate], [entry["expected"]["alpha"], entry["expected"]["beta"]], atol=6e-3)
    assert_allclose([prior.shape, prior.rate], [0.82227, 1.25895], atol=1e-5)  # computed with other code
    assert_allclose(gamma_posterior(prior, failures, time).mean, entry["expected"]["posterior_means"], atol=6e-4)


def test_beta_prior_is_recovered() -> None:
    random = np.random.default_rng(1996)
    n = random.integers(1, 300, 5000)
    prior = beta_prior(random.binomial(n, random.beta(3, 27, 5000)), n)
    assert_allclose(prior.mean, 0.1, rtol=0.02)
    assert_allclose(prior.alpha + prior.beta, 30, rtol=0.1)


def test_gamma_prior_is_recovered() -> None:
    random = np.random.default_rng(1987)
    exposure = random.uniform(0.2, 20, 3000)
    prior = gamma_prior(random.poisson(exposure * random.gamma(4, 1 / 4, 3000)), exposure)
    assert_allclose([prior.mean, prior.shape], [1, 4], rtol=0.1)


def test_posterior_probabilities_are_calibrated() -> None:
    """Of groups said to exceed the margin with probability q, the share q does; intervals hold 95 of 100 truths."""
    random = np.random.default_rng(1955)
    n = random.integers(20, 300, 6000)
    shares = random.beta(3, 27, 6000)
    exposure = random.uniform(0.5, 20, 6000)
    rates = random.gamma(4, 1 / 4, 6000)
    tumours, failures = random.binomial(n, shares), random.poisson(exposure * rates)
    _assert_calibrated(beta_posterior(beta_prior(tumours, n), tumours, n), shares, 1.5 * 0.1)
    _assert_calibrated(gamma_posterior(gamma_prior(failures, exposure), failures, exposure), rates, 1.5)


def _assert_calibrated(posterior: Posterior, truth: np.ndarray, bound: float) -> None:
    beyond = probability_beyond(posterior, 1.5)
    for low, high in ((0, 0.1), (0.1, 0.4), (0.4, 0.8), (0.8, 1)):
        part = (beyond >= low) & (beyond <= high)
        error = np.sqrt(beyond[part] @ (1 - beyond[part])) / part.sum()
        assert abs((truth[part] > bound).mean() - beyond[part].mean()) < 3 * error + 0.02
    assert_allclose(((posterior.low <= truth) & (truth <= posterior.high)).mean(), 0.95, atol=0.01)


@untimed
@given(st.lists(st.tuples(st.integers(0, 30), st.floats(0.1, 30)), min_size=1, max_size=12))
def test_gamma_prior_is_where_the_likelihood_is_greatest(groups: list[tuple[int, float]]) -> None:
    """No nearby shape or mean has a greater one, and neither has the Poisson."""
    observed, exposure = np.array(groups).T
    prior = gamma_prior(observed, exposure)
    if np.isnan(prior.shape):
        assert observed.sum() == 0
        return

    def likelihood(shape: float, mean: float) -> float:
        return float(nbinom.logpmf(observed, shape, shape / (shape + mean * exposure)).sum())

    at_prior = likelihood(prior.shape, prior.mean)
    for factor in (0.7, 0.95, 1.05, 1.4):
        assert likelihood(min(prior.shape, 1e7) * factor, prior.mean) <= at_prior + 1e-5
        assert likelihood(prior.shape, prior.mean * factor) <= at_prior + 1e-5
    assert likelihood(1e7, observed.sum() / exposure.sum()) <= at_prior + 1e-5


@pytest.mark.parametrize("margin", [0.5, 1, 3])
def test_posteriors_are_the_distributions_they_say(margin: float) -> None:
    shares = beta_posterior(BetaPrior(2, 8), [3, 0], [10, 0])
    rates = gamma_posterior(GammaPrior(2, 4), [3, 0], [10, 0])
    assert_allclose(shares.mean, [5 / 20, 0.2], rtol=1e-12)
    assert_allclose(rates.mean, [5 / 14, 0.5], rtol=1e-12)
    assert_allclose(beta(5, 15).cdf([shares.low[0], shares.high[0]]), [0.025, 0.975], rtol=1e-9)
    assert_allclose(gamma(2, scale=1 / 4).cdf([rates.low[1], rates.high[1]]), [0.025, 0.975], rtol=1e-9)
    assert_allclose(probability_beyond(shares, margin)[0], 1 - beta(5, 15).cdf(0.2 * margin), rtol=1e-9)
    assert_allclose(probability_beyond(rates, margin)[1], 1 - gamma(2, scale=1 / 4).cdf(0.5 * margin), rtol=1e-9)
    assert_array_equal(probability_beyond(rates), probability_beyond(rates, 1))


def test_no_more_spread_than_chance_gives_each_group_the_mean() -> None:
    shares = beta_posterior(beta_prior([2, 3, 2], [20, 30, 20]), [2, 3, 2], [20, 30, 20])
    rates = gamma_posterior(gamma_prior([5, 5, 5], [4, 5, 6]), [5, 5, 5], [4, 5, 6])
    for posterior, mean in ((shares, 0.1), (rates, 1)):
        assert_allclose(posterior.mean, mean, rtol=1e-6)
        assert_allclose([posterior.low, posterior.high], mean, rtol=1e-3)
        assert_allclose(probability_beyond(posterior, 1.1), 0, atol=1e-12)
        assert_allclose(probability_beyond(posterior, 0.9), 1, atol=1e-12)


def test_the_weakest_prior_counts_for_one_piercing() -> None:
    """Each group has events in all or in none: the moments would give a prior of no strength."""
    prior = beta_prior([10, 0, 10, 0], [10, 10, 10, 10])
    assert_allclose([prior.alpha, prior.beta], [0.5, 0.5])


def test_single_piercings_tell_nothing_of_the_spread() -> None:
    prior = beta_prior([1, 0, 0], [1, 1, 1])
    assert prior.alpha + prior.beta == pytest.approx(1e9)


def test_groups_of_two_at_most_by_hand() -> None:
    """M = 3/7, N = 7/4, s^2 = 119/686: the variance is (119/686 - 48/343) / (3/7) = 23/294, so alpha + beta = 49/23."""
    prior = beta_prior([2, 1, 0, 0], [2, 2, 1, 2])
    assert_allclose([prior.alpha, prior.beta], [21 / 23, 28 / 23], rtol=1e-12)


def test_rates_that_spread_just_as_chance_would_have_the_point_prior() -> None:
    """By hand: m = 1, and (0 - 1)^2 + (2 - 1)^2 = 0 + 2."""
    assert gamma_prior([0, 2], [1, 1]) == GammaPrior(1e9, 1e9)


def test_a_mean_of_none_or_all_has_no_prior() -> None:
    for mean in (0, 1):
        prior = beta_from_moments(mean, 0.1)
        assert np.isnan([prior.alpha, prior.beta]).all()


def test_groups_of_nobody_take_no_part() -> None:
    assert beta_prior([5, 0, 1], [9, 0, 20]) == beta_prior([5, 1], [9, 20])
    assert gamma_prior([9, 0, 1], [2, 0, 5]) == gamma_prior([9, 1], [2, 5])


@pytest.mark.parametrize("n", [[], [0], [5, 9]])
def test_no_events_leave_all_unknown(n: list[int]) -> None:
    none = [0] * len(n)
    for posterior in (
        beta_posterior(beta_prior(none, n), none, n),
        gamma_posterior(gamma_prior(none, n), none, n),
    ):
        assert posterior.mean.shape == (len(n),)
        assert np.isnan([posterior.mean, posterior.low, posterior.high, probability_beyond(posterior)]).all()


def test_all_events_leave_the_share_unknown() -> None:
    assert_array_equal(np.isnan(beta_posterior(beta_prior([5, 9], [5, 9]), [5, 9], [5, 9]).mean), [True, True])


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: beta_from_moments(1.5, 0.1), "mean"),
        (lambda: beta_from_moments(np.nan, 0.1), "mean"),
        (lambda: beta_from_moments(0.5, np.nan), "variance"),
        (lambda: beta_from_moments(0.5, -0.1), "variance"),
        (lambda: beta_prior([-1], [1]), "events"),
        (lambda: beta_prior([2], [1]), "events"),
        (lambda: beta_prior(1, 2), "events"),
        (lambda: beta_posterior(BetaPrior(1, 1), [1], [np.nan]), "n "),
        (lambda: beta_posterior(BetaPrior(1, 1), [1, 2], [3, 4, 5]), "events"),
        (lambda: gamma_prior([1.5], [1]), "observed"),
        (lambda: gamma_prior([1, 2], [1, 2, 3]), "exposure"),
        (lambda: gamma_prior([1], [-1]), "exposure"),
        (lambda: gamma_prior([1, 2], [0, 4]), "observed must be at most 0 where exposure is 0"),
        (lambda: gamma_posterior(GammaPrior(1, 1), [[1]], [1]), "observed"),
        (lambda: probability_beyond(beta_posterior(BetaPrior(1, 1), [1], [2]), -1), "margin"),
        (lambda: probability_beyond(beta_posterior(BetaPrior(1, 1), [1], [2]), np.nan), "margin"),
    ],
)
def test_the_bad_argument_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()
