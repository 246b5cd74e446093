"""The line of sight: how soon a rise would be seen at this chain's volumes, and what would make it sooner.

Worlds of the chain's own last year, in which the risk of some piercings is raised from a day on, are watched with the
thresholds in force. Infections are those of the model: usual risk, branch, follow-up and delay as they are estimated.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.arguments import FloatArray
from pipeline.stats.delay import DelayDistribution
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar
from pipeline.watch.nullworlds import NullScores, first_night, null_scores
from pipeline.watch.thresholds import solve_thresholds

WORLDS = 100
SEED = 20310611
POINTING = 0.5
"""Part of a slice's piercings that must be concerned for it to point at the cause."""
MORE_REACHED = 0.2
"""Part of all clients that better follow-up would reach besides."""
FASTER = 2
"""Times by which reports would come in faster."""
MORE_ALARMS = 2.0
"""Times the false alarms of which the price is asked."""


@dataclass(frozen=True, eq=False)
class Rise:
    """A rise to be seen: what it is called, the piercings it concerns, from which day on, and times the usual risk."""

    name: str
    concerned: NDArray[np.bool_]
    first: int
    factor: float


@dataclass(frozen=True)
class Seen:
    """How soon a rise is seen: the part of worlds in which it is `within` the year, days by `median` and `late` (nine
    in ten; infinite where fewer see it), and the infections it has cost by the median.
    """

    name: str
    factor: float
    a_week: float
    within: float
    median: float
    late: float
    excess: float


def rises(cohort: Cohort, night: int) -> Iterator[Rise]:
    """The rises asked about: the whole chain, its middle branch, and its largest lot first used in the year."""
    first = first_night(cohort, night)
    after = (cohort.performed >= first) & (cohort.performed <= night)
    for factor in (1.5, 2.0, 3.0):
        yield Rise("the whole chain" if cohort.n_branches > 1 else "the branch", after, first, factor)
    if cohort.n_branches > 1:
        sizes = np.bincount(cohort.branch[after], minlength=cohort.n_branches)
        middle = int(np.argsort(sizes, kind="stable")[len(sizes) // 2])
        for factor in (2.0, 3.0):
            yield Rise("a branch of middling size", after & (cohort.branch == middle), first, factor)
    lot = _largest_lot(cohort, after, first)
    if lot is not None:
        yield Rise("the largest lot of the year", lot & after, int(cohort.performed[lot].min()), 5.0)


def _largest_lot(cohort: Cohort, after: NDArray[np.bool_], first: int) -> NDArray[np.bool_] | None:
    """The piercings of the lot with most of them, of those first used in the year."""
    largest: NDArray[np.bool_] | None = None
    for name, at in cohort.slices.index.items():
        if name[0] == "lot":
            members = np.zeros(len(cohort.performed), dtype=bool)
            members[cohort.slices.members(at)] = True
            is_new = cohort.performed[members].min() >= first
            if is_new and (largest is None or (members & after).sum() > (largest & after).sum()):
                largest = members
    return largest


def how_soon(cohort: Cohort, night: int, expected: ExpectedSoFar, thresholds: FloatArray, rise: Rise) -> Seen:
    """How soon a rise is seen by a slice that points at it, as things are `expected` and with such thresholds."""
    raised = np.where(rise.concerned, rise.factor, 1.0)
    scores = null_scores(cohort, night, expected, WORLDS, SEED, raised)
    days = _days_until(scores, thresholds, _pointing(cohort, rise), rise.first - first_night(cohort, night))
    seen = np.sort(days)
    median = float(seen[(len(seen) - 1) // 2])
    until = np.flatnonzero(rise.concerned & (cohort.performed <= rise.first + median))
    risk = expected.baseline.risk_of(*cohort.kinds(until)) * (rise.factor - 1)
    return Seen(
        name=rise.name,
        factor=rise.factor,
        a_week=7 * float(rise.concerned.sum()) / max(int(cohort.performed[rise.concerned].max()) - rise.first + 1, 1),
        within=float(np.isfinite(days).mean()),
        median=median,
        late=float(seen[int(np.ceil(0.9 * len(seen))) - 1]),
        excess=float(risk.sum()) if np.isfinite(median) else float("inf"),
    )


def _pointing(cohort: Cohort, rise: Rise) -> NDArray[np.bool_]:
    """Which slices point at a rise: half of their piercings since it began are concerned."""
    since = cohort.performed >= rise.first
    concerned, all_since = cohort.slices.sums(rise.concerned.astype(np.float64), since.astype(np.float64))
    return np.asarray((concerned >= POINTING * all_since) & (concerned > 0))


def _days_until(scores: NullScores, thresholds: FloatArray, pointing: NDArray[np.bool_], start: int) -> FloatArray:
    """Days from a rise until each world first has a pointing slice beyond its threshold; infinite where none does.

    Worlds in which one was beyond already are left out.
    """
    limit = thresholds[scores.slices.family[scores.slice_of]]
    beyond = (scores.score >= limit) & pointing[scores.slice_of]
    first = np.full(scores.worlds, np.inf)
    np.minimum.at(first, scores.world[beyond], scores.night[beyond].astype(np.float64) - start)
    early = np.zeros(scores.worlds, dtype=bool)
    early[scores.world[beyond & (scores.night < start)]] = True
    return np.asarray(first[~early & (first >= 0)])


def with_more_reached(expected: ExpectedSoFar) -> ExpectedSoFar:
    """What would be expected if every branch reached so many more of its clients."""
    return replace(expected, reach=np.minimum(expected.reach + MORE_REACHED, 1.0))


def with_faster_reports(expected: ExpectedSoFar) -> ExpectedSoFar:
    """What would be expected if every report came in half the time."""
    delay = expected.delay
    faster = DelayDistribution(np.floor(delay.delays / FASTER), delay.known, delay.events)
    return replace(expected, delay=faster)


def with_more_alarms(cohort: Cohort, night: int, expected: ExpectedSoFar, budget: float) -> FloatArray:
    """The thresholds of a budget so many times as large."""
    return solve_thresholds(
        null_scores(cohort, night, expected, WORLDS // 2, SEED + 1), MORE_ALARMS * budget
    ).thresholds
