"""Posterior shares and rates of groups, under a prior that is estimated from the groups themselves.

The prior is then taken as known, so posterior intervals are somewhat too short where there are few groups. Where groups
differ no more than by chance, the prior is next to a point: each group has the mean. Shares are in `beta_binomial`,
rates in `gamma_poisson`.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.stats.arguments import FloatArray, non_negative
from pipeline.stats.intervals import TAIL
from pipeline.stats.method import Method

LARGEST_STRENGTH = 1e9
"""The strength of a prior where groups differ no more than by chance: so near to a point that no group moves it."""


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


def posterior_of(distribution: Any, prior_mean: float) -> Posterior:
    """What a frozen SciPy distribution, one of each group's share or rate, says of the groups."""
    low, high = distribution.ppf(TAIL), distribution.ppf(1 - TAIL)
    return Posterior(np.asarray(distribution.mean()), np.asarray(low), np.asarray(high), prior_mean, distribution)


def probability_beyond(posterior: Posterior, margin: float = 1.0) -> FloatArray:
    """Probability that each group's true share or rate exceeds `margin` times the prior's mean.

    Where the prior is next to a point, that is 1 for a margin below 1, a half at 1 and 0 above. NaN where the prior is
    unknown.

    Raises ValueError where `margin` is negative or not finite.
    """
    return np.asarray(posterior.distribution.sf(float(non_negative("margin", margin)) * posterior.prior_mean))


METHODS = (
    Method(
        identifier="posterior",
        name="Posterior interval and probability",
        functions=("posterior_of", "probability_beyond"),
        says="Of a group's true share or rate, given its own events and how far all groups differ: its mean, an "
        "interval, and the probability that it exceeds a multiple of the mean of all. The prior is taken as known.",
        formula="mean, 2.5 and 97.5 % quantiles of the posterior; P(share or rate > margin times the prior's mean)",
        source="Gelman A et al., Bayesian Data Analysis, ch. 5 (from memory)",
        checks=(
            "test_posteriors::test_posterior_probabilities_are_calibrated",
            "test_posteriors::test_posteriors_are_the_distributions_they_say",
        ),
    ),
)
