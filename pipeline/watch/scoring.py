"""A night's evidence: every slice's events observed and expected so far by window, and its score."""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.stats.cohort_evidence import WINDOWS, cohort_evidence
from pipeline.watch.arrays import NEVER, IntArray
from pipeline.watch.baseline import Baseline
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar
from pipeline.watch.slices import numbered


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
    slices, recent = cohort.slices, expected.recent
    age = night - cohort.performed[recent]
    window, branch = np.searchsorted(WINDOWS, age + 1), cohort.branch[recent]
    event = (cohort.recorded[recent] != NEVER).astype(np.float64)
    usual = expected.so_far if factor is None else expected.so_far * factor
    observed, mass = (np.empty((slices.count, len(WINDOWS))) for _ in range(2))
    precision = np.empty(slices.count)
    for own in slices.pairs:
        of, at = own.within(recent)
        cell, shape = of * len(WINDOWS) + window[at], (own.count, len(WINDOWS))
        observed[own.slices], mass[own.slices] = (_growing(cell, values[at], shape) for values in (event, usual))
        precision[own.slices] = slice_precision(of, branch[at], usual[at], expected.baseline, own.count)
    score, best = np.full(slices.count, -np.inf), np.zeros(slices.count, dtype=np.int64)
    some = observed[:, -1] > 0  # without an event there is no evidence of a rise
    evidence = cohort_evidence(observed[some], mass[some], precision[some])
    score[some], best[some] = evidence.score, evidence.window
    return Scores(observed, mass, precision, score, best)


def _growing(cell: IntArray, values: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Sums by slice and window, each window with those shorter than it."""
    sums = np.bincount(cell, values, shape[0] * shape[1]).reshape(shape)
    return np.cumsum(sums, axis=1).astype(np.float64)


def slice_precision(of: IntArray, branch: IntArray, usual: FloatArray, baseline: Baseline, n: int) -> FloatArray:
    """How many events the expected ones of each of `n` slices are worth as knowledge.

    A value for each pair of slice and piercing: the slice `of` it, the piercing's `branch` and `usual` events. With w_b
    the part that branch b has in a slice, the variance of the logarithm is 1 / overall + sum w_b^2 / worth_b.
    """
    cells, cell = numbered(of * len(baseline.worth) + branch)
    parts = np.bincount(cell, usual, len(cells))
    slice_of, of_branch = np.divmod(cells, len(baseline.worth))
    totals, squares = (np.bincount(slice_of, values, n) for values in (parts, parts**2 / baseline.worth[of_branch]))
    spread = np.divide(squares, totals**2, out=np.zeros(n), where=totals > 0)
    return np.asarray(1 / (1 / baseline.overall + spread))
