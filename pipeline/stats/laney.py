"""Laney's p' and u' charts: shares or rates that vary more, or less, from week to week than chance alone explains.

Very large subgroups make ordinary limits so narrow that every ordinary difference between weeks is beyond them. Here
the variation of the baseline's own weeks, `sigma_z` times that of chance, sets the width. An excess that lasts through
the baseline is thereby taken for granted, so these charts stand beside the exact ones and do not replace them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, positive, probability, row, same_shape
from pipeline.stats.control_chart import WIDTH, Chart, Limits, chart_against
from pipeline.stats.individuals import moving_range_sigma
from pipeline.stats.method import Method


@dataclass(frozen=True)
class LaneyBaseline:
    """The rate of the baseline's subgroups, and how many times the standard deviation of chance they vary by."""

    rate: float
    sigma_z: float


def _baseline(statistic: FloatArray, rate: float, error: FloatArray) -> LaneyBaseline:
    if not error.all():
        raise ValueError("observed must hold some events, and not every one possible, to show how they vary")
    return LaneyBaseline(rate, moving_range_sigma((statistic - rate) / error))


def _shares(n: ArrayLike, observed: ArrayLike) -> tuple[FloatArray, FloatArray]:
    size, events = same_shape(n=row("n", counts("n", n, least=1)), observed=counts("observed", observed))
    not_above("observed", events, "n", size)
    return size, events


def _rates(units: ArrayLike, observed: ArrayLike) -> tuple[FloatArray, FloatArray]:
    size, events = same_shape(units=row("units", positive("units", units)), observed=counts("observed", observed))
    return size, events


def _chart(statistic: FloatArray, rate: float, error: FloatArray, sigma_z: float, highest: float) -> Chart:
    width = WIDTH * error * positive("sigma_z", sigma_z)
    limits = Limits(np.asarray(rate), np.maximum(rate - width, 0), np.minimum(rate + width, highest))
    return chart_against(statistic, limits)


def laney_p_baseline(n: ArrayLike, observed: ArrayLike) -> LaneyBaseline:
    """The share p of all `observed` events among all `n`, and sigma_z of the subgroups' shares p_i.

    sigma_z is the mean of |z_i - z_(i-1)| over 1.128, with z_i = (p_i - p) / sqrt(p (1 - p) / n_i). Source: Laney DB
    (2002), Improved control charts for attributes, Quality Engineering 14:531-537 (from memory).

    Raises ValueError where `n` is not a row of at least two whole numbers of 1 or more, `observed` not whole numbers
    from 0 to `n`, one for each, or all of them are 0 or all are `n`.
    """
    size, events = _shares(n, observed)
    p = float(events.sum() / size.sum()) if size.size else np.nan
    return _baseline(events / size, p, np.sqrt(p * (1 - p) / size))


def laney_p_chart(n: ArrayLike, observed: ArrayLike, p: float, sigma_z: float) -> Chart:
    """Chart of the share `observed` / `n` with limits p +- 3 sigma_z sqrt(p (1 - p) / n), kept within 0 to 1.

    With `sigma_z` 1 they are `shewhart.p_sigma_limits`.

    Raises ValueError where `n` is not a row of whole numbers of 1 or more, `observed` not whole numbers from 0 to `n`,
    one for each, `p` lies outside 0 to 1, or `sigma_z` is not above 0.
    """
    size, events = _shares(n, observed)
    p = probability("p", p)
    return _chart(events / size, p, np.sqrt(p * (1 - p) / size), sigma_z, 1.0)


def laney_u_baseline(units: ArrayLike, observed: ArrayLike) -> LaneyBaseline:
    """The rate u of all `observed` events per unit, and sigma_z as in `laney_p_baseline` with sqrt(u / units_i).

    Raises ValueError where `units` is not a row of at least two finite numbers above 0, `observed` not whole numbers of
    0 or more, one for each, or all of them are 0.
    """
    size, events = _rates(units, observed)
    u = float(events.sum() / size.sum()) if size.size else np.nan
    return _baseline(events / size, u, np.sqrt(u / size))


def laney_u_chart(units: ArrayLike, observed: ArrayLike, u: float, sigma_z: float) -> Chart:
    """Chart of the rate `observed` / `units` with limits u +- 3 sigma_z sqrt(u / units), not below 0.

    With `sigma_z` 1 they are `shewhart.u_sigma_limits`.

    Raises ValueError where `units` is not a row of finite numbers above 0, `observed` not whole numbers of 0 or more,
    one for each, `u` is negative or not finite, or `sigma_z` is not above 0.
    """
    size, events = _rates(units, observed)
    u = float(non_negative("u", u))
    return _chart(events / size, u, np.sqrt(u / size), sigma_z, np.inf)


METHODS = (
    Method(
        identifier="laney",
        name="Laney p' and u' charts",
        functions=("laney_p_baseline", "laney_p_chart", "laney_u_baseline", "laney_u_chart"),
        says="For very large groups, whose shares differ by more than chance from week to week even when all is well: "
        "the limits are as wide as the weeks of the baseline differ. A baseline without any variation is refused.",
        formula="p +- 3 sigma_z sqrt(p (1 - p) / n); sigma_z = mean |z_i - z_(i-1)| / 1.128",
        source="Laney DB (2002), Improved control charts for attributes, Quality Engineering 14:531-537 (from memory)",
        checks=(
            "test_laney::test_sigma_z_of_textbook_data",
            "test_laney::test_sigma_z_one_gives_the_three_sigma_limits",
            "test_laney::test_sigma_z_recovers_the_simulated_excess",
        ),
    ),
)
