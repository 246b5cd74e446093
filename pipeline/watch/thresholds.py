"""Thresholds: how much evidence a slice needs, so that false alarms keep to a stated budget.

Each family has its own: many small slices take more evidence than one large. They are solved on null worlds of the
chain's own piercings, counting incidents as the watch does: overlapping slices are one.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import IntArray
from pipeline.watch.cohort import Slices
from pipeline.watch.families import FAMILIES, WEIGHTS
from pipeline.watch.nullworlds import FLOOR, NullScores

QUIET_NIGHTS = 28
"""Nights without a slice beyond its threshold after which an incident that nobody has taken up fades."""
SETTLING_NIGHTS = 28
"""First nights of a null world whose incidents are not counted: they may have begun before it."""
OVERLAP = 0.5
"""Part of the smaller of two slices' piercings that must lie in the other for them to be one incident."""
STEP = 0.01


@dataclass(frozen=True, eq=False)
class Calibration:
    """Thresholds by family code, and the false alarms a year that null worlds had with them, with standard error."""

    thresholds: FloatArray
    a_year: float
    error: float


def solve_thresholds(scores: NullScores, budget: float, weights: Mapping[str, float] = WEIGHTS) -> Calibration:
    """Thresholds with `budget` false alarms a year in all, shared among the families there are by their weights.

    First each family's own is solved for its share, then all are lowered by one amount, as incidents of several
    families are one. Families without a slice get an infinite threshold.
    """
    overlap = _overlap(scores.slices)
    family = scores.slices.family[scores.slice_of]
    there = [code for code in range(len(FAMILIES)) if (scores.slices.family == code).any()]
    total = sum(weights[FAMILIES[code]] for code in there)
    thresholds = np.full(len(FAMILIES), np.inf)
    for code in there:
        own = np.flatnonzero(family == code)
        share = budget * weights[FAMILIES[code]] / total
        thresholds[code] = _lowest(partial(_keeps_to, scores, own, overlap, share))
    shift = _lowest(lambda by: _a_year(scores, _beyond(scores, thresholds + by), overlap)[0] <= budget, -4.0, 4.0)
    thresholds = np.maximum(thresholds + shift, FLOOR)
    return Calibration(thresholds, *_a_year(scores, _beyond(scores, thresholds), overlap))


def _keeps_to(scores: NullScores, own: IntArray, overlap: NDArray[np.bool_], budget: float, level: float) -> bool:
    """Whether a family's own scores, with such a threshold, keep to their part of the budget."""
    return _a_year(scores, own[scores.score[own] >= level], overlap)[0] <= budget


def _beyond(scores: NullScores, thresholds: FloatArray) -> IntArray:
    return np.flatnonzero(scores.score >= thresholds[scores.slices.family[scores.slice_of]])


def _lowest(holds: Callable[[float], bool], low: float = FLOOR, high: float = 20.0) -> float:
    """The lowest level, within `STEP`, from which on a falling condition holds."""
    if holds(low):
        return low
    while high - low > STEP:
        middle = (low + high) / 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return high


def _a_year(scores: NullScores, beyond: IntArray, overlap: NDArray[np.bool_]) -> tuple[float, float]:
    """Incidents a year that scores beyond their thresholds make, and the standard error of that by worlds."""
    counts = np.zeros(scores.worlds)
    here, opened = -1, list[tuple[list[int], int]]()
    columns = (column[beyond].tolist() for column in (scores.world, scores.night, scores.slice_of))
    for world, night, of in zip(*columns, strict=True):
        if world != here:
            here, opened = world, []
        opened = [(slices, last) for slices, last in opened if night - last <= QUIET_NIGHTS]
        own = next((at for at, (slices, _) in enumerate(opened) if of in slices or overlap[of, slices].any()), None)
        if own is None:
            opened.append(([of], night))
            counts[world] += night >= SETTLING_NIGHTS
        else:
            slices = opened[own][0]
            opened[own] = (slices if of in slices else [*slices, of], night)
    years = (scores.nights - SETTLING_NIGHTS) / 365.25
    return float(counts.mean() / years), float(counts.std() / np.sqrt(len(counts)) / years)


def _overlap(slices: Slices) -> NDArray[np.bool_]:
    """For each pair of slices, whether at least `OVERLAP` of the smaller lies in the other, so that they are one."""
    of, piercing = slices.flat()
    members = csr_array((np.ones(len(of)), (of, piercing)), (slices.count, int(piercing.max(initial=-1)) + 1))
    common = (members @ members.T).toarray()
    size = common.diagonal()
    return np.asarray(common >= OVERLAP * np.maximum(np.minimum.outer(size, size), 1))
