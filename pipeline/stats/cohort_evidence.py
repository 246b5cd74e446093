"""Evidence that a slice's recent piercings have more events than expected so far: a mixture over when and how much.

The statistic is of the Shiryaev-Roberts type, kept by procedure date: every window that ends tonight is a possible
start, and an event belongs to the window of its piercing however late it was recorded. So a backlog that arrives at
once is no rise, and every past night can be computed again from what was then known.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import logsumexp, xlogy

from pipeline.stats.arguments import FloatArray, IntArray, counts, non_negative, same_shape
from pipeline.stats.method import Method

WINDOWS: IntArray = np.array([*range(2, 29, 2), *range(35, 183, 7)], dtype=np.int64)
"""Lengths in days of the windows of procedure dates that end tonight."""
GAPS: IntArray = np.diff(WINDOWS, prepend=0)
"""Days of starts that each window stands for: its weight."""
RATIOS = (1.3, 2.0, 3.5, 6.0)
"""Times the expected that a rise may be, with equal weights."""

_LOG_WEIGHTS = np.log(GAPS) - np.log(len(RATIOS))


@dataclass(frozen=True, eq=False)
class Evidence:
    """Evidence of each slice: its `score`, the logarithm of the mixture, and the `window` that adds most to it.

    `window` is an index into `WINDOWS`: the likeliest start.
    """

    score: FloatArray
    window: IntArray


def cohort_evidence(observed: ArrayLike, expected: ArrayLike, precision: ArrayLike) -> Evidence:
    """The evidence of slices from events `observed` and `expected` so far in each of `WINDOWS`.

    `observed` and `expected` have the windows along their last axis, growing along it; `precision` has one value for
    each slice, the events that the expected ones are worth as knowledge: infinite where they are known. With O and E of
    a window, c = `precision` and ratio r, LR = r^O ((c + E) / (c + r E))^(c + O), the ratio of predictive densities
    where the slice's true mean has a gamma(c) prior round E; score = ln sum over windows and ratios of g LR / 4, g the
    days of starts a window stands for. Source: Shiryaev AN (1963) and Roberts SW (1966) for sums over starts, Pollak M
    (1985), Optimal detection of a change in distribution, Annals of Statistics 13:206-227 (all from memory); by
    procedure date and with the predictive ratio as defined here.

    Raises ValueError where `observed` are not whole numbers of 0 or more, `expected` negative or not finite, the last
    axis has another length than `WINDOWS`, or `precision` is not above 0 or not one value for each slice.
    """
    seen, usual = _by_window(observed, expected)
    worth = _worth(precision, seen.shape[:-1])[..., np.newaxis]
    terms = [_log_likelihood_ratio(seen, usual, worth, ratio) for ratio in RATIOS]
    highest = np.maximum.reduce(terms)
    of_window = np.log(np.sum([np.exp(term - highest) for term in terms], axis=0)) + highest + _LOG_WEIGHTS
    top = of_window.max(axis=-1, keepdims=True, initial=-np.inf)
    score = np.log(np.exp(of_window - top).sum(axis=-1)) + top[..., 0]
    return Evidence(score, np.argmax(of_window, axis=-1))


def cohort_bayes_factor(observed: ArrayLike, expected: ArrayLike, precision: ArrayLike) -> FloatArray:
    """Ln of how much likelier each slice's events in one period are under a rise of unknown size than under none.

    The mean of LR over `RATIOS`, as in `cohort_evidence` but for a single period; all arrays are of one shape.

    Raises ValueError as `cohort_evidence`, and where the shapes differ.
    """
    seen, usual = same_shape(observed=counts("observed", observed), expected=non_negative("expected", expected))
    worth = _worth(precision, seen.shape)
    terms = np.stack([_log_likelihood_ratio(seen, usual, worth, ratio) for ratio in RATIOS])
    return np.asarray(logsumexp(terms, axis=0) - np.log(len(RATIOS)))


def most_evidence(observed: ArrayLike, expected: ArrayLike) -> FloatArray:
    """A bound that the score of `cohort_evidence` does not exceed, quick to work out; shapes and errors are the same.

    No ratio makes a window likelier than its own O / E does: ln 182 + max(O ln(O / E) - (O - E), 0), the largest of the
    windows, and a prior on the mean can only lower it. Infinite where a window has an event and expects none.
    """
    seen, usual = _by_window(observed, expected)
    own = np.where(seen > usual, xlogy(seen, seen) - xlogy(seen, usual) - (seen - usual), 0.0)
    return np.asarray(own.max(axis=-1, initial=0.0) + np.log(GAPS.sum()))


def _by_window(observed: ArrayLike, expected: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Observed and expected, each with the windows along its last axis."""
    seen, usual = counts("observed", observed), non_negative("expected", expected)
    if seen.shape != usual.shape or seen.shape[-1:] != WINDOWS.shape:
        raise ValueError(f"observed and expected must have {len(WINDOWS)} windows: {seen.shape} and {usual.shape}")
    return seen, usual


def _worth(precision: ArrayLike, shape: tuple[int, ...]) -> FloatArray:
    """The precision of slices: one for each, or one for all."""
    worth = np.asarray(precision, dtype=np.float64)
    if not (worth > 0).all():
        raise ValueError("precision must be above 0")
    if worth.shape not in ((), shape):
        raise ValueError(f"precision must have a value for each slice: {worth.shape} for {shape}")
    return worth


def _log_likelihood_ratio(seen: FloatArray, usual: FloatArray, worth: FloatArray, ratio: float) -> FloatArray:
    """Ln LR of a ratio; where the mean is known, the limit for an infinite worth."""
    is_known = np.isinf(worth)
    finite = np.where(is_known, 1.0, worth)
    lost = np.where(is_known, (ratio - 1) * usual, (finite + seen) * np.log1p((ratio - 1) * usual / (finite + usual)))
    return np.asarray(seen * np.log(ratio) - lost)


METHODS = (
    Method(
        identifier="cohort_evidence",
        name="Evidence of a rise by procedure date",
        functions=("cohort_evidence", "most_evidence", "cohort_bayes_factor"),
        says="How strongly a slice's recent piercings speak for a rise, over all starts in the last half year and four "
        "sizes of a rise. Each event counts for the day of its piercing, so reports that come all at once are no rise.",
        formula="S = ln sum over windows and r of g/4 r^O ((c + E) / (c + r E))^(c + O), r = 1.3, 2, 3.5, 6",
        source="Pollak M (1985), Optimal detection of a change in distribution, Annals of Statistics 13:206-227 (from "
        "memory), by procedure date as defined here",
        checks=(
            "test_cohort_evidence::test_it_is_the_mixture_of_predictive_densities",
            "test_cohort_evidence::test_no_score_exceeds_the_bound",
            "test_cohort_evidence::test_the_bayes_factor_is_that_of_predictive_densities",
        ),
    ),
)
