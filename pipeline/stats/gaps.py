"""Charts of single gaps: the event-free piercings before each event (g chart), or the time to it (t chart).

They show long gaps, so that events have become rarer, and at probabilities below 0.00135 short ones too; `rare` says
why a rise is looked for with several events at once.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, IntArray, counts, non_negative, not_above, row, same_shape
from pipeline.stats.control_chart import WIDTH, Chart, Limits, chart_against
from pipeline.stats.individuals import individuals_chart
from pipeline.stats.method import Method
from pipeline.stats.rare import count_to_events_limits

NELSON_POWER = 1 / 3.6
"""The power that makes an exponential time nearly normal."""


def gaps_between_events(n: ArrayLike, observed: ArrayLike) -> IntArray:
    """Event-free piercings before each event, from days of `n` piercings with `observed` events among them.

    The order within a day is not known, so it is fixed: its event-free piercings come first, then its events, one after
    the other. The first event of a day ends the gap, the others have gaps of 0, and the gaps add up to the event-free
    piercings. The first gap counts from the start; those after the last event are an unfinished gap and left out.

    Raises ValueError where `n` is not a row of whole numbers of 0 or more, or `observed` are not whole numbers from 0
    to `n`, one for each.
    """
    size, events = same_shape(n=row("n", counts("n", n)), observed=counts("observed", observed))
    not_above("observed", events, "n", size)
    event_free_before = np.repeat(np.cumsum(size - events), events.astype(np.int64))
    return np.diff(event_free_before, prepend=0.0).astype(np.int64)


def g_limits(mean: float) -> Limits:
    """Limits for a gap with the baseline's `mean`: geometric quantiles, 0.00135 or less beyond either.

    The gap is one less than the piercings to the event, whose limits `rare.count_to_events_limits` gives with p = 1 /
    (mean + 1). Source: as there.

    Raises ValueError where `mean` is negative or not finite.
    """
    to_event = count_to_events_limits(float(1 / (non_negative("mean", mean) + 1)), events=1)
    return Limits(np.asarray(float(mean)), to_event.lower - 1, to_event.upper - 1)


def g_sigma_limits(mean: float) -> Limits:
    """Limits for a gap at three standard deviations, sqrt(mean (mean + 1)), not below 0: the lower is always 0.

    Source: Benneyan JC (2001), Number-between g-type statistical quality control charts for monitoring adverse events,
    Health Care Management Science 4:305-318 (from memory).

    Raises ValueError where `mean` is negative or not finite.
    """
    centre = non_negative("mean", mean)
    return Limits(centre, np.zeros(()), centre + WIDTH * np.sqrt(centre * (centre + 1)))


def g_chart(gaps: ArrayLike, mean: float) -> Chart:
    """Chart of `gaps` against the baseline's `mean` gap, with exact limits; none gives an empty chart.

    `beyond` is +1 where a gap is shorter than the lower limit, for then events rise, and -1 where it is longer than the
    upper.

    Raises ValueError where `gaps` is not a row of whole numbers of 0 or more, or `mean` negative or not finite.
    """
    return _shorter_is_a_rise(chart_against(row("gaps", counts("gaps", gaps)), g_limits(mean)))


def _shorter_is_a_rise(chart: Chart) -> Chart:
    return replace(chart, beyond=-chart.beyond)


def nelson_transform(times: ArrayLike) -> FloatArray:
    """The `times` between events to the power 1 / 3.6, nearly normal where the times are exponential.

    Source: Nelson LS (1994), A control chart for parts-per-million nonconforming items, Journal of Quality Technology
    26:239-240 (from memory).

    Raises ValueError where `times` is not a row of finite numbers of 0 or more.
    """
    return np.asarray(row("times", non_negative("times", times)) ** NELSON_POWER)


def t_chart(times: ArrayLike, centre: float, sigma: float) -> Chart:
    """Individuals chart of the transformed `times`; points, centre and limits are all on the scale of the transform.

    `centre` and `sigma` are the mean and the `individuals.moving_range_sigma` of the baseline's transformed times. A
    lower limit below 0 is given as 0, and no time lies below it. `beyond` is as in `g_chart`.

    Raises ValueError where `times` is not a row of finite numbers of 0 or more, `centre` is not finite or `sigma` not
    above 0.
    """
    chart = individuals_chart(nelson_transform(times), centre, sigma)
    return _shorter_is_a_rise(replace(chart, lower=np.maximum(chart.lower, 0)))


METHODS = (
    Method(
        identifier="g_chart",
        name="g chart",
        functions=("gaps_between_events", "g_limits", "g_sigma_limits", "g_chart"),
        says="How many piercings in a row went without an event. Events of one day stand last in it, one after the "
        "other. Limits are exact; those at three standard deviations are given for comparison and never show a rise.",
        formula="geometric quantiles of 0.00135 and 0.99865 with p = 1 / (mean + 1); mean +- 3 sqrt(mean (mean + 1))",
        source="Benneyan JC (2001), Number-between g-type statistical quality control charts for monitoring adverse "
        "events, Health Care Management Science 4:305-318 (from memory)",
        checks=(
            "test_gaps::test_g_sigma_limits_have_the_published_values",
            "test_gaps::test_g_limits_are_the_geometric_quantiles",
            "test_gaps::test_gaps_add_up_and_agree_with_runs_of_one_event",
        ),
    ),
    Method(
        identifier="t_chart",
        name="t chart",
        functions=("nelson_transform", "t_chart"),
        says="The time between events, to a power that makes it nearly normal. Two events at one time have time 0.",
        formula="y = x^(1 / 3.6); mean of y +- 3 times the mean moving range of y over 1.128",
        source="Nelson LS (1994), A control chart for parts-per-million nonconforming items, Journal of Quality "
        "Technology 26:239-240 (from memory)",
        checks=(
            "test_gaps::test_valve_failures",
            "test_gaps::test_transformed_exponential_times_are_nearly_normal",
        ),
    ),
)
