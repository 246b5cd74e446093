"""Completion of recent weeks: how many events they will have once all are known.

An event of a recent piercing may not have come up yet, or not been recorded. The delay distribution tells which share
of a week's events is known by now; the rest are unseen.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import nbinom, poisson

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, same_shape
from pipeline.stats.delay import DelayDistribution
from pipeline.stats.intervals import TAIL
from pipeline.stats.method import Method

PRIOR_SHAPE = 0.5
"""Shape of the gamma prior of a week's mean, that of Jeffreys: half an event, so that a week with none seen so far is
not taken to be sure of none."""
DAYS = 7


@dataclass(frozen=True, eq=False)
class Completion:
    """The events a week will have in the end: expected number and 95 % prediction limits, events seen included.

    Limits are whole numbers; where nearly all is known, the expected number can lie a part of an event past them.
    """

    expected: FloatArray
    low: FloatArray
    high: FloatArray


def known_share(delay: DelayDistribution, last_age: ArrayLike) -> FloatArray:
    """Share of a week's events that are known by now, its piercings spread evenly over its seven days.

    `last_age` is the age in days of the week's last day: 0 where it ended today, negative where it has not ended; days
    to come count as unknown. In the shape of `last_age`.

    Raises ValueError where `last_age` is not finite.
    """
    last = np.asarray(last_age, dtype=np.float64)
    if not np.isfinite(last).all():
        raise ValueError("last_age must be finite")
    ages = last[..., np.newaxis] + np.arange(DAYS)
    return np.asarray(delay.cdf(ages).mean(axis=-1))


def complete(seen: ArrayLike, share: ArrayLike) -> Completion:
    """Completes weeks from the events `seen` so far, each known with probability `share` by now.

    The events of a week are Poisson with an unknown mean, each known by now independently with probability F = `share`.
    Then those seen and those unseen are independent, with means F and 1 - F times the week's. Expected is seen / F,
    which is unbiased and what the chain ladder gives. For the limits the mean has a gamma(1/2) prior, so that the
    unseen given the seen are negative binomial: shape seen + 1/2, probability F. The delay distribution is taken as
    known, and events of one week as independent: clusters make the limits too narrow. Sources: thinning of a Poisson
    process, e.g. Kingman JFC (1993), Poisson Processes; Lawless JF (1994), Adjustments for reporting delays and the
    prediction of occurred but not reported events, Canadian Journal of Statistics 22:15-31 (both from memory).

    Arrays of one shape, or single numbers. All is NaN where the share is 0, as nothing then tells of the week.

    Raises ValueError where `seen` are not whole numbers of 0 or more, `share` lies outside 0 to 1, or shapes differ.
    """
    x, known = _seen_and_share(seen, share)
    some = np.where(known > 0, known, np.nan)
    low, high = (x + nbinom.ppf(quantile, x + PRIOR_SHAPE, some) for quantile in (TAIL, 1 - TAIL))
    return Completion(np.asarray(x / some), np.asarray(low), np.asarray(high))


def complete_at_rate(seen: ArrayLike, share: ArrayLike, mean: ArrayLike) -> Completion:
    """Completes weeks of known `mean`, such as that expected at the baseline's rate: the unseen are Poisson.

    Assumptions as `complete`, but the week's mean is given, so those seen tell nothing of the unseen, whose mean is
    `mean` (1 - F). It says how a week will end if the rest of it is as the baseline, also where nothing is known yet.

    Raises ValueError as `complete`, and where `mean` is negative or not finite.
    """
    x, known = _seen_and_share(seen, share)
    x, known, level = same_shape(seen=x, share=known, mean=non_negative("mean", mean))
    unseen = level * (1 - known)
    low, high = (x + poisson.ppf(quantile, unseen) for quantile in (TAIL, 1 - TAIL))
    return Completion(np.asarray(x + unseen), np.asarray(low), np.asarray(high))


def _seen_and_share(seen: ArrayLike, share: ArrayLike) -> tuple[FloatArray, ...]:
    x, known = same_shape(seen=counts("seen", seen), share=non_negative("share", share))
    not_above("share", known, "1", np.ones_like(known))
    return x, known


METHODS = (
    Method(
        identifier="completion",
        name="Completion of recent weeks for events not known yet",
        functions=("known_share", "complete", "complete_at_rate"),
        says="How many events a recent week will have once all are known, with limits for that number. The delay is "
        "taken as known and events as independent: events that come in clusters make the limits too narrow. Nothing is "
        "said of a week of which nothing can be known yet.",
        formula="expected seen / F; unseen given seen negative binomial, shape seen + 1/2, probability F; at a given "
        "mean m Poisson, mean (1 - F) m",
        source="Lawless JF (1994), Adjustments for reporting delays and the prediction of occurred but not reported "
        "events, Canadian Journal of Statistics 22:15-31 (from memory)",
        checks=(
            "test_completion::test_the_unseen_are_a_mixture_of_poissons",
            "test_completion::test_limits_hold_the_final_count",
            "test_completion::test_completes_simulated_weeks",
        ),
    ),
)
