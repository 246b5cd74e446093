"""More spread between units than chance gives: how much, and funnel limits widened by it.

Units differ by what nobody recorded. Where they all do so a little, limits for chance alone call too many beyond them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm

from pipeline.stats.arguments import FloatArray, counts, non_negative, not_above, row, same_shape
from pipeline.stats.funnel import FunnelLimits
from pipeline.stats.method import Method

WINSORISED = 0.1
"""Share of the z scores on either side that is drawn in to the quantile there, so that a unit far out does not hide
itself by widening its own limits (Spiegelhalter's choice, from memory)."""


@dataclass(frozen=True, eq=False)
class Overdispersion:
    """How far the shares of units spread about the `pooled` one.

    `z` has each unit's score, NaN where it has nobody. `phi` is the mean of z^2, about 1 where only chance is at work,
    `phi_winsorised` the same of the winsorised scores, and `tau2` the variance between units, from the latter. All are
    NaN where the pooled share is 0, 1 or unknown; `tau2` also where fewer than two units have anybody.
    """

    z: FloatArray
    pooled: float
    phi: float
    phi_winsorised: float
    tau2: float


def overdispersion(events: ArrayLike, n: ArrayLike) -> Overdispersion:
    """Spread of units with `events` among `n` about their pooled share p = sum events / sum n.

    z = (events / n - p) / s, s^2 = p (1 - p) / n. Winsorising moves scores below the 10 % and above the 90 % quantile
    there, quantiles interpolated linearly between order statistics (Hyndman & Fan's type 7, NumPy's default); with few
    units another definition gives quite another phi. tau^2 = max(0, (I phi - (I - 1)) / (sum w - sum w^2 / sum w)), w =
    1 / s^2, I units, phi winsorised. Source: Spiegelhalter DJ (2005), Funnel plots for comparing institutional
    performance, Statistics in Medicine 24:1185-1202, section 4 (formulas from memory); tau^2 after DerSimonian R, Laird
    N (1986), Meta-analysis in clinical trials, Controlled Clinical Trials 7:177-188 (from memory).

    Raises ValueError where `events` or `n` are not whole numbers of 0 or more, `events` exceed `n`, or lengths differ.
    """
    x, size = same_shape(events=row("events", counts("events", events)), n=counts("n", n))
    not_above("events", x, "n", size)
    z, part = np.full(x.shape, np.nan), size > 0
    pooled = float(x.sum() / size.sum()) if part.any() else np.nan
    if not 0 < pooled < 1:
        return Overdispersion(z, pooled, np.nan, np.nan, np.nan)
    z[part] = (x[part] / size[part] - pooled) / np.sqrt(pooled * (1 - pooled) / size[part])
    phi, phi_winsorised = _mean_squares(z[part])
    tau2 = _variance_between(phi_winsorised, size[part] / (pooled * (1 - pooled)))
    return Overdispersion(z, pooled, phi, phi_winsorised, tau2)


def ratio_overdispersion(observed: ArrayLike, expected: ArrayLike) -> Overdispersion:
    """Spread of the ratios of units with `observed` events about 1, where their `expected` ones are taken as known.

    As `overdispersion`, with z = (observed - expected) / s, s^2 = expected: the ratio's own variance is 1 / expected.
    `pooled` is 1. Units with nothing expected take no part; all is NaN where none expects any. Source: as
    `overdispersion`, there for standardised ratios.

    Raises ValueError where `observed` are not whole numbers of 0 or more, `expected` negative or not finite, or lengths
    differ.
    """
    count, base = same_shape(
        observed=row("observed", counts("observed", observed)), expected=non_negative("expected", expected)
    )
    z, part = np.full(count.shape, np.nan), base > 0
    if not part.any():
        return Overdispersion(z, 1.0, np.nan, np.nan, np.nan)
    z[part] = (count[part] - base[part]) / np.sqrt(base[part])
    phi, phi_winsorised = _mean_squares(z[part])
    return Overdispersion(z, 1.0, phi, phi_winsorised, _variance_between(phi_winsorised, base[part]))


def _mean_squares(z: FloatArray) -> tuple[float, float]:
    """Phi of scores as they are, and of the winsorised ones."""
    winsorised = np.clip(z, *np.quantile(z, (WINSORISED, 1 - WINSORISED)))
    return float(np.mean(z**2)), float(np.mean(winsorised**2))


def _variance_between(phi: float, weights: FloatArray) -> float:
    units = len(weights)
    if units < 2:
        return np.nan
    excess = units * phi - (units - 1)
    return max(0.0, float(excess / (weights.sum() - (weights**2).sum() / weights.sum())))


@dataclass(frozen=True, eq=False)
class WidenedLimits:
    """Funnel limits widened for overdispersion in two ways, kept apart from each other and from the exact ones."""

    multiplicative: FunnelLimits
    additive: FunnelLimits


def widened_limits(n: ArrayLike, spread: Overdispersion) -> WidenedLimits:
    """Normal limits for the share among `n`, 95 % and 99.8 %, widened by what `spread` found, and kept within 0 to 1.

    Multiplicative: p +- z s sqrt(max(1, phi winsorised)). Additive: p +- z sqrt(s^2 + tau^2). They are never narrower
    than chance alone gives. NaN where n is 0 or the spread is unknown. Source: as `overdispersion`.

    Raises ValueError where `n` are not whole numbers of 0 or more.
    """
    size = counts("n", n)
    variance = spread.pooled * (1 - spread.pooled) / np.where(size > 0, size, np.nan)
    factor = np.maximum(1.0, spread.phi_winsorised)
    return WidenedLimits(
        _normal_limits(spread.pooled, variance * factor), _normal_limits(spread.pooled, variance + spread.tau2)
    )


def widened_ratio_limits(expected: ArrayLike, spread: Overdispersion) -> WidenedLimits:
    """Normal limits for observed / `expected`, 95 % and 99.8 %, widened as `widened_limits` does, and not below 0.

    Multiplicative: 1 +- z sqrt(max(1, phi winsorised) / expected). Additive: 1 +- z sqrt(1 / expected + tau^2). NaN
    where nothing is expected or the spread is unknown. `spread` is that of `ratio_overdispersion`.

    Raises ValueError where `expected` is negative or not finite.
    """
    base = non_negative("expected", expected)
    variance = 1 / np.where(base > 0, base, np.nan)
    factor = np.maximum(1.0, spread.phi_winsorised)
    return WidenedLimits(
        _normal_limits(1.0, variance * factor, np.inf), _normal_limits(1.0, variance + spread.tau2, np.inf)
    )


def _normal_limits(centre: float, variance: FloatArray, highest: float = 1.0) -> FunnelLimits:
    ends = (centre + norm.ppf(quantile) * np.sqrt(variance) for quantile in (0.025, 0.975, 0.001, 0.999))
    return FunnelLimits(*(np.clip(end, 0.0, highest) for end in ends))


METHODS = (
    Method(
        identifier="overdispersion",
        name="Overdispersion of units: phi, winsorised phi and tau^2",
        functions=("overdispersion", "widened_limits", "ratio_overdispersion", "widened_ratio_limits"),
        says="Tells whether units spread more than chance gives, and widens funnel limits by it: by a factor, or by a "
        "variance between units. The scores of the outer tenths are drawn in first. Limits are never narrowed.",
        formula="z = (events / n - p) / s, s^2 = p (1 - p) / n; phi = mean z^2; tau^2 = max(0, (I phi - (I - 1)) / "
        "(sum w - sum w^2 / sum w)), w = 1 / s^2; limits p +- z s sqrt(max(1, phi)) and p +- z sqrt(s^2 + tau^2)",
        source="Spiegelhalter DJ (2005), Funnel plots for comparing institutional performance, Statistics in Medicine "
        "24:1185-1202, section 4 (formulas from memory)",
        checks=(
            "test_overdispersion::test_scores_of_heart_surgery",
            "test_overdispersion::test_spread_of_heart_surgery",
            "test_overdispersion::test_recovers_the_variance_between_units",
            "test_overdispersion::test_widened_limits_hold_what_they_say",
            "test_overdispersion::test_the_spread_of_ratios_is_recovered",
            "test_overdispersion::test_rare_events_spread_as_ratios_as_they_do_as_shares",
        ),
    ),
)
