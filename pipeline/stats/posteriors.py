"""Posterior shares and rates of groups, under a prior that is estimated from the groups themselves.

The prior is then taken as known, so posterior intervals are somewhat too short where there are few groups. Where groups
differ no more than by chance, the prior is next to a point: each group has the mean.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from scipy.stats import beta, gamma, nbinom

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, probability, row, same_shape
from pipeline.stats.intervals import TAIL
from pipeline.stats.method import Method

LARGEST_STRENGTH = 1e9
"""The strength of a prior where groups differ no more than by chance: so near to a point that no group moves it."""
LEAST_STRENGTH = 1.0
"""A beta prior counts for one piercing at least, as Jeffreys' does, also where each group has events in all or none."""


@dataclass(frozen=True)
class BetaPrior:
    """Beta distribution of the true shares of groups; NaN where it is unknown."""

    alpha: float
    beta: float

    @property
    def mean(self) -> float:
        """The mean share."""
        return self.alpha / (self.alpha + self.beta)


@dataclass(frozen=True)
class GammaPrior:
    """Gamma distribution of the true rates or ratios of groups; NaN where it is unknown."""

    shape: float
    rate: float

    @property
    def mean(self) -> float:
        """The mean rate."""
        return self.shape / self.rate


@dataclass(frozen=True, eq=False)
class Posterior:
    """Each group's true share or rate given its counts: `mean`, 95 % interval, and the SciPy `distribution` itself.

    `prior_mean` is what the groups were drawn towards. A group with nothing at risk has the prior.
    """

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    prior_mean: float
    distribution: Any


def beta_from_moments(mean: float, variance: float) -> BetaPrior:
    """The beta distribution of given mean and variance: alpha + beta = mean (1 - mean) / variance - 1.

    The sum is kept from 1 to 10^9. NaN where the mean is 0 or 1. Source: e.g. Gelman A et al., Bayesian Data Analysis,
    chapter 5 (from memory).

    Raises ValueError where `mean` lies outside 0 to 1, or `variance` is negative or not finite.
    """
    mean, variance = probability("mean", mean), float(non_negative("variance", variance))
    if mean in (0, 1):
        return BetaPrior(np.nan, np.nan)
    strength = mean * (1 - mean) / variance - 1 if variance > 0 else LARGEST_STRENGTH
    strength = float(np.clip(strength, LEAST_STRENGTH, LARGEST_STRENGTH))
    return BetaPrior(strength * mean, strength * (1 - mean))


def beta_prior(events: ArrayLike, n: ArrayLike) -> BetaPrior:
    """Prior of the shares of groups with `events` among `n`, by moments weighted by size.

    With p_i = x_i / n_i, m = sum x / sum n, N the mean of n and s^2 = sum n_i (p_i - m)^2 / sum n, the true shares'
    variance is (s^2 - m (1 - m) / N) / (1 - 1 / N), or 0 where that is less or N is 1. Groups of nobody take no part.
    NaN where none or all are events. Source: Martuzzi M, Elliott P (1996), Empirical Bayes estimation of small area
    prevalence of non-rare conditions, Statistics in Medicine 15:1867-1873 (formula found by agreement with R's spdep).

    Raises ValueError where `events` or `n` are not whole numbers of 0 or more, `events` exceed `n`, or lengths differ.
    """
    x, size = _shares(events, n)
    x, size = x[size > 0], size[size > 0]
    if not size.size:
        return BetaPrior(np.nan, np.nan)
    mean, mean_size = float(x.sum() / size.sum()), float(size.mean())
    spread = float(np.average((x / size - mean) ** 2, weights=size))
    beyond_chance = max(0.0, spread - mean * (1 - mean) / mean_size)
    return beta_from_moments(mean, beyond_chance / (1 - 1 / mean_size) if mean_size > 1 else 0.0)


def beta_posterior(prior: BetaPrior, events: ArrayLike, n: ArrayLike) -> Posterior:
    """Shares of groups with `events` among `n`: beta(alpha + events, beta + n - events).

    Raises ValueError as `beta_prior`.
    """
    x, size = _shares(events, n)
    return _posterior(beta(prior.alpha + x, prior.beta + size - x), prior.mean)


