"""How likely an event comes to be recorded: by how many of a branch's clients were asked and answered, week by week.

An event of a client who was asked and answered is recorded for certain, by convention: the usual risk is that of those
reached. One who was not reached may tell unasked, with a chance of `unasked` relative to that. Follow-up that changes
then changes what is expected, not what looks like a rise.
"""

import numpy as np

from pipeline.stats.arguments import FloatArray
from pipeline.watch.arrays import NEVER, IntArray
from pipeline.watch.cohort import Cohort

TIMING_DAYS = 26 * 7
"""Days of piercings, all old enough for their answers to be in, by which the timing of answers is judged."""
TIMING_ANSWERS = 20.0
"""Answers of the whole chain that a branch's own timing is weighed against."""
MEMORY = 0.6
"""Part of what earlier weeks tell of a branch's follow-up that still counts a week later."""
PRIOR_PIERCINGS = 10.0
"""Piercings that a branch's long-run share of answers is worth where its recent weeks tell little."""
UNASKED = 0.25
"""Assumed chance that a client not reached tells of an event, relative to one reached: before the chain's own events
say otherwise. An assumption of the trade's own model of under-reporting; no published figure was found."""
UNASKED_EVENTS = 10.0
"""Events that the assumed chance is worth."""
LATE_DAYS = 26
"""Days after the window by which answers that vouch for it are taken to be in and recorded."""


def reach(cohort: Cohort, night: int) -> FloatArray:
    """The share of its branch and week that is, or by its timing will be, reached: a value for each piercing.

    For each week, oldest first: (m s + answers) / (m + piercings already due an answer), both with what remains of
    earlier weeks; s is the branch's share over all weeks old enough, m = `PRIOR_PIERCINGS`.
    """
    answered = cohort.answered <= night
    age = night - cohort.performed
    due = timing(cohort, night)[cohort.branch, np.clip(age, 0, cohort.window_days + LATE_DAYS)]
    week = (cohort.performed - cohort.performed.min(initial=night)) // 7
    n_weeks = int(week.max(initial=0)) + 1
    shape = (cohort.n_branches, n_weeks)
    answers = _sums(cohort.branch, week, answered.astype(np.float64), shape)
    piercings = _sums(cohort.branch, week, due, shape)
    total = piercings.sum()
    overall = (answers.sum() + 1) / (total + 2)
    usual = (PRIOR_PIERCINGS * overall + answers.sum(axis=1)) / (PRIOR_PIERCINGS + piercings.sum(axis=1))
    share = np.empty(shape)
    had, could = np.zeros(shape[0]), np.zeros(shape[0])
    for at in range(n_weeks):
        had, could = MEMORY * had + answers[:, at], MEMORY * could + piercings[:, at]
        share[:, at] = (PRIOR_PIERCINGS * usual + had) / (PRIOR_PIERCINGS + could)
    return np.asarray(np.minimum(share, 1.0)[cohort.branch, week])


def timing(cohort: Cohort, night: int) -> FloatArray:
    """By branch and days since the piercing, the part of all answers that is known by then."""
    longest = cohort.window_days + LATE_DAYS
    age = night - cohort.performed
    old = (age >= longest) & (age < longest + TIMING_DAYS) & (cohort.answered != NEVER)
    delay = np.clip(cohort.answered[old] - cohort.performed[old], 0, longest)
    by_branch = _sums(cohort.branch[old], delay, np.ones(len(delay)), (cohort.n_branches, longest + 1))
    known = np.cumsum(by_branch, axis=1)
    whole = known.sum(axis=0)
    # Without any answer yet, they are assumed to come evenly over the days in which they count.
    chain = whole / whole[-1] if whole[-1] else np.linspace(0, 1, longest + 1)
    return np.asarray((known + TIMING_ANSWERS * chain) / (known[:, -1:] + TIMING_ANSWERS))


def unasked_chance(cohort: Cohort, in_reference: IntArray, event: FloatArray) -> float:
    """The chance that a client not reached tells of an event, relative to one reached, from reference piercings.

    `event` says whether each of these had one, as 1 or 0. Within strata, events of those not reached against those
    expected at the rate of the reached, drawn towards `UNASKED` as if by `UNASKED_EVENTS` events.
    """
    reached = cohort.answered[in_reference] != NEVER
    stratum = cohort.stratum[in_reference]
    n_strata = len(cohort.group)
    events, piercings = (np.bincount(stratum[reached], w, n_strata) for w in (event[reached], np.ones(reached.sum())))
    overall = events.sum() / piercings.sum() if piercings.sum() else 0.0
    rate = (events + 5 * overall) / (piercings + 5)
    would_be = rate[stratum[~reached]].sum()
    prior = UNASKED_EVENTS / UNASKED
    return float(min((UNASKED_EVENTS + event[~reached].sum()) / (prior + would_be), 1.0))


def _sums(first: IntArray, second: IntArray, weights: FloatArray, shape: tuple[int, int]) -> FloatArray:
    return np.bincount(first * shape[1] + second, weights, shape[0] * shape[1]).reshape(shape).astype(np.float64)
