"""Time to event under right censoring: survival and cumulative hazard as step functions of days."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from pipeline.stats.arguments import FloatArray, flags, non_negative, row, same_shape
from pipeline.stats.intervals import TAIL, Interval
from pipeline.stats.method import Method

ROUNDING = 1e-12
"""A share this near to 0 or 1 is taken to be there: products and sums of a few thousand steps are not exact."""


@dataclass(frozen=True, eq=False)
class CurveValues:
    """Estimates with their variances and 95 % intervals; NaN where nothing could be estimated."""

    estimate: FloatArray
    variance: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, eq=False)
class Curve:
    """A right-continuous step function of days.

    `days` are the days on which it steps, in ascending order; `at_risk` and `events` how many subjects were still
    observed just before each and had the event on it, and `values` what holds from each on. Before the first step the
    estimate is `start` with variance 0 and no interval: the methods have none where nobody had the event. Past
    `known_to`, the last day on which the curve is determined, all is NaN; that is infinite where the curve cannot
    change any more, and -1 where there are no subjects.
    """

    days: FloatArray
    at_risk: FloatArray
    events: FloatArray
    values: CurveValues
    start: float
    known_to: float

    def at(self, days: ArrayLike) -> CurveValues:
        """The values at each of `days`, in their shape.

        Raises ValueError where `days` are negative or not finite.
        """
        day = non_negative("days", days)
        step = np.searchsorted(self.days, day, side="right")
        known = day <= self.known_to
        parts = (self.values.estimate, self.values.variance, self.values.low, self.values.high)
        starts = (self.start, 0.0, np.nan, np.nan)
        columns = (np.concatenate(([start], part))[step] for start, part in zip(starts, parts, strict=True))
        return CurveValues(*(np.where(known, column, np.nan) for column in columns))


def log_log_interval(share: FloatArray, variance: FloatArray) -> Interval:
    """Interval of a `share` that survives, normal on the scale of log(-log share), so that it stays within 0 to 1.

    share^exp(-+ z sd / (share log share)); NaN where the share is 0 or 1, but for rounding: the scale ends there.
    Source: Kalbfleisch JD, Prentice RL (1980), The Statistical Analysis of Failure Time Data, section 1.3 (from
    memory).
    """
    inside = np.where((share > ROUNDING) & (share < 1 - ROUNDING), share, np.nan)
    spread = norm.isf(TAIL) * np.sqrt(variance) / np.abs(inside * np.log(inside))
    return Interval(inside ** np.exp(spread), inside ** np.exp(-spread))


def kaplan_meier(times: ArrayLike, event: ArrayLike) -> Curve:
    """Survival S(t), the probability of no event up to and including day t, with Greenwood's variance.

    One subject each: `times` in days to the event or to the end of observation, and `event`, whether it was the event.
    An event and an end on one day: the event comes first. S(t) is the product of 1 - d_j / Y_j over days t_j <= t, the
    variance S(t)^2 times the sum of d_j / (Y_j (Y_j - d_j)), d_j events among Y_j at risk. Where S has fallen to 0 the
    variance and interval are NaN. Nobody with an event gives no steps and S = 1 to the last day observed. Sources:
    Kaplan EL, Meier P (1958), Nonparametric estimation from incomplete observations, J Am Stat Assoc 53:457-481;
    Greenwood M (1926), Reports on Public Health and Medical Subjects 33 (both from memory).

    Raises ValueError where `times` are negative or not finite, `event` is not true or false, or lengths differ.
    """
    from statsmodels.duration.survfunc import SurvfuncRight  # slow to import, so only when needed

    followed, seen = _subjects(times, event)
    if not seen.any():
        none = np.zeros(0)
        return Curve(none, none, none, CurveValues(none, none, none, none), 1.0, float(followed.max(initial=-1.0)))
    fit = SurvfuncRight(followed, seen)
    variance = np.square(fit.surv_prob_se)
    interval = log_log_interval(fit.surv_prob, variance)
    values = CurveValues(fit.surv_prob, variance, interval.low, interval.high)
    known_to = np.inf if fit.surv_prob[-1] == 0 else float(followed.max())
    return Curve(fit.surv_times, fit.n_risk.astype(np.float64), fit.n_events, values, 1.0, known_to)


def nelson_aalen(times: ArrayLike, event: ArrayLike) -> Curve:
    """Cumulative hazard H(t): the sum of d_j / Y_j over days t_j <= t, with variance the sum of d_j / Y_j^2.

    Arguments as `kaplan_meier`. The interval is normal on the log scale, H exp(-+ z sd / H). Source: Aalen OO (1978),
    Nonparametric inference for a family of counting processes, Annals of Statistics 6:701-726 (from memory).

    Raises ValueError as `kaplan_meier`.
    """
    followed, seen = _subjects(times, event)
    days, at_risk, events = event_steps(followed, seen[:, np.newaxis])
    count = events[:, 0]
    hazard, variance = np.cumsum(count / at_risk), np.cumsum(count / at_risk**2)
    spread = np.exp(norm.isf(TAIL) * np.sqrt(variance) / hazard)
    values = CurveValues(hazard, variance, hazard / spread, hazard * spread)
    return Curve(days, at_risk, count, values, 0.0, float(followed.max(initial=-1.0)))


def _subjects(times: ArrayLike, event: ArrayLike) -> tuple[FloatArray, NDArray[np.bool_]]:
    followed, seen = row("times", non_negative("times", times)), flags("event", event)
    same_shape(times=followed, event=seen.astype(np.float64))
    return followed, seen


def event_steps(followed: FloatArray, kinds: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Days with an event, subjects at risk just before each, and events on each by kind, a column for each."""
    any_kind = kinds.any(axis=1)
    days, position = np.unique(followed[any_kind], return_inverse=True)
    at_risk = len(followed) - np.searchsorted(np.sort(followed), days, side="left")
    events = np.zeros((len(days), kinds.shape[1]))
    np.add.at(events, position, kinds[any_kind])
    return days, at_risk.astype(np.float64), events


