"""The log-rank test: do groups differ in the time to an event?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2

from pipeline.stats.arguments import FloatArray, codes, flags, non_negative, row, same_shape
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class LogRank:
    """Observed and expected events of each group, and the test that all have the same hazard.

    `degrees` counts the groups that expect events, less one. `statistic` and `p_value` are NaN where fewer than two
    groups do, or the first event day takes all who are observed, so that nothing can differ.
    """

    observed: FloatArray
    expected: FloatArray
    statistic: float
    degrees: int
    p_value: float


def log_rank(times: ArrayLike, event: ArrayLike, group: ArrayLike, n_groups: int) -> LogRank:
    """Tests whether `n_groups` groups have the same hazard, with equal weight for each event.

    One subject each: `times` in days to the event or to the end of observation, `event`, whether it was the event, and
    `group` from 0 to `n_groups` - 1. On each event day, events are expected in proportion to those at risk; their
    variance is hypergeometric, so that ties need no rule. The statistic is (O - E)' V^-1 (O - E), chi-square where no
    group differs. A group that is nowhere at risk expects 0 and takes no part. Sources: Mantel N (1966), Evaluation of
    survival data and two new rank order statistics arising in its consideration, Cancer Chemotherapy Reports
    50:163-170; Peto R, Peto J (1972), Asymptotically efficient rank invariant test procedures, J R Stat Soc A
    135:185-207 (both from memory).

    Raises ValueError where `times` are negative or not finite, `event` is not true or false, `group` is out of its
    range, or lengths differ.
    """
    time, seen = row("times", non_negative("times", times)), flags("event", event)
    group_of = codes("group", group, n_groups)
    same_shape(times=time, event=seen.astype(np.float64), group=group_of.astype(np.float64))
    days = np.unique(time[seen])
    members = [time[group_of == number] for number in range(n_groups)]
    at_risk = np.array([len(part) - np.searchsorted(np.sort(part), days, side="left") for part in members])
    total, events = at_risk.sum(axis=0), np.bincount(np.searchsorted(days, time[seen]), minlength=len(days))
    share = at_risk / total
    observed = np.bincount(group_of[seen], minlength=n_groups).astype(np.float64)
    expected = np.asarray((share * events).sum(axis=1))
    # One at risk is one with the event, so the variance is 0 there whatever the divisor.
    spread = events * (total - events) / np.maximum(total - 1, 1)
    covariance = np.diag((share * spread).sum(axis=1)) - (share * spread) @ share.T
    return LogRank(observed, expected, *_test(observed - expected, covariance, expected > 0))


def _test(excess: FloatArray, covariance: FloatArray, part: NDArray[np.bool_]) -> tuple[float, int, float]:
    """Statistic, degrees of freedom and p value; the last group follows from the others."""
    free = np.flatnonzero(part)[:-1]
    # All who take part are at risk on the first event day: unless it takes them all, the others' matrix is regular.
    if not free.size or not covariance.any():
        return np.nan, len(free), np.nan
    statistic = float(excess[free] @ np.linalg.solve(covariance[np.ix_(free, free)], excess[free]))
    return statistic, len(free), float(chi2.sf(statistic, len(free)))


METHODS = (
    Method(
        identifier="log_rank",
        name="Log-rank test of two or more groups",
        functions=("log_rank",),
        says="Compares whole curves of time to an event. It is strongest where one hazard is a multiple of the other; "
        "groups whose curves cross may differ without it showing. A group without subjects takes no part.",
        formula="E_g = sum of d_j Y_gj / Y_j over event days; (O - E)' V^-1 (O - E), V hypergeometric",
        source="Mantel N (1966), Evaluation of survival data and two new rank order statistics arising in its "
        "consideration, Cancer Chemotherapy Reports 50:163-170 (from memory)",
        checks=(
            "test_survival::test_log_rank_of_treatment_and_placebo",
            "test_survival::test_log_rank_of_three_groups_after_transplant",
            "test_survival::test_log_rank_equals_statsmodels",
            "test_survival::test_log_rank_keeps_its_level",
        ),
    ),
)
