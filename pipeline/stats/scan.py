"""A slice's events against those of all the rest, and how seldom chance alone makes a statistic as large.

Which slices there are, and worlds in which nothing has changed, come from the caller.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import rel_entr

from pipeline.stats.arguments import FloatArray, counts, finite, non_negative, not_above, same_shape
from pipeline.stats.control_chart import above
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class AgainstRest:
    """Each slice's observed / expected over that of the rest, and the log-likelihood ratio of an excess.

    The ratio is infinite where the slice has all events and expects fewer, NaN where it expects none, or all and has
    all.
    """

    ratio: FloatArray
    log_likelihood_ratio: FloatArray


def against_rest(observed: ArrayLike, expected: ArrayLike, total: int) -> AgainstRest:
    """Compares slices, with `observed` of all `total` events where they `expected` so many of them, with the rest.

    All parts of the whole expect `total` together. With c events, E expected and C in total, the log-likelihood ratio
    is c ln(c / E) + (C - c) ln((C - c) / (C - E)) where c > E, and 0 else: only an excess counts. Source: Kulldorff M
    (1997), A spatial scan statistic, Communications in Statistics - Theory and Methods 26:1481-1496 (from memory).

    Raises ValueError where `observed` or `total` are not whole numbers of 0 or more, `expected` is negative or not
    finite, either exceeds `total`, a slice has events and expects none, or shapes differ.
    """
    c, mean, everything = same_shape(
        observed=counts("observed", observed), expected=non_negative("expected", expected), total=counts("total", total)
    )
    not_above("observed", c, "total", everything)
    not_above("expected", mean, "total", everything)
    not_above("observed", np.where(mean > 0, 0.0, c), "0 where expected is 0", np.zeros_like(mean))
    rest, rest_mean = everything - c, everything - mean
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (c * rest_mean) / (mean * rest)
    evidence = rel_entr(c, mean) + rel_entr(rest, rest_mean)
    return AgainstRest(np.asarray(ratio), np.where(c > mean, evidence, 0.0))


def monte_carlo_p(observed: float, simulated: ArrayLike) -> float:
    """How seldom a statistic is as large as `observed` while nothing has changed: r / (R + 1).

    `simulated` has it in each of R worlds in which nothing has; r is the rank of the observed among all R + 1, from the
    largest. A tie counts against it, also one by rounding, so p is never 0, and at most right: P(p <= a) <= a. Without
    worlds it is 1. Source: Dwass M (1957), Modified randomization tests for nonparametric hypotheses, Annals of
    Mathematical Statistics 28:181-187 (from memory).

    Raises ValueError where `observed` is not finite, or `simulated` is not a row of finite numbers.
    """
    value, worlds = finite("observed", [observed]), finite("simulated", simulated)
    as_large = np.count_nonzero(~above(value, worlds))
    return (1 + as_large) / (1 + worlds.size)


METHODS = (
    Method(
        identifier="against_rest",
        name="Kulldorff's log-likelihood ratio",
        functions=("against_rest",),
        says="How strongly a slice's events speak for an excess there over all the rest, given the total. Only an "
        "excess counts; what the highest of many slices reaches by chance is told by simulation.",
        formula="c ln(c / E) + (C - c) ln((C - c) / (C - E)) where c > E, else 0",
        source="Kulldorff M (1997), A spatial scan statistic, Communications in Statistics - Theory and Methods "
        "26:1481-1496 (from memory)",
        checks=(
            "test_scan::test_breast_cancer_in_the_northeast",
            "test_scan::test_sudden_infant_deaths_in_north_carolina",
            "test_scan::test_is_the_likelihood_ratio_of_two_poisson_means_given_the_total",
        ),
    ),
    Method(
        identifier="monte_carlo_p",
        name="Monte-Carlo p value",
        functions=("monte_carlo_p",),
        says="How seldom a statistic is as large by chance, from simulated worlds in which nothing has changed. Ties "
        "count against the observed; it is never 0, and never smaller than its worlds can tell.",
        formula="r / (R + 1), r the rank of the observed among itself and R simulated values",
        source="Dwass M (1957), Modified randomization tests for nonparametric hypotheses, Annals of Mathematical "
        "Statistics 28:181-187 (from memory)",
        checks=(
            "test_scan::test_the_least_p_of_so_many_worlds",
            "test_scan::test_ties_count_against_the_observed",
            "test_scan::test_p_values_keep_their_level",
        ),
    ),
)
