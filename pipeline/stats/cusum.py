"""CUSUM charts: small lasting changes of a mean, a probability or a rate, added up until they pass a threshold.

Every path is C_t = max(0, C_(t-1) + w_t) from C_0 = `headstart`, and signals where it is above the threshold `h`; on it
is not above. It is not set back after a signal: once the cause is looked into, a new chart begins. Thresholds come from
`run_length` and `lattice_run_length`.
"""

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.arguments import (
    FloatArray,
    counts,
    finite,
    flags,
    non_negative,
    not_above,
    positive,
    row,
    same_shape,
)
from pipeline.stats.method import Method
from pipeline.stats.shewhart import ON_LIMIT, above


@dataclass(frozen=True, eq=False)
class Cusum:
    """A one-sided path: the sum after each point, the threshold, and where the sum is above it."""

    statistic: FloatArray
    threshold: float
    beyond: NDArray[np.bool_]

    @property
    def first_signal(self) -> int | None:
        """Index of the first point above the threshold; None where there is none."""
        signals = np.flatnonzero(self.beyond)
        return int(signals[0]) if signals.size else None

    @property
    def onset(self) -> int | None:
        """Index of the first point after the path last was 0 before its first signal: when the change may have begun.

        0 where it never was 0 before; None without a signal.
        """
        if self.first_signal is None:
            return None
        zeros = np.flatnonzero(self.statistic[: self.first_signal] <= ON_LIMIT * self.threshold)
        return int(zeros[-1]) + 1 if zeros.size else 0


@dataclass(frozen=True, eq=False)
class TwoSidedCusum:
    """The path that adds up a rise and the one that adds up a fall; both are 0 or more."""

    rise: Cusum
    fall: Cusum


def _cusum(weights: FloatArray, h: float, headstart: float) -> Cusum:
    threshold, start = non_negative("h", h), non_negative("headstart", headstart)
    not_above("headstart", start, "h", threshold)
    total = np.cumsum(weights)
    # The recursion without its loop: the path is the total, raised by the deepest point it has reached below the start.
    statistic = total + np.maximum(start, np.maximum.accumulate(-total))
    return Cusum(statistic, float(threshold), above(statistic, threshold))


def tabular_cusum(values: ArrayLike, target: float, k: float, h: float, headstart: float = 0.0) -> TwoSidedCusum:
    """Sums how far `values` lie above `target` + `k`, and how far below `target` - `k`, all in the values' own units.

    `k` is half the shift to be found soonest. A `headstart` of half of `h` finds a process that is wrong from the start
    sooner. Source: Page ES (1954), Continuous inspection schemes, Biometrika 41:100-115; headstart: Lucas JM, Crosier
    RB (1982), Fast initial response for CUSUM quality-control schemes, Technometrics 24:199-205.

    Raises ValueError where `values` is not a row of finite numbers, `target` not finite, `k`, `h` or `headstart` is
    negative or not finite, or `headstart` exceeds `h`.
    """
    deviation = finite("values", values) - finite("target", [target])
    slack = non_negative("k", k)
    return TwoSidedCusum(_cusum(deviation - slack, h, headstart), _cusum(-deviation - slack, h, headstart))


def _inside(name: str, values: ArrayLike) -> FloatArray:
    array = positive(name, values)
    if not (array < 1).all():
        raise ValueError(f"{name} must lie between 0 and 1, and be neither")
    return array


def _changed(name: str, value: float, unchanged: float) -> float:
    if value == unchanged:
        raise ValueError(f"{name} must be a change, not {value} as in the baseline")
    return float(positive(name, value))


def bernoulli_cusum(event_flags: ArrayLike, p0: float, p1: float, h: float, headstart: float = 0.0) -> Cusum:
    """Sums the log-likelihood ratio of `p1` against the baseline `p0`, piercing by piercing in their order.

    An event adds ln(p1 / p0), any other piercing ln((1 - p1) / (1 - p0)). A `p1` below `p0` looks for a fall. No
    piercings give an empty path. Source: Reynolds MR, Stoumbos ZG (1999), A CUSUM chart for monitoring a proportion
    when inspecting continuously, Journal of Quality Technology 31:87-108 (from memory).

    Raises ValueError where `event_flags` is not a row of true and false, `p0` or `p1` does not lie inside 0 to 1, they
    are equal, or `h` or `headstart` is as in `tabular_cusum`.
    """
    before, after = float(_inside("p0", p0)), _changed("p1", float(_inside("p1", p1)), p0)
    event, no_event = log(after / before), log((1 - after) / (1 - before))
    return _cusum(np.where(flags("event_flags", event_flags), event, no_event), h, headstart)