def gamma_prior(observed: ArrayLike, exposure: ArrayLike) -> GammaPrior:
    """Prior of the rates of groups with `observed` events in their `exposure` (time, or expected events).

    Counts are negative binomial: Poisson with a gamma rate. The prior maximises their likelihood. Where it falls from
    the Poisson on, sum (O - m E)^2 <= sum O with m = sum O / sum E, groups differ no more than by chance and the prior
    has shape 10^9. Groups without exposure take no part. NaN where there is no event. Source: Gaver DP,
    O'Muircheartaigh IG (1987), Robust empirical Bayes analyses of event rates, Technometrics 29:1-15 (from memory).

    Raises ValueError where `observed` are not whole numbers of 0 or more, `exposure` is negative or not finite, lengths
    differ, or a group has events without exposure.
    """
    count, base = _rates(observed, exposure)
    count, base = count[base > 0], base[base > 0]
    if count.sum() == 0:
        return GammaPrior(np.nan, np.nan)
    mean = float(count.sum() / base.sum())
    if ((count - mean * base) ** 2).sum() <= count.sum():
        return GammaPrior(LARGEST_STRENGTH, LARGEST_STRENGTH / mean)

    def minus_log_likelihood(logs: FloatArray) -> float:
        shape, mean = np.exp(logs)
        return -float(nbinom.logpmf(count, shape, shape / (shape + mean * base)).sum())

    start = np.array([0.0, np.log(mean)])
    simplex = start + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 0.5]])
    fit = minimize(
        minus_log_likelihood,
        start,
        method="Nelder-Mead",
        bounds=[(None, np.log(LARGEST_STRENGTH)), (None, None)],
        options={"xatol": 1e-7, "fatol": 1e-9, "initial_simplex": simplex},
    )
    shape, mean = (float(value) for value in np.exp(fit.x))
    return GammaPrior(shape, shape / mean)


def gamma_posterior(prior: GammaPrior, observed: ArrayLike, exposure: ArrayLike) -> Posterior:
    """Rates of groups with `observed` events in their `exposure`: gamma(shape + observed, rate + exposure).

    Raises ValueError as `gamma_prior`.
    """
    count, base = _rates(observed, exposure)
    return _posterior(gamma(prior.shape + count, scale=1 / (prior.rate + base)), prior.mean)


def probability_beyond(posterior: Posterior, margin: float = 1.0) -> FloatArray:
    """Probability that each group's true share or rate exceeds `margin` times the prior's mean.

    Where the prior is next to a point, that is 1 for a margin below 1, a half at 1 and 0 above. NaN where the prior is
    unknown.

    Raises ValueError where `margin` is negative or not finite.
    """
    return np.asarray(posterior.distribution.sf(float(non_negative("margin", margin)) * posterior.prior_mean))


def _posterior(distribution: Any, prior_mean: float) -> Posterior:
    low, high = distribution.ppf(TAIL), distribution.ppf(1 - TAIL)
    return Posterior(np.asarray(distribution.mean()), np.asarray(low), np.asarray(high), prior_mean, distribution)


def _shares(events: ArrayLike, n: ArrayLike) -> tuple[FloatArray, ...]:
    x, size = same_shape(events=row("events", counts("events", events)), n=counts("n", n))
    not_above("events", x, "n", size)
    return x, size


def _rates(observed: ArrayLike, exposure: ArrayLike) -> tuple[FloatArray, ...]:
    count, base = same_shape(
        observed=row("observed", counts("observed", observed)), exposure=non_negative("exposure", exposure)
    )
    not_above("observed", np.where(base > 0, 0.0, count), "0 where exposure is 0", np.zeros_like(base))
    return count, base


METHODS = (
    Method(
        identifier="beta_binomial",
        name="Beta-binomial empirical Bayes by moments",
        functions=("beta_from_moments", "beta_prior", "beta_posterior", "probability_beyond"),
        says="What is known of each group's true share, given its own events and how far all groups differ: its mean, "
        "an interval, and the probability that it exceeds a multiple of the mean of all. The prior is taken as known.",
        formula="beta(alpha + events, beta + n - events); alpha + beta = m (1 - m) / v - 1; "
        "v = max(0, (s^2 - m (1 - m) / N) / (1 - 1 / N))",
        source="Martuzzi M, Elliott P (1996), Empirical Bayes estimation of small area prevalence of non-rare "
        "conditions, Statistics in Medicine 15:1867-1873",
        checks=(
            "test_posteriors::test_tumours_in_rats",
            "test_posteriors::test_respiratory_disease_in_huddersfield",
            "test_posteriors::test_beta_prior_is_recovered",
            "test_posteriors::test_posterior_probabilities_are_calibrated",
        ),
    ),
    Method(
        identifier="gamma_poisson",
        name="Gamma-Poisson empirical Bayes by marginal likelihood",
        functions=("gamma_prior", "gamma_posterior", "probability_beyond"),
        says="As the beta-binomial, for rates over time or ratios to expected events.",
        formula="gamma(shape + O, rate + E); O negative binomial with mean E shape / rate",
        source="Gaver DP, O'Muircheartaigh IG (1987), Robust empirical Bayes analyses of event rates, Technometrics "
        "29:1-15 (from memory)",
        checks=(
            "test_posteriors::test_failures_of_pumps",
            "test_posteriors::test_gamma_prior_is_recovered",
            "test_posteriors::test_gamma_prior_is_where_the_likelihood_is_greatest",
            "test_posteriors::test_posterior_probabilities_are_calibrated",
        ),
    ),
)
