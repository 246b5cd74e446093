"""The chart for rare events: how many piercings it took to reach the next five infections.

A run ends with its fifth event. Short runs mean that events rise, and a rise shows as soon as the fifth is there,
however few piercings a week has.

Why five, not one: the number of piercings to the first event is 1 with probability p. Above p = 0.00135 that alone
exceeds the tail a control limit allows, so the lower limit is 1 and no gap, not even two infections in succession, can
fall below it: a chart of single gaps cannot show a rise. To the fifth event, all at once has probability p to the
power 5, so the lower limit stands above 5 for any p below 0.26.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import nbinom

from pipeline.stats.arguments import IntArray, counts, flags, probability, row
from pipeline.stats.control_chart import Chart, Limits
from pipeline.stats.method import Method
from pipeline.stats.shewhart import TAIL

EVENTS = 5
"""Events that end a run."""


@dataclass(frozen=True, eq=False)
class Runs:
    """Complete runs in order: the index of the first and of the last piercing, both inclusive, and how many it has."""

    first: IntArray
    last: IntArray
    length: IntArray


def _events(events: int) -> int:
    return int(counts("events", events, least=1))


def runs_to_events(event_flags: ArrayLike, events: int = EVENTS) -> Runs:
    """Cuts piercings in their order into runs that each end with their `events`-th event.

    `event_flags` says of each piercing whether it is an event. An unfinished last run is left out; with fewer than
    `events` events there are no runs.

    Raises ValueError where `event_flags` is not a row of true and false, or `events` is not a whole number above 0.
    """
    events = _events(events)
    last = np.flatnonzero(flags("event_flags", event_flags))[events - 1 :: events]
    first = np.concatenate(([0], last + 1))[: len(last)]
    return Runs(first, last, last - first + 1)


def count_to_events_limits(p: float, events: int = EVENTS) -> Limits:
    """Limits for the number N of piercings to the `events`-th event, each an event with the baseline's probability `p`.

    N is negative binomial with mean `events` / p; the lower limit is the smallest L with P(N <= L) >= 0.00135, the
    upper the smallest U with P(N <= U) >= 0.99865. Source: Xie M, Goh TN, Kuralmani V (2002), Statistical Models and
    Control Charts for High-Quality Processes (from memory), there called the CCC-r chart.

    Raises ValueError where `p` is not above 0 and up to 1, or `events` is not a whole number above 0.
    """
    events = _events(events)
    p = probability("p", p, positive=True)
    # SciPy counts the piercings without an event before the last event, so the events themselves are added.
    lower, upper = (np.asarray(nbinom.ppf(quantile, events, p) + events) for quantile in (TAIL, 1 - TAIL))
    return Limits(np.asarray(events / p), lower, upper)


def count_to_events_chart(lengths: ArrayLike, p: float, events: int = EVENTS) -> Chart:
    """Chart of the `lengths` of complete runs against the baseline `p`; none gives an empty chart.

    `beyond` is +1 where a run is shorter than the lower limit, for then events rise, and -1 where it is longer than the
    upper.

    Raises ValueError as `count_to_events_limits`, and where `lengths` are not whole numbers of `events` or more.
    """
    limits = count_to_events_limits(p, events)
    length = row("lengths", counts("lengths", lengths, least=events))
    beyond = (length < limits.lower).astype(np.int64) - (length > limits.upper)
    centre, lower, upper = (
        np.broadcast_to(limit, length.shape) for limit in (limits.centre, limits.lower, limits.upper)
    )
    return Chart(length, centre, lower, upper, beyond)


METHODS = (
    Method(
        identifier="count_to_events",
        name="Piercings per five events",
        functions=("runs_to_events", "count_to_events_limits", "count_to_events_chart"),
        says="How many piercings it took to reach the next five events; few mean a rise. Limits are exact. An "
        "unfinished run is left out.",
        formula="negative binomial quantiles of 0.00135 and 0.99865",
        source="Xie M, Goh TN, Kuralmani V (2002), Statistical Models and Control Charts for High-Quality Processes "
        "(from memory)",
        checks=(
            "test_rare::test_limits_are_the_tightest_that_keep_either_tail",
            "test_rare::test_single_gaps_have_the_published_limits",
            "test_rare::test_simulated_runs_have_the_mean_and_the_tails_of_the_limits",
        ),
    ),
)
