"""The individuals chart: single values on their own, their spread taken from how much one differs from the next."""

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import finite, positive
from pipeline.stats.control_chart import WIDTH, Chart, Limits, chart_against
from pipeline.stats.method import Method

MEAN_RANGE_OF_TWO = 1.128
"""Mean range of two standard normal values, d2 of the control chart tables: 2 / sqrt(pi) to three decimals."""


def moving_range_sigma(values: ArrayLike) -> float:
    """Standard deviation by moving ranges: the mean of |x_i - x_(i-1)| over 1.128.

    A lasting shift enters only one range, so it widens the limits less than it would the ordinary standard deviation.
    Source: Montgomery DC, Introduction to Statistical Quality Control (6th ed.), ch. 6, individuals (from memory).

    Raises ValueError where `values` is not a row of at least two finite numbers.
    """
    array = finite("values", values)
    if array.size < 2:
        raise ValueError(f"values must be at least two to have a moving range, not {array.size}")
    return float(np.abs(np.diff(array)).mean() / MEAN_RANGE_OF_TWO)


def individuals_chart(values: ArrayLike, centre: float, sigma: float) -> Chart:
    """Chart of single `values` against the baseline's mean `centre` and its `moving_range_sigma`, at three of these.

    Raises ValueError where `values` is not a row of finite numbers, `centre` not finite, or `sigma` not above 0: a
    baseline that never varied tells nothing of chance.
    """
    middle, width = finite("centre", [centre]), WIDTH * positive("sigma", sigma)
    return chart_against(finite("values", values), Limits(middle, middle - width, middle + width))


METHODS = (
    Method(
        identifier="individuals",
        name="Individuals chart with moving ranges",
        functions=("moving_range_sigma", "individuals_chart"),
        says="Single values, such as a week's mean, against three standard deviations taken from the differences of "
        "neighbours. Fewer than two values, or values that never vary, give no limits and are refused.",
        formula="centre +- 3 sigma; sigma = mean |x_i - x_(i-1)| / 1.128",
        source="Montgomery DC, Introduction to Statistical Quality Control (6th ed.), ch. 6 (from memory)",
        checks=(
            "test_individuals::test_sigma_and_limits_by_hand",
            "test_individuals::test_sigma_of_simulated_values",
            "test_gaps::test_valve_failures",
        ),
    ),
)
