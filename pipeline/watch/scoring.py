"""A night's evidence: every slice's events observed and expected so far by window, and its score."""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from pipeline.stats.arguments import FloatArray, IntArray
from pipeline.stats.cohort_evidence import WINDOWS, cohort_evidence
from pipeline.watch.baseline import Baseline
from pipeline.watch.cohort import NEVER, Cohort, Slices
from pipeline.watch.expected import ExpectedSoFar


@dataclass(frozen=True, eq=False)
class Scores:
    """Every slice on a night: `observed` and `expected` by window, `precision`, `score`, and the likeliest `window`."""

    observed: FloatArray
    expected: FloatArray
    precision: FloatArray
    score: FloatArray
    window: IntArray


def score_slices(cohort: Cohort, night: int, expected: ExpectedSoFar, factor: FloatArray | None = None) -> Scores:
    """Scores every slice of the cohort on a night.

    `factor`, a value for each recent piercing, raises what is expected of it: by how much is explained already.
    """
    slices = cohort.slices
    of, at = _recent_pairs(slices, expected)
    age = night - cohort.performed[expected.recent]
    window = np.searchsorted(WINDOWS, age + 1)
    event = (cohort.recorded[expected.recent] != NEVER).astype(np.float64)
    usual = expected.so_far if factor is None else expected.so_far * factor
    cell, shape = of * len(WINDOWS) + window[at], (slices.count, len(WINDOWS))
    observed, mass = (_growing(cell, values[at], shape) for values in (event, usual))
    precision = slice_precision(of, cohort.branch[expected.recent][at], usual[at], expected.baseline, slices.count)
    score, best = np.full(shape[0], -np.inf), np.zeros(shape[0], dtype=np.int64)
    some = observed[:, -1] > 0  # without an event there is no evidence of a rise
    evidence = cohort_evidence(observed[some], mass[some], precision[some])
    score[some], best[some] = evidence.score, evidence.window
    return Scores(observed, mass, precision, score, best)


def _recent_pairs(slices: Slices, expected: ExpectedSoFar) -> tuple[IntArray, IntArray]:
    """Each pair of a slice and a recent piercing: the slice, and the piercing's place among the recent ones."""
    first = int(expected.recent[0]) if len(expected.recent) else len(slices.pair_piercing)
    start = int(np.searchsorted(slices.pair_piercing, first))
    piercing = slices.pair_piercing[start:]
    last = int(piercing[-1]) if len(piercing) else first
    place = np.full(max(last - first + 1, 0), -1, dtype=np.int64)
    place[expected.recent - first] = np.arange(len(expected.recent))
    at = place[piercing - first]
    return slices.pair_slice[start:][at >= 0], at[at >= 0]


def _growing(cell: IntArray, values: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Sums by slice and window, each window with those shorter than it."""
    sums = np.bincount(cell, values, shape[0] * shape[1]).reshape(shape)
    return np.cumsum(sums, axis=1).astype(np.float64)


def slice_precision(of: IntArray, branch: IntArray, usual: FloatArray, baseline: Baseline, n: int) -> FloatArray:
    """How many events the expected ones of each of `n` slices are worth as knowledge.

    A value for each pair of slice and piercing: the slice `of` it, the piercing's `branch` and `usual` events. With w_b
    the part that branch b has in a slice, the variance of the logarithm is 1 / overall + sum w_b^2 / worth_b.
    """
    parts = csr_array((usual, (of, branch)), shape=(n, len(baseline.worth)))  # entries of one place are added
    totals: FloatArray = parts.sum(axis=1)
    squares = csr_array((parts.data**2 / baseline.worth[parts.indices], parts.indices, parts.indptr), parts.shape)
    spread = np.divide(squares.sum(axis=1), totals**2, out=np.zeros(n), where=totals > 0)
    return np.asarray(1 / (1 / baseline.overall + spread))
