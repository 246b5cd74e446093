"""The run chart: whether points lie about their median as those of an unchanged process would, without any limits."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binom

from pipeline.stats.arguments import IntArray, counts, finite
from pipeline.stats.method import Method


@dataclass(frozen=True, eq=False)
class RunLimits:
    """The longest run on one side and the fewest crossings of the median that do not yet signal."""

    longest_run: IntArray
    fewest_crossings: IntArray


@dataclass(frozen=True)
class RunChart:
    """What `n` points off the median did: their longest run, how often they crossed it, and whether either signals."""

    n: int
    longest_run: int
    crossings: int
    signals: bool


def run_limits(n: ArrayLike) -> RunLimits:
    """Limits for `n` points off the median: a run of round(log2 n) + 3, and the 5 % quantile of binomial(n - 1, 1/2).

    Source: Anhoej J, Olesen AV (2014), Run charts revisited, PLoS ONE 9:e113825 (from memory).

    Raises ValueError where `n` are not whole numbers of 1 or more.
    """
    points = counts("n", n, least=1)
    longest = np.rint(np.log2(points)) + 3
    return RunLimits(longest.astype(np.int64), np.asarray(binom.ppf(0.05, points - 1, 0.5)).astype(np.int64))


def run_chart(values: ArrayLike, median: float) -> RunChart:
    """Judges `values` against the baseline's `median`; those on it tell nothing and are left out.

    It signals where a run on one side is longer, or crossings are fewer, than `run_limits` allow. With no value off the
    median there is nothing to judge and no signal.

    Raises ValueError where `values` is not a row of finite numbers, or `median` is not finite.
    """
    off = finite("values", values) - finite("median", [median])
    side = np.sign(off[off != 0])
    if not side.size:
        return RunChart(0, 0, 0, False)
    last_of_run = np.append(np.flatnonzero(np.diff(side)), side.size - 1)
    longest = int(np.diff(last_of_run, prepend=-1).max())
    crossings, limits = last_of_run.size - 1, run_limits(side.size)
    signals = bool(longest > limits.longest_run or crossings < limits.fewest_crossings)
    return RunChart(side.size, longest, crossings, signals)


METHODS = (
    Method(
        identifier="run_chart",
        name="Run chart",
        functions=("run_limits", "run_chart"),
        says="Whether values stay too long on one side of their median, or cross it too seldom. Values on the median "
        "are left out.",
        formula="longest run above round(log2 n) + 3, or crossings below the 5 % quantile of binomial(n - 1, 1/2)",
        source="Anhoej J, Olesen AV (2014), Run charts revisited, PLoS ONE 9:e113825 (from memory)",
        checks=("test_run_rules::test_run_chart_limits", "test_run_rules::test_run_chart_counts_runs_and_crossings"),
    ),
)
