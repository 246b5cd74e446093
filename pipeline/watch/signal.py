"""A signal: a slice that passed its threshold, and the piercings it is about."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar

Name = tuple[str, str]
"""A slice's dimension and level."""


@dataclass(frozen=True)
class Signal:
    """A slice that passed its threshold on night `raised`; its rise is estimated to have begun on day `started`."""

    name: Name
    raised: int
    started: int


def region(signal: Signal, cohort: Cohort, expected: ExpectedSoFar) -> NDArray[np.bool_]:
    """Which recent piercings a signal is about: those of its slice since its estimated start."""
    inside = np.zeros(len(cohort.performed), dtype=bool)
    if signal.name in cohort.slices.index:
        inside[cohort.slices.members(cohort.slices.index[signal.name])] = True
    return np.asarray(inside[expected.recent] & (cohort.performed[expected.recent] >= signal.started))
