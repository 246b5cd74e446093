"""Rates, or ratios to expected events, of groups under a gamma prior that is estimated from the groups themselves."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from scipy.stats import gamma, nbinom

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, row, same_shape
from pipeline.stats.method import Method
from pipeline.stats.posteriors import LARGEST_STRENGTH, Posterior, posterior_of


@dataclass(frozen=True)
class GammaPrior:
    """Gamma distribution of the true rates or ratios of groups; NaN where it is unknown."""

    shape: float
    rate: float

    @property
    def mean(self) -> float:
        """The mean rate."""
        return self.shape / self.rate


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
    return posterior_of(gamma(prior.shape + count, scale=1 / (prior.rate + base)), prior.mean)


def _rates(observed: ArrayLike, exposure: ArrayLike) -> tuple[FloatArray, ...]:
    count, base = same_shape(
        observed=row("observed", counts("observed", observed)), exposure=non_negative("exposure", exposure)
    )
    not_above("observed", np.where(base > 0, 0.0, count), "0 where exposure is 0", np.zeros_like(base))
    return count, base


METHODS = (
    Method(
        identifier="gamma_poisson",
        name="Gamma-Poisson empirical Bayes by marginal likelihood",
        functions=("gamma_prior", "gamma_posterior"),
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