def bernoulli_reference(p0: float, p1: float) -> float:
    """The k by which `bernoulli_cusum` is ln(odds ratio) times the sum of events less k for each piercing.

    In these units, events, `lattice_run_length.bernoulli_run_length` takes its k and h.

    Raises ValueError where `p0` or `p1` does not lie inside 0 to 1, or they are equal.
    """
    before, after = float(_inside("p0", p0)), _changed("p1", float(_inside("p1", p1)), p0)
    no_event = log((1 - before) / (1 - after))
    return no_event / (log(after / before) + no_event)


def poisson_cusum(observed: ArrayLike, expected: ArrayLike, ratio: float, h: float, headstart: float = 0.0) -> Cusum:
    """Sums the log-likelihood ratio of `ratio` times the `expected` events against as many as expected, per subgroup.

    A subgroup adds observed ln(ratio) - expected (ratio - 1). A `ratio` below 1 looks for a fall. A subgroup that
    expects none and has none adds nothing. Source: Lucas JM (1985), Counted data CUSUM's, Technometrics 27:129-144
    (from memory), in log-likelihood units.

    Raises ValueError where `observed` is not a row of whole numbers of 0 or more, `expected` negative or not finite, or
    not one for each, `ratio` not above 0 or 1, or `h` or `headstart` is as in `tabular_cusum`.
    """
    count, base = same_shape(
        observed=row("observed", counts("observed", observed)), expected=non_negative("expected", expected)
    )
    change = _changed("ratio", ratio, 1.0)
    return _cusum(count * log(change) - base * (change - 1), h, headstart)


def poisson_reference(expected: float, ratio: float) -> float:
    """The k by which `poisson_cusum` is ln(ratio) times the sum of events less k, where all subgroups expect as many.

    In these units, events, `lattice_run_length.poisson_run_length` takes its k and h.

    Raises ValueError where `expected` is negative or not finite, or `ratio` is not above 0 or is 1.
    """
    change = _changed("ratio", ratio, 1.0)
    return float(non_negative("expected", expected)) * (change - 1) / log(change)


def risk_adjusted_cusum(
    event_flags: ArrayLike, risk: ArrayLike, odds_ratio: float, h: float, headstart: float = 0.0
) -> Cusum:
    """Sums the log-likelihood ratio of odds `odds_ratio` times those of each piercing's own `risk`, against its risk.

    A piercing of risk p adds y ln(R) - ln(1 - p + R p), y 1 for an event. An `odds_ratio` below 1 looks for a fall.
    With one risk for all it is the Bernoulli CUSUM. Source: Steiner SH, Cook RJ, Farewell VT, Treasure T (2000),
    Monitoring surgical performance using risk-adjusted cumulative sum charts, Biostatistics 1:441-452 (from memory).

    Raises ValueError where `event_flags` is not a row of true and false, `risk` does not lie inside 0 to 1 or is not
    one for each, `odds_ratio` is not above 0 or is 1, or `h` or `headstart` is as in `tabular_cusum`.
    """
    event, chance = same_shape(
        event_flags=flags("event_flags", event_flags).astype(np.float64), risk=_inside("risk", risk)
    )
    change = _changed("odds_ratio", odds_ratio, 1.0)
    return _cusum(event * log(change) - np.log1p((change - 1) * chance), h, headstart)


METHODS = (
    Method(
        identifier="cusum",
        name="Tabular CUSUM",
        functions=("tabular_cusum",),
        says="Adds up how far values lie above, and how far below, the target; finds small lasting shifts and "
        "estimates when they began. A sum on the threshold is not above it.",
        formula="C_t = max(0, C_(t-1) + (x_t - target) - k), and the same with target - x_t",
        source="Page ES (1954), Continuous inspection schemes, Biometrika 41:100-115",
        checks=(
            "test_cusum::test_textbook_example",
            "test_cusum::test_paths_equal_their_recursion",
            "test_run_length::test_two_sided_cusum_of_the_published_tables",
        ),
    ),
    Method(
        identifier="likelihood_cusum",
        name="Bernoulli, Poisson and risk-adjusted CUSUM",
        functions=(
            "bernoulli_cusum",
            "bernoulli_reference",
            "poisson_cusum",
            "poisson_reference",
            "risk_adjusted_cusum",
        ),
        says="Adds up, piercing by piercing or week by week, how much better a changed risk explains what was seen "
        "than the baseline does; the risk-adjusted one lets each piercing have its own.",
        formula="C_t = max(0, C_(t-1) + ln(L1 / L0)); with odds ratio R: y ln R - ln(1 - p + R p)",
        source="Steiner SH, Cook RJ, Farewell VT, Treasure T (2000), Monitoring surgical performance using "
        "risk-adjusted cumulative sum charts, Biostatistics 1:441-452 (from memory)",
        checks=(
            "test_cusum::test_one_risk_for_all_is_the_bernoulli_cusum",
            "test_cusum::test_weights_are_log_likelihood_ratios",
            "test_lattice_run_length::test_simulated_charts_have_the_run_length",
        ),
    ),
)
