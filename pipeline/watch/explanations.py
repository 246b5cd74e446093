"""Explanations of an incident: which slices may be behind it, likeliest first."""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.stats.cohort_evidence import cohort_bayes_factor
from pipeline.watch.arrays import NEVER, IntArray
from pipeline.watch.cohort import Cohort, Slices
from pipeline.watch.expected import ExpectedSoFar
from pipeline.watch.families import FAMILIES
from pipeline.watch.incidents import Incident
from pipeline.watch.scoring import slice_precision
from pipeline.watch.signal import region

LEAST_SHARE = 0.25
"""Part of an incident's excess that a slice must hold to be told."""


@dataclass(frozen=True)
class Explanation:
    """A slice that may be behind an incident, over the days since the incident's estimated start.

    `evidence` is the logarithm of how much likelier a rise in this slice makes what was seen than none, less that of
    how many slices its family has; `share` the part of the incident's excess that lies in it.
    """

    name: tuple[str, str]
    evidence: float
    share: float
    observed: int
    expected: float


def explain(incident: Incident, cohort: Cohort, expected: ExpectedSoFar) -> tuple[Explanation, ...]:
    """The explanations of an incident, likeliest first."""
    slices = cohort.slices
    since = expected.recent[cohort.performed[expected.recent] >= incident.first.started]
    inside = expected.recent[region(incident.first, cohort, expected)]
    usual = expected.so_far[cohort.performed[expected.recent] >= incident.first.started]
    seen = (cohort.recorded[since] != NEVER).astype(np.float64)
    over = np.where(np.isin(since, inside), seen - usual, 0.0)
    mass, excess = _sums(slices, since, usual, over)
    share = excess / max(float(over.sum()), 1e-9)
    told = np.flatnonzero((mass > 0) & (share >= LEAST_SHARE))
    of, at = _placed(slices, told, since, len(cohort.performed))
    observed = np.bincount(of, seen[at], len(told))
    precision = slice_precision(of, cohort.branch[since[at]], usual[at], expected.baseline, len(told))
    sizes = np.bincount(slices.family[mass > 0], minlength=len(FAMILIES))
    evidence = cohort_bayes_factor(observed, mass[told], precision) - np.log(sizes[slices.family[told]])
    ranked = np.argsort(-evidence, kind="stable")
    rows = zip(told[ranked], evidence[ranked], observed[ranked], strict=True)
    return tuple(
        Explanation(slices.names[one], float(strength), float(min(share[one], 1.0)), int(events), float(mass[one]))
        for one, strength, events in rows
    )


def _sums(slices: Slices, piercings: IntArray, *values: FloatArray) -> FloatArray:
    """Each slice's sums of values for some piercings, a row for each array of them."""
    sums = np.zeros((len(values), slices.count))
    for own in slices.pairs:
        of, at = own.within(piercings)
        for row, value in zip(sums, values, strict=True):
            row[own.slices] = np.bincount(of, value[at], own.count)
    return sums


def _placed(slices: Slices, some: IntArray, piercings: IntArray, n: int) -> tuple[IntArray, IntArray]:
    """The pairs of a few slices, from 0, and some of `n` piercings, by their place among these."""
    place = np.full(n, -1, dtype=np.int64)
    place[piercings] = np.arange(len(piercings))
    inside = [own[own >= 0] for own in (place[slices.members(at)] for at in some)]
    return np.repeat(np.arange(len(some)), list(map(len, inside))), np.concatenate([*inside, place[:0]])