METHODS = (
    Method(
        identifier="kaplan_meier",
        name="Kaplan-Meier survival curve with Greenwood's variance",
        functions=("kaplan_meier", "log_log_interval"),
        says="The share without the event up to each day, where some are observed for a shorter time than others. Past "
        "the last day observed it is unknown, unless it has fallen to 0. An event and an end of observation on one "
        "day: the event comes first.",
        formula="S(t) = product of 1 - d_j / Y_j over t_j <= t; variance S(t)^2 sum d_j / (Y_j (Y_j - d_j)); "
        "interval S^exp(-+ z sd / (S log S))",
        source="Kaplan EL, Meier P (1958), Nonparametric estimation from incomplete observations, J Am Stat Assoc "
        "53:457-481 (from memory)",
        checks=(
            "test_survival::test_remission_of_leukaemia_by_kaplan_meier",
            "test_survival::test_kaplan_meier_is_the_product_written_out",
            "test_survival::test_intervals_cover_the_truth",
        ),
    ),
    Method(
        identifier="nelson_aalen",
        name="Nelson-Aalen cumulative hazard",
        functions=("nelson_aalen", "event_steps"),
        says="The sum of the daily risks of those still observed; it may exceed 1.",
        formula="H(t) = sum of d_j / Y_j over t_j <= t; variance sum d_j / Y_j^2; interval H exp(-+ z sd / H)",
        source="Aalen OO (1978), Nonparametric inference for a family of counting processes, Annals of Statistics "
        "6:701-726 (from memory)",
        checks=(
            "test_survival::test_remission_of_leukaemia_by_nelson_aalen",
            "test_survival::test_intervals_cover_the_truth",
        ),
    ),
)
