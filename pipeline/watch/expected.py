"""Expected so far: what a night's piercings would have of recorded events by now, were all as usual.

Usual risk, times the chance that an event comes to be recorded, times the part of the reporting delay that a piercing's
age leaves behind it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.arguments import FloatArray
from pipeline.stats.cohort_evidence import WINDOWS
from pipeline.stats.delay import DelayDistribution, estimate_delay
from pipeline.watch.arrays import NEVER
from pipeline.watch.baseline import Baseline, estimate_baseline
from pipeline.watch.cohort import Cohort
from pipeline.watch.concordance import concordance
from pipeline.watch.recording import LATE_DAYS, reach, unasked_chance

REFERENCE_ENDS_DAYS = 56
"""Days before the night on which the reference period ends at the latest: what is new must not judge itself."""
REFERENCE_DAYS = 156 * 7
"""Length of the reference period at most: three years of whole weeks."""
LONGEST = int(WINDOWS[-1])
"""Days of piercings that are judged."""


@dataclass(frozen=True, eq=False)
class ExpectedSoFar:
    """A night's expectation: `so_far` for each of the `recent` piercings (indices), and what it rests on.

    `in_the_end` is what each will have once all is recorded, `concordance` how far piercings of one visit fare alike.
    `reference` marks the reference piercings.
    """

    recent: NDArray[np.int64]
    so_far: FloatArray
    in_the_end: FloatArray
    baseline: Baseline
    delay: DelayDistribution
    reach: FloatArray
    unasked: float
    concordance: float
    reference: NDArray[np.bool_]


def reference_ends_days(window_days: int) -> int:
    """Days before a night on which its reference period ends: no sooner than answers for the window are in."""
    return max(REFERENCE_ENDS_DAYS, window_days + LATE_DAYS)


def expect(cohort: Cohort, night: int, assumed: FloatArray) -> ExpectedSoFar:
    """What is expected of a cohort, as the night knew it (`Cohort.known_on`), by the end of the night.

    `assumed` is the risk by stratum to start from while a chain has little history.
    """
    age = night - cohort.performed
    last = reference_ends_days(cohort.window_days)
    is_reference = (age >= last) & (age < last + REFERENCE_DAYS) & ~cohort.is_caused
    reference = np.flatnonzero(is_reference)
    event = (cohort.recorded[reference] != NEVER).astype(np.float64)
    delay = _delay(cohort, night)
    unasked = unasked_chance(cohort, reference, event)
    share = reach(cohort, night)
    recorded = share[reference] + (1 - share[reference]) * unasked
    stratum, site, month, branch = cohort.kinds(reference)
    baseline = estimate_baseline(
        event,
        recorded * delay.cdf(age[reference]),
        stratum,
        cohort.group,
        site,
        month,
        branch,
        n_branches=cohort.n_branches,
        n_sites=int(cohort.site.max(initial=-1)) + 1,
        assumed=assumed,
        spans_days=int(age[reference].max() - age[reference].min()) + 1 if len(reference) else 0,
    )
    recent = np.flatnonzero((age >= 0) & (age < LONGEST) & ~cohort.is_settled)
    alike = concordance(cohort.visit[reference], event, baseline.risk_of(stratum, site, month, branch) * recorded)
    usual = baseline.risk_of(*cohort.kinds(recent))
    end = usual * (share[recent] + (1 - share[recent]) * unasked)
    so_far = end * delay.cdf(age[recent])
    return ExpectedSoFar(recent, so_far, end, baseline, delay, share, unasked, alike, is_reference)


def _delay(cohort: Cohort, night: int) -> DelayDistribution:
    """The delay distribution from all events known, those with a noted cause too: they were recorded as any other."""
    seen = np.flatnonzero((cohort.recorded <= night) & (night - cohort.performed < REFERENCE_DAYS))
    late = np.maximum(cohort.recorded[seen] - cohort.performed[seen], 0)
    return estimate_delay(late, night - cohort.performed[seen])
