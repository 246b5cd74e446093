"""Phases of a chart: from which point on which baseline holds, and why.

A baseline is frozen: it is worked out once and points that follow are held against it, or a slow rise would be drawn
into its own limits. A new baseline is a new phase, and a phase always has its reason.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.stats.arguments import FloatArray, IntArray, counts
from pipeline.stats.method import Method


@dataclass(frozen=True)
class Phase:
    """A `baseline` that holds from the point with index `start` until the next phase, and the `reason` it was set.

    Raises ValueError where `start` is not a whole number of 0 or more, `baseline` is not finite, or `reason` is empty
    or blank.
    """

    start: int
    baseline: float
    reason: str

    def __post_init__(self) -> None:
        counts("start", self.start)
        if not np.isfinite(self.baseline):
            raise ValueError(f"baseline must be finite, not {self.baseline}")
        if not self.reason.strip():
            raise ValueError("reason must say why the phase begins: a baseline is never changed in silence")


def phase_of(phases: Sequence[Phase], n_points: int) -> IntArray:
    """The index of the phase each of `n_points` points belongs to.

    A phase may begin after the last point; it has none yet.

    Raises ValueError where `n_points` is not a whole number of 0 or more, there are no phases, the first does not begin
    at point 0, or one does not begin after the one before it.
    """
    starts = np.array([phase.start for phase in phases], dtype=np.int64)
    if not len(starts) or starts[0] != 0:
        raise ValueError("phases must begin with one at point 0")
    if (np.diff(starts) <= 0).any():
        raise ValueError(f"phases must each begin after the one before: {starts.tolist()}")
    points = np.arange(int(counts("n_points", n_points)))
    return np.asarray(np.searchsorted(starts, points, side="right") - 1, dtype=np.int64)


def baselines(phases: Sequence[Phase], n_points: int) -> FloatArray:
    """The baseline that holds at each of `n_points` points.

    Raises ValueError as `phase_of`.
    """
    return np.array([phase.baseline for phase in phases], dtype=np.float64)[phase_of(phases, n_points)]


METHODS = (
    Method(
        identifier="phases",
        name="Frozen baselines",
        functions=("phase_of", "baselines"),
        says="Which baseline a point is held against. A baseline changes only where a new phase begins, and a phase "
        "without a reason is refused.",
        formula="the last phase whose start is not after the point",
        source="Montgomery DC, Introduction to Statistical Quality Control (6th ed.), phases I and II (from memory)",
        checks=("test_phases::test_each_point_has_the_last_phase_begun",),
    ),
)
