"""Control charts in common: centre lines, limits, and which points are beyond them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.arguments import FloatArray, IntArray
from pipeline.stats.method import Method

WIDTH = 3.0
"""Standard deviations from the centre line to a limit that is not exact."""
ON_LIMIT = 1e-9
"""A point as near to its limit, in parts of the limit's distance from the centre, is on it: rounding must not put it
beyond."""


@dataclass(frozen=True, eq=False)
class Limits:
    """Centre line and prediction limits, one of each per subgroup."""

    centre: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, eq=False)
class Chart:
    """A control chart's points.

    `beyond` is, per subgroup, +1 where the rate of events has risen beyond its limit, -1 where it has fallen beyond it,
    else 0. A point on a limit is not beyond it.
    """

    statistic: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    beyond: IntArray


def above(value: FloatArray, limit: FloatArray) -> NDArray[np.bool_]:
    """Where `value` exceeds `limit`, both of them distances from a centre line, by more than rounding explains."""
    return np.asarray(value > limit + ON_LIMIT * np.abs(limit))


def chart_against(statistic: FloatArray, limits: Limits) -> Chart:
    """Chart of points against given limits, those of all points at once or one for each."""
    centre, lower, upper = (
        np.broadcast_to(part, statistic.shape) for part in (limits.centre, limits.lower, limits.upper)
    )
    distance = statistic - centre
    beyond = above(distance, upper - centre).astype(np.int64) - above(-distance, centre - lower)
    return Chart(statistic, centre, lower, upper, beyond)


METHODS = (
    Method(
        identifier="beyond_limits",
        name="Points beyond their limits",
        functions=("above", "chart_against"),
        says="Whether a point is beyond its limit, for every chart alike. A point on its limit is not, and rounding "
        "does not put it there.",
        formula="distance of the point from the centre - distance of the limit > 1e-9 of the latter",
        source="a convention of this library",
        checks=(
            "test_shewhart::test_a_count_on_its_sigma_limit_is_not_beyond_it",
            "test_individuals::test_a_point_on_a_limit_is_not_beyond_it",
            "test_cusum::test_a_sum_on_the_threshold_is_not_above_it",
        ),
    ),
)
