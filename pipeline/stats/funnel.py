"""Observed against expected: exact Poisson prediction limits, and the stepwise search for slices beyond them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import csr_array
from scipy.stats import poisson

from pipeline.stats.arguments import FloatArray, IntArray, counts, non_negative, probability, row, same_shape
from pipeline.stats.method import Method

LEVEL = 0.01
"""Probability that any slice at all is called beyond its limit while nothing has changed."""
LEAST_EXPECTED = 1.0
LEAST_OBSERVED = 3
"""What a slice must have expected and observed to be judged: fewer are single cases to look at, not a pattern."""
SUM_DECIMALS = 12
"""Decimals to which sums over a slice are kept, well above what the order of adding changes."""


@dataclass(frozen=True, eq=False)
class FunnelLimits:
    """Prediction limits for observed / expected, or for a share: 2.5 and 97.5 %, 0.1 and 99.9 %; NaN where unknown."""

    low_95: FloatArray
    high_95: FloatArray
    low_998: FloatArray
    high_998: FloatArray


def funnel_limits(expected: ArrayLike) -> FunnelLimits:
    """Limits within which the ratio of groups that expect so many would fall if all fared alike.

    Exact Poisson quantiles over `expected`, without widening for overdispersion. Source: Spiegelhalter DJ (2005),
    Funnel plots for comparing institutional performance, Statistics in Medicine 24:1185-1202.

    Raises ValueError where `expected` is negative or not finite.
    """
    base = non_negative("expected", expected)
    some = np.where(base > 0, base, np.nan)
    quantiles = (0.025, 0.975, 0.001, 0.999)
    return FunnelLimits(*(np.asarray(poisson.ppf(quantile, base) / some) for quantile in quantiles))


def poisson_tail(observed: ArrayLike, expected: ArrayLike) -> FloatArray:
    """P(X >= `observed`) where X is Poisson with mean `expected`.

    Raises ValueError where `observed` are not whole numbers of 0 or more, `expected` negative or not finite, or shapes
    differ.
    """
    count, base = same_shape(observed=counts("observed", observed), expected=non_negative("expected", expected))
    return np.asarray(poisson.sf(count - 1, base))


def critical_count(expected: ArrayLike, tail: float) -> FloatArray:
    """The smallest count o with P(X >= o) <= `tail`, where X is Poisson with mean `expected`.

    Raises ValueError where `expected` is negative or not finite, or `tail` not above 0 and up to 1.
    """
    return np.asarray(poisson.isf(probability("tail", tail, positive=True), non_negative("expected", expected)) + 1)


@dataclass(frozen=True, eq=False)
class SliceFigures:
    """Piercings of slices, observed and expected events, and the probability of as many while all fare as expected."""

    piercings: FloatArray
    observed: FloatArray
    expected: FloatArray
    p_value: FloatArray


@dataclass(frozen=True, eq=False)
class Excess:
    """The slices that have more events than chance explains.

    `start` has the figures of all slices before any was chosen. `chosen` are the rows of the slices beyond their limit,
    in the order of choice, and `figures` theirs as they stood when each was chosen. `tail` is what a slice's p value
    must not exceed; NaN where no slice had enough expected to be judged.
    """

    start: SliceFigures
    chosen: IntArray
    figures: SliceFigures
    tail: float


def _checked_membership(membership: csr_array, n_piercings: int) -> csr_array:
    slices: csr_array = membership.astype(np.float64, copy=True)
    slices.sum_duplicates()
    if slices.shape[1] != n_piercings:
        raise ValueError(f"membership must have a column for each of the {n_piercings} piercings: {slices.shape[1]}")
    if (slices.data != 1).any():
        raise ValueError("membership must say once of each piercing whether it is in a slice: entries must be 1")
    return slices


def _slice_figures(slices: csr_array, left: FloatArray, events: FloatArray, expected: FloatArray) -> SliceFigures:
    observed = slices @ (events * left)
    # Rounded, so that the order in which piercings are added decides neither a tie nor a bound.
    mean = np.round(slices @ (expected * left), SUM_DECIMALS)
    return SliceFigures(slices @ left, observed, mean, poisson_tail(observed, mean))


def _furthest_beyond(figures: SliceFigures, tail: float) -> int | None:
    judged = (figures.expected >= LEAST_EXPECTED) & (figures.observed >= LEAST_OBSERVED)
    beyond = np.flatnonzero(judged & (figures.p_value <= tail))
    return int(beyond[np.argmin(figures.p_value[beyond])]) if beyond.size else None


def stepwise_excess(membership: csr_array, events: ArrayLike, expected: ArrayLike, level: float = LEVEL) -> Excess:
    """Chooses, one at a time, the slices with more events than expected, and lets each explain its own piercings.

    `membership` has a row for each slice and a column for each piercing, 1 where the slice holds it; slices may
    overlap. `events` and `expected` have one value for each piercing. A slice with 1 or more expected and 3 or more
    observed is beyond its limit where P(X >= observed) <= `level` / K, K the number of slices with 1 or more expected
    at the start. Of those beyond, the one with the smallest probability is chosen, of equals the first row; its
    piercings are taken out of every slice, and the rest is judged again, until none is beyond. So a bad lot does not
    accuse the branch that used it, unless the branch stands out without it too.

    Sharing `level` among K slices is Bonferroni's bound: while nothing has changed, and `expected` is right, the
    probability that any slice is chosen is `level` at most.

    Raises ValueError where `events` are not whole numbers of 0 or more, `expected` negative or not finite, `level` not
    above 0 and up to 1, lengths differ, or `membership` has other columns or entries than stated.
    """
    count, base = same_shape(
        events=row("events", counts("events", events)), expected=non_negative("expected", expected)
    )
    slices = _checked_membership(membership, len(count))
    left = np.ones(len(count))
    start = now = _slice_figures(slices, left, count, base)
    n_judged = int((start.expected >= LEAST_EXPECTED).sum())
    tail = probability("level", level, positive=True) / n_judged if n_judged else np.nan
    chosen: list[int] = []
    figures: list[tuple[float, float, float, float]] = []
    while (best := _furthest_beyond(now, tail)) is not None:
        chosen.append(best)
        figures.append((now.piercings[best], now.observed[best], now.expected[best], now.p_value[best]))
        left[slices.indices[slices.indptr[best] : slices.indptr[best + 1]]] = 0
        now = _slice_figures(slices, left, count, base)
    by_column = np.array(figures, dtype=np.float64).reshape(-1, 4).T
    return Excess(start, np.array(chosen, dtype=np.int64), SliceFigures(*by_column), tail)


METHODS = (
    Method(
        identifier="poisson_funnel",
        name="Exact Poisson funnel limits for observed over expected",
        functions=("funnel_limits",),
        says="Where the ratio of a group that expects so many events would fall in 95 and in 99.8 of 100 cases if all "
        "groups fared alike. A group beyond is a reason to look, not a ranking.",
        formula="smallest k with P(X <= k) >= q, over E; X Poisson(E); q = 0.025, 0.975, 0.001, 0.999",
        source="Spiegelhalter DJ (2005), Funnel plots for comparing institutional performance, Statistics in Medicine "
        "24:1185-1202",
        checks=("test_funnel::test_limits_are_the_exact_quantiles",),
    ),
    Method(
        identifier="stepwise_excess",
        name="Stepwise search for slices with more events than expected",
        functions=("stepwise_excess", "poisson_tail", "critical_count"),
        says="Chooses the slice, such as a lot or a branch, that chance explains least, takes its piercings out of all "
        "others, and judges those again, so that a bad lot does not accuse the branch that used it. The probability "
        "that any is chosen while nothing has changed is the level at most.",
        formula="beyond where P(X >= O) <= level / K, X Poisson(E), K slices that expect 1 or more (Bonferroni)",
        source="Bonferroni's bound; the stepwise search is defined here",
        checks=(
            "test_funnel::test_tails_of_a_published_table",
            "test_funnel::test_tail_equals_the_chi_square_identity",
            "test_funnel::test_stepwise_equals_the_search_by_sets",
            "test_funnel::test_false_alarms_keep_to_the_level",
            "test_funnel::test_a_planted_lot_is_found_alone",
        ),
    ),
)
