"""The p chart where weeks differ by more than chance alone: its limits widened as far as Laney's p' chart has them.

Widened limits hide small rises, so they need a reason in the baseline itself, and they never become narrower than the
exact ones.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from pipeline.stats.arguments import counts
from pipeline.stats.control_chart import Chart, Limits, chart_against
from pipeline.stats.laney import laney_p_baseline, laney_p_chart
from pipeline.stats.method import Method
from pipeline.stats.shewhart import p_chart

CONFIDENCE = 0.95
"""One-sided: of baselines that vary by chance alone, one in twenty is widened."""


def sigma_z_beyond_chance(n: ArrayLike, observed: ArrayLike) -> float:
    """Laney's sigma_z of a baseline's weeks where they clearly vary more than chance, else 1.

    Clearly: the sum of squares of z_i = (p_i - p) / sqrt(p (1 - p) / n_i) exceeds the 95 % quantile of chi-square with
    one degree of freedom less than weeks, that is, the lower 95 % bound of their variance lies above 1. Source:
    Pearson's test of homogeneity; sigma_z as in `laney.laney_p_baseline`.

    Raises ValueError as `laney.laney_p_baseline`.
    """
    baseline = laney_p_baseline(n, observed)
    size, events = counts("n", n), counts("observed", observed)
    expected = size * baseline.rate
    squares = float(((events - expected) ** 2 / (expected * (1 - baseline.rate))).sum())
    is_clear = squares > chi2.ppf(CONFIDENCE, size.size - 1)
    return max(1.0, baseline.sigma_z) if is_clear else 1.0


def widened_p_chart(n: ArrayLike, observed: ArrayLike, p: float, sigma_z: float) -> Chart:
    """The p chart with the wider of its exact limits and Laney's, on each side; with `sigma_z` 1 the exact chart.

    Raises ValueError as `shewhart.p_chart` and `laney.laney_p_chart`.
    """
    exact = p_chart(n, observed, p)
    if sigma_z == 1:
        return exact
    wide = laney_p_chart(n, observed, p, sigma_z)
    limits = Limits(exact.centre, np.minimum(exact.lower, wide.lower), np.maximum(exact.upper, wide.upper))
    return chart_against(exact.statistic, limits)


METHODS = (
    Method(
        identifier="widened_p_chart",
        name="p chart widened for more than chance",
        functions=("sigma_z_beyond_chance", "widened_p_chart"),
        says="Where the baseline's weeks clearly differ by more than chance, the limits are as wide as they differ, "
        "and never narrower than the exact ones.",
        formula="sigma_z as for Laney's p' where sum z_i^2 > chi-square quantile of 0.95 with k - 1 degrees of "
        "freedom, else 1; the wider of exact limits and p +- 3 sigma_z sqrt(p (1 - p) / n)",
        source="Laney DB (2002), Improved control charts for attributes, Quality Engineering 14:531-537 (from memory); "
        "the bound is our own rule",
        checks=(
            "test_widened::test_weeks_of_chance_are_widened_one_time_in_twenty",
            "test_widened::test_limits_are_never_narrower_than_exact_ones",
            "test_widened::test_the_sum_of_squares_is_that_of_a_contingency_table",
        ),
    ),
)
