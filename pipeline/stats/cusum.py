"""CUSUM charts: small lasting changes added up until they pass a threshold; of a mean here.

Every path is C_t = max(0, C_(t-1) + w_t) from C_0 = `headstart`, and signals where it is above the threshold `h`; on it
is not above. It is not set back after a signal: once the cause is looked into, a new chart begins. Thresholds come from
`run_length`. Changes of a probability or a rate are in `likelihood_cusum`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats.arguments import FloatArray, finite, non_negative, not_above
from pipeline.stats.control_chart import ON_LIMIT, above
from pipeline.stats.method import Method


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


def cusum_path(weights: FloatArray, h: float, headstart: float) -> Cusum:
    """The path that adds up `weights`, finite numbers, from `headstart` on.

    Raises ValueError where `h` or `headstart` is negative or not finite, or `headstart` exceeds `h`.
    """
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
    return TwoSidedCusum(cusum_path(deviation - slack, h, headstart), cusum_path(-deviation - slack, h, headstart))


METHODS = (
    Method(
        identifier="cusum",
        name="Tabular CUSUM",
        functions=("cusum_path", "tabular_cusum"),
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
)
