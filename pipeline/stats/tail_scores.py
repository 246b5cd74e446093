"""Counts on the scale of a standard normal variable, by the probability of their tail, so that run rules fit them.

Counts are skewed and lumpy: at few events, three standard deviations or half of the points do not mean what run rules
take them to mean. Here a point lies beyond z on one side where the chance of a point as far out or further is below
that of a normal variable beyond z. A rule then alarms falsely no more often than it says.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binom, nbinom, norm

from pipeline.stats.arguments import FloatArray, counts, not_above, probability, row, same_shape
from pipeline.stats.method import Method

_LEAST_TAIL = 1e-300
"""Smaller tails count as this one: scores stay finite, at 37 standard deviations."""
_ROUNDING = 1e-9
"""A tail as near to a half is one: rounding must not put a point on a side of the centre."""


def _scores(rise: ArrayLike, fall: ArrayLike) -> FloatArray:
    """Scores from the tails on the side of a rise and of a fall; each holds the point itself, so one exceeds 1/2."""
    tail = np.maximum(np.minimum(rise, fall), _LEAST_TAIL)
    score = np.where(tail < 0.5 - _ROUNDING, norm.isf(tail), 0.0)
    return np.asarray(np.where(np.less(rise, fall), score, -score), dtype=np.float64)


def share_scores(n: ArrayLike, observed: ArrayLike, p: float) -> FloatArray:
    """Scores of `observed` events among `n`, binomial with the baseline's probability `p`; more events score higher.

    A score is 0 where the count is a median.

    Raises ValueError where `n` is not a row of whole numbers of 1 or more, `observed` not whole numbers from 0 to `n`,
    one for each, or `p` lies outside 0 to 1.
    """
    size, events = same_shape(n=row("n", counts("n", n, least=1)), observed=counts("observed", observed))
    not_above("observed", events, "n", size)
    p = probability("p", p)
    return _scores(binom.sf(events - 1, size, p), binom.cdf(events, size, p))


def run_scores(lengths: ArrayLike, p: float, events: int) -> FloatArray:
    """Scores of the piercings it took to the next `events` events, negative binomial with `p`; fewer score higher.

    Raises ValueError where `lengths` is not a row of whole numbers of `events` or more, `p` is not above 0 and up to 1,
    or `events` is not a whole number above 0.
    """
    events = int(counts("events", events, least=1))
    spare = row("lengths", counts("lengths", lengths, least=events)) - events
    p = probability("p", p, positive=True)
    return _scores(nbinom.cdf(spare, events, p), nbinom.sf(spare - 1, events, p))


METHODS = (
    Method(
        identifier="tail_scores",
        name="Counts on the scale of run rules",
        functions=("share_scores", "run_scores"),
        says="How far out a count or a run lies, by the chance of one as far out or further. A rule for normal points "
        "then alarms falsely no more often than it says, however few the events.",
        formula="z with P(Z >= z) = P(X >= x) on the side of a rise, P(X <= x) on that of a fall; 0 at a median",
        source="elementary; our own use of it",
        checks=(
            "test_tail_scores::test_a_point_beyond_an_exact_limit_scores_beyond_three",
            "test_tail_scores::test_rules_alarm_no_more_often_than_they_say",
        ),
    ),
)
