"""Explanations of an incident: which slices may be behind it, likeliest first."""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.cohort_evidence import cohort_bayes_factor
from pipeline.watch.arrays import NEVER
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar
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
    observed, mass, excess, precision = (np.zeros(slices.count) for _ in range(4))
    for own in slices.pairs:
        of, at = own.within(since)
        for sums, values in ((observed, seen), (mass, usual), (excess, over)):
            sums[own.slices] = np.bincount(of, values[at], own.count)
        precision[own.slices] = slice_precision(of, cohort.branch[since][at], usual[at], expected.baseline, own.count)
    share = excess / max(float(over.sum()), 1e-9)
    is_met = mass > 0
    sizes = np.bincount(slices.family[is_met], minlength=int(slices.family.max()) + 1)
    evidence = cohort_bayes_factor(observed, mass, precision) - np.log(np.maximum(sizes, 1))[slices.family]
    told = np.flatnonzero(is_met & (share >= LEAST_SHARE))
    return tuple(
        Explanation(
            slices.names[at], float(evidence[at]), float(min(share[at], 1.0)), int(observed[at]), float(mass[at])
        )
        for at in told[np.argsort(-evidence[told], kind="stable")]
    )
