"""Whether a branch has fewer or more answers than before, told as soon as answers that should be in are not."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import hypergeom

from pipeline.contract import vocabulary as v
from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import IntArray
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import reference_ends_days
from pipeline.watch.recording import TIMING_DAYS, timing

FEWER, MORE = "fewer", "more"
LEAST_DUE, LEAST_BEFORE = 20, 50
"""Visits that should have an answer by now, and visits before, that it takes to judge."""


@dataclass(frozen=True, eq=False)
class Answers:
    """Visits and their answers, by branch.

    Of the `visits` of the last weeks so many are `due`, that is would be answered by now if all clients answered in the
    end, and `answered`; of those of half a year before, `visits_before` and `answered_before`. `fewer` and `more` are
    the chances of so few and of so many answers if nothing had changed.
    """

    visits: IntArray
    due: IntArray
    answered: IntArray
    visits_before: IntArray
    answered_before: IntArray
    fewer: FloatArray
    more: FloatArray

    @property
    def change(self) -> NDArray[np.object_]:
        """`FEWER`, `MORE`, or None where nothing can be told, by branch."""
        is_enough = (self.due >= LEAST_DUE) & (self.visits_before >= LEAST_BEFORE)
        told = np.full(len(self.due), None, dtype=object)
        told[is_enough & (self.fewer < v.ANSWERS_LEVEL)] = FEWER
        told[is_enough & (self.more < v.ANSWERS_LEVEL)] = MORE
        return told


def answers(cohort: Cohort, night: int) -> Answers:
    """The answers of each branch as the night knew them (`Cohort.known_on`).

    Visits are counted, as one answer speaks for all piercings of a visit. The chances are one-sided, of Fisher's exact
    test: Fisher RA (1935), The logic of inductive inference, Journal of the Royal Statistical Society 98:39-82 (from
    memory).
    """
    first = np.unique(cohort.visit, return_index=True)[1]
    branch, age = cohort.branch[first], night - cohort.performed[first]
    is_answered = cohort.answered[first] <= night
    ends = reference_ends_days(cohort.window_days)
    part = timing(cohort, night)[branch, np.clip(age, 0, ends)]

    def counted(inside: NDArray[np.bool_], weights: NDArray[np.generic] | None = None) -> IntArray:
        values = None if weights is None else weights[inside].astype(np.float64)
        return np.rint(np.bincount(branch[inside], values, cohort.n_branches)).astype(np.int64)

    lately, before = (age >= 0) & (age < ends), (age >= ends) & (age < ends + TIMING_DAYS)
    answered = counted(lately, is_answered)
    due = np.maximum(counted(lately, part), answered)
    visits_before, answered_before = counted(before), counted(before, is_answered)
    chance = hypergeom(due + visits_before, answered + answered_before, due)
    return Answers(
        counted(lately),
        due,
        answered,
        visits_before,
        answered_before,
        np.asarray(chance.cdf(answered)),
        np.asarray(chance.sf(answered - 1)),
    )
