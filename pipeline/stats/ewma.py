"""The EWMA chart: an exponentially weighted moving average, which finds small shifts that single points do not show."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import lfilter

from pipeline.stats.arguments import FloatArray, counts, finite, non_negative, positive, probability
from pipeline.stats.control_chart import WIDTH, Chart, Limits, chart_against
from pipeline.stats.method import Method


def ewma(values: ArrayLike, target: float, weight: float) -> FloatArray:
    """The average z_t = `weight` x_t + (1 - `weight`) z_(t-1) after each of `values`, from z_0 = `target`.

    Raises ValueError where `values` is not a row of finite numbers, `target` not finite, or `weight` not above 0 and up
    to 1.
    """
    weight = probability("weight", weight, positive=True)
    start = finite("target", [target])
    return np.asarray(lfilter([weight], [1.0, weight - 1], finite("values", values) - start) + start)


def ewma_limits(n: int, target: float, sigma: float, weight: float, width: float = WIDTH) -> Limits:
    """Limits for the average after each of `n` values of standard deviation `sigma`, `width` of its own apart.

    After t values its variance is sigma^2 weight / (2 - weight) (1 - (1 - weight)^(2t)), so the first limits are the
    narrowest. Source: Lucas JM, Saccucci MS (1990), Exponentially weighted moving average control schemes: properties
    and enhancements, Technometrics 32:1-12 (from memory).

    Raises ValueError where `n` is not a whole number of 0 or more, `target` not finite, `sigma` not above 0, `weight`
    not above 0 and up to 1, or `width` negative or not finite.
    """
    times = np.arange(1, int(counts("n", n)) + 1)
    steady = steady_ewma_limits(target, sigma, weight, width)
    distance = (steady.upper - steady.centre) * np.sqrt(1 - (1 - weight) ** (2 * times))
    return Limits(np.full(times.shape, steady.centre), steady.centre - distance, steady.centre + distance)


def steady_ewma_limits(target: float, sigma: float, weight: float, width: float = WIDTH) -> Limits:
    """The limits that `ewma_limits` come to after many values, with variance sigma^2 weight / (2 - weight).

    `run_length.ewma_run_length` is that of a chart with these.

    Raises ValueError as `ewma_limits`.
    """
    weight = probability("weight", weight, positive=True)
    distance = non_negative("width", width) * positive("sigma", sigma) * np.sqrt(weight / (2 - weight))
    centre = finite("target", [target])
    return Limits(centre, centre - distance, centre + distance)


def ewma_chart(values: ArrayLike, target: float, sigma: float, weight: float, width: float = WIDTH) -> Chart:
    """Chart of the average of `values` against the baseline's `target` and `sigma`, with the limits of each point.

    Raises ValueError as `ewma` and `ewma_limits`.
    """
    average = ewma(values, target, weight)
    return chart_against(average, ewma_limits(len(average), target, sigma, weight, width))


METHODS = (
    Method(
        identifier="ewma",
        name="EWMA chart",
        functions=("ewma", "ewma_limits", "steady_ewma_limits", "ewma_chart"),
        says="An average that forgets: each new value counts for `weight` of it. It finds small lasting shifts. "
        "Limits are exact from the first value on; those of a long series are given beside them.",
        formula="z_t = w x_t + (1 - w) z_(t-1); target +- L sigma sqrt(w / (2 - w) (1 - (1 - w)^(2t)))",
        source="Lucas JM, Saccucci MS (1990), Exponentially weighted moving average control schemes: properties and "
        "enhancements, Technometrics 32:1-12 (from memory)",
        checks=(
            "test_ewma::test_handbook_example",
            "test_ewma::test_limits_have_the_variance_of_the_weights",
            "test_ewma::test_equals_its_recursion",
        ),
    ),
)
