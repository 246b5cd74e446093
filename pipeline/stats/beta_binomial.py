"""Shares of groups under a beta prior that is estimated from the groups themselves, by moments."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import beta

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, probability, row, same_shape
from pipeline.stats.method import Method
from pipeline.stats.posteriors import LARGEST_STRENGTH, Posterior, posterior_of

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
    return posterior_of(beta(prior.alpha + x, prior.beta + size - x), prior.mean)


def _shares(events: ArrayLike, n: ArrayLike) -> tuple[FloatArray, ...]:
    x, size = same_shape(events=row("events", counts("events", events)), n=counts("n", n))
    not_above("events", x, "n", size)
    return x, size


METHODS = (
    Method(
        identifier="beta_binomial",
        name="Beta-binomial empirical Bayes by moments",
        functions=("beta_from_moments", "beta_prior", "beta_posterior"),
        says="What is known of each group's true share, given its own events and how far all groups differ: its mean "
        "and an interval. The prior is taken as known.",
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
)
