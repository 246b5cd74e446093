"""Cumulative incidence with competing risks: the share with an event of one cause where another can come first."""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, codes, non_negative, row, same_shape
from pipeline.stats.method import Method
from pipeline.stats.survival import Curve, CurveValues, event_steps, log_log_interval


def cumulative_incidence(times: ArrayLike, cause: ArrayLike, n_causes: int) -> tuple[Curve, ...]:
    """Incidence I_k(t) of each cause k up to day t, where the first event of any cause is the last (Aalen-Johansen).

    One subject each: `times` in days, and `cause`, 0 where observation ended without an event, else 1 to `n_causes`.
    I_k(t) is the sum of S(t_j-) d_kj / Y_j over days t_j <= t, S the survival without any event. All curves step on the
    days with an event of any cause; their sum is 1 - S. The variance is that of the delta method, the interval log-log
    for 1 - I_k; with one cause both are those of `kaplan_meier`. Source: Marubini E, Valsecchi MG (1995), Analysing
    Survival Data from Clinical Trials and Observational Studies, chapter 10 (from memory). statsmodels has the same
    variance, but divides by 0 where the last subjects observed have an event.

    Raises ValueError where `times` are negative or not finite, `cause` is not 0 to `n_causes`, or lengths differ.
    """
    followed = row("times", non_negative("times", times))
    cause_of = codes("cause", cause, n_causes + 1)
    same_shape(times=followed, cause=cause_of.astype(np.float64))
    of_cause = cause_of[:, np.newaxis] == np.arange(1, n_causes + 1)
    days, at_risk, events = event_steps(followed, of_cause)
    total = events.sum(axis=1)
    survival = np.concatenate(([1.0], np.cumprod(1 - total / at_risk)))
    known_to = np.inf if survival[-1] == 0 else float(followed.max(initial=-1.0))
    curves = []
    for count in events.T:
        incidence = np.cumsum(survival[:-1] * count / at_risk)
        variance = _incidence_variance(incidence, survival[:-1], count, total, at_risk)
        interval = log_log_interval(1 - incidence, variance)
        values = CurveValues(incidence, variance, 1 - interval.high, 1 - interval.low)
        curves.append(Curve(days, at_risk, count, values, 0.0, known_to))
    return tuple(curves)


def _incidence_variance(
    incidence: FloatArray, before: FloatArray, count: FloatArray, total: FloatArray, at_risk: FloatArray
) -> FloatArray:
    """The delta-method variance of I(t): three sums over the days t_j <= t, their I(t) - I(t_j) multiplied out."""
    # Where all at risk have an event nothing comes after, so the first term is 0 and its infinite factor plays no part.
    left = at_risk - total
    any_cause = np.divide(total, at_risk * left, out=np.zeros_like(total), where=left > 0)
    own = before**2 * (at_risk - count) * count / at_risk**3
    both = before * count / at_risk**2
    squared = incidence**2 * np.cumsum(any_cause) - 2 * incidence * np.cumsum(incidence * any_cause)
    squared += np.cumsum(incidence**2 * any_cause)
    crossed = incidence * np.cumsum(both) - np.cumsum(incidence * both)
    return np.asarray(np.maximum(squared + np.cumsum(own) - 2 * crossed, 0.0))  # rounding can leave it just below 0


METHODS = (
    Method(
        identifier="cumulative_incidence",
        name="Cumulative incidence with competing risks (Aalen-Johansen)",
        functions=("cumulative_incidence",),
        says="The share with an event of one cause up to each day, where one of another cause makes it impossible. "
        "Kaplan-Meier, which would take the others as merely unobserved, gives too much.",
        formula="I_k(t) = sum of S(t_j-) d_kj / Y_j over t_j <= t; delta-method variance; log-log interval for 1 - I_k",
        source="Marubini E, Valsecchi MG (1995), Analysing Survival Data from Clinical Trials and Observational "
        "Studies, chapter 10 (from memory)",
        checks=(
            "test_survival::test_relapse_and_death_after_transplant",
            "test_survival::test_incidence_equals_statsmodels",
            "test_survival::test_incidence_recovers_two_hazards",
        ),
    ),
)
