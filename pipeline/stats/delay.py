"""How long an event takes to become known: the distribution of the delay from piercing to record.

Only events already recorded are seen, so long delays of recent piercings are missing (right truncation). Counted as
they stand, delays look shorter than they are.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, non_negative, not_above, row, same_shape
from pipeline.stats.method import Method

PRIOR_EVENTS = 5.0
"""At each delay the assumed distribution counts as so many events: it steadies the long delays that few piercings are
old enough to show, and stands alone where there is no event. An assumption, not from data."""
ASSUMED_SCALE_DAYS = 14.0
ASSUMED_SHAPE = 1.5
"""Weibull scale and shape of the assumed distribution: half are known within 10 days, nine in ten within 24. An
assumption, not from data, to be outweighed by the chain's own events as they come in."""
LONGEST_ASSUMED_DAYS = 120
"""Days after which the assumed distribution is taken to be complete."""


def assumed_cdf(k: ArrayLike) -> FloatArray:
    """Assumed probability that an event is known `k` whole days after the piercing: 1 - exp(-((k + 1) / 14)^1.5)."""
    days = np.asarray(k, dtype=np.float64)
    known = -np.expm1(-((np.maximum(days + 1, 0) / ASSUMED_SCALE_DAYS) ** ASSUMED_SHAPE))
    return np.where(days < 0, 0.0, known)


@dataclass(frozen=True, eq=False)
class DelayDistribution:
    """The distribution of the delay in days.

    `delays` are the delays at which it steps, in ascending order, `known` the probability of a delay up to each, and
    `events` how many events it rests on.
    """

    delays: FloatArray
    known: FloatArray
    events: int

    def cdf(self, k: ArrayLike) -> FloatArray:
        """P(delay <= k) in the shape of `k`: 0 below the first delay, 1 from the last on."""
        steps = np.concatenate(([0.0], self.known))
        return np.asarray(steps[np.searchsorted(self.delays, k, side="right")])


def estimate_delay(delays: ArrayLike, truncations: ArrayLike, prior_events: float = PRIOR_EVENTS) -> DelayDistribution:
    """Estimates the distribution from events' `delays` and `truncations`, both in days.

    The truncation is the longest delay an event could have had and still been seen. Reverse-time product-limit: F(k) is
    the product over delays j > k of 1 - q_j, where q_j is the share with delay j among events that have a delay up to j
    and could have had it (truncation >= j). Delays longer than the longest considered are taken not to occur.
    Source: Lagakos SW, Barraj LM, De Gruttola V (1988), Nonparametric analysis of truncated survival data, with
    application to AIDS, Biometrika 75:515-523.

    Each q_j is drawn towards that of the assumed distribution, h_j = 1 - F0(j - 1) / F0(j), as if `prior_events` more
    events had been at risk: q_j = (d_j + m h_j) / (Y_j + m) over whole days j. Otherwise a single old event could carry
    all the weight at the longest delay, and q there be 1. With `prior_events` 0 the estimate is the product-limit alone
    and steps at the delays seen, which need not be whole days; then there must be an event.

    Raises ValueError where either has a value that is negative or not finite, they differ in length, a delay exceeds
    its truncation (it could not have been seen), or there is neither an event nor a prior.
    """
    delay, truncation = same_shape(
        delays=row("delays", non_negative("delays", delays)), truncations=non_negative("truncations", truncations)
    )
    not_above("delays", delay, "truncations", truncation)
    prior = float(non_negative("prior_events", prior_events))
    steps = np.unique(delay)
    if prior:
        longest = max([LONGEST_ASSUMED_DAYS, *np.ceil(steps[-1:])])
        steps = np.union1d(steps, np.arange(longest + 1))
    elif not delay.size:
        raise ValueError("delays must have an event where prior_events is 0")
    reverse_hazard = (_at(delay, steps) + prior * _assumed_reverse_hazard(steps)) / (
        _at_risk(delay, truncation, steps) + prior
    )
    longer = np.cumprod((1 - reverse_hazard)[::-1])[::-1]
    return DelayDistribution(steps, np.append(longer[1:], 1.0), len(delay))


def _at(delay: FloatArray, steps: FloatArray) -> FloatArray:
    """Events with each delay."""
    return np.bincount(np.searchsorted(steps, delay), minlength=len(steps)).astype(np.float64)


def _at_risk(delay: FloatArray, truncation: FloatArray, steps: FloatArray) -> FloatArray:
    """Events with a delay up to each step that could have had it: a truncation below it implies a delay below it."""
    up_to = np.searchsorted(np.sort(delay), steps, side="right")
    return np.asarray(up_to - np.searchsorted(np.sort(truncation), steps, side="left"), dtype=np.float64)


def _assumed_reverse_hazard(steps: FloatArray) -> FloatArray:
    assumed = assumed_cdf(steps)
    return 1 - np.concatenate(([0.0], assumed[:-1])) / assumed


METHODS = (
    Method(
        identifier="reporting_delay",
        name="Reverse-time product-limit of the reporting delay",
        functions=("estimate_delay", "assumed_cdf"),
        says="How long an event takes to become known, although long delays of recent piercings have not been seen "
        "yet. It is drawn towards an assumed distribution that counts as five events, which steadies rare long delays.",
        formula="F(k) = product over j > k of 1 - q_j; q_j = (d_j + m h_j) / (Y_j + m)",
        source="Lagakos SW, Barraj LM, De Gruttola V (1988), Nonparametric analysis of truncated survival data, with "
        "application to AIDS, Biometrika 75:515-523",
        checks=(
            "test_delay::test_children_infected_by_transfusion",
            "test_delay::test_chain_ladder_is_the_same_estimator",
            "test_delay::test_recovers_a_known_distribution_where_plain_counting_does_not",
        ),
    ),
)
