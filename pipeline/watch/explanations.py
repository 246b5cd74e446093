"""Explanations of an incident: which slices may be behind it, likeliest first."""

from dataclasses import dataclass

import numpy as np

from pipeline.stats.cohort_evidence import cohort_bayes_factor
from pipeline.watch.cohort import NEVER, Cohort
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
    usual, seen, over = (np.zeros(len(cohort.performed), dtype=np.float64) for _ in range(3))
    usual[expected.recent] = expected.so_far
    usual[np.setdiff1d(expected.recent, since)] = 0
    seen[since] = cohort.recorded[since] != NEVER
    over[inside] = (seen - usual)[inside]
    pair, of = slices.pair_piercing, slices.pair_slice
    observed, mass, excess = (np.bincount(of, values[pair], slices.count) for values in (seen, usual, over))
    share = excess / max(float(over.sum()), 1e-9)
    precision = slice_precision(of, cohort.branch[pair], usual[pair], expected.baseline, slices.count)
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
