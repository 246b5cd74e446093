"""What speaks against an incident: other reasons than a rise for which more events may have come to be known."""

import numpy as np

from pipeline.watch.arrays import NEVER, IntArray
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import LONGEST, ExpectedSoFar
from pipeline.watch.signal import Signal, region

MORE_ASKED, AT_ONCE, FEW = "more_asked", "recorded_at_once", "few"
MORE = 1.25
"""Times the earlier share of clients reached from which more asking may be behind more events."""
LEAST_AT_ONCE = 4
"""Events recorded on one day, being half of all or more, that look like a backlog typed in."""
LEAST_EVENTS = 5
"""Events below which a rise rests on few."""


def speaks_against(signal: Signal, cohort: Cohort, expected: ExpectedSoFar) -> tuple[str, ...]:
    """The reasons that hold for a signal, of `MORE_ASKED`, `AT_ONCE` and `FEW`."""
    inside = expected.recent[region(signal, cohort, expected)]
    recorded = cohort.recorded[inside]
    recorded = recorded[recorded != NEVER]
    reasons = []
    if _reach_rose(inside, signal, cohort, expected):
        reasons.append(MORE_ASKED)
    if len(recorded):
        most = int(np.unique(recorded, return_counts=True)[1].max())
        if most >= LEAST_AT_ONCE and 2 * most >= len(recorded):
            reasons.append(AT_ONCE)
    if len(recorded) < LEAST_EVENTS:
        reasons.append(FEW)
    return tuple(reasons)


def _reach_rose(inside: IntArray, signal: Signal, cohort: Cohort, expected: ExpectedSoFar) -> bool:
    """Whether the branches concerned reach more of their clients than in the half year before the rise began."""
    branches = np.unique(cohort.branch[inside])
    before = np.isin(cohort.branch, branches) & (cohort.performed < signal.started)
    before &= cohort.performed >= signal.started - LONGEST
    if not before.any() or not len(inside):
        return False
    return bool(expected.reach[inside].mean() >= MORE * expected.reach[before].mean())
