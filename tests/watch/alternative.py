"""The alternative that the watch is measured against: a survival-type CUSUM of the chain and of each branch.

`python tests/watch/alternative.py [WORLDS] [FIRST_SEED]` prints its figures on the very worlds of `measure.py`. By the
day an infection is recorded, C_t = max(0, C_(t-1) + ln 2 N_t - A_t), N_t the infections recorded on day t and A_t those
expected to be, of all piercings before: Biswas P, Kalbfleisch JD (2008), A risk-adjusted CUSUM in continuous time based
on the Cox model, Statistics in Medicine 27:3382-3406 (from memory), for a doubling. Expectation, follow-up and delays
are estimated as for the watch. Its threshold is solved on null worlds of other seeds to the same budget; after an alarm
a chart begins anew.
"""

import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from pipeline.watch.expected import expect  # noqa: E402
from pipeline.watch.thresholds import QUIET_NIGHTS, SETTLING_NIGHTS  # noqa: E402
from watch.measure import ASSUMED, BUDGET, YEAR, middle, resampled, say  # noqa: E402
from watch.worlds import Story, World, draw  # noqa: E402

RATIO = 2.0
NULL_WORLDS = {1: 200, 8: 60}
Steps = NDArray[np.float64]


def steps(world: World, nights: int, seed: int) -> Steps:
    """What each night adds to each chart before it is kept from falling below 0: a row a night, the chain's first."""
    drawn = draw(replace(world, after=nights), seed)
    found = np.empty((SETTLING_NIGHTS + nights, world.branches + 1))
    for row, night in enumerate(range(drawn.change - SETTLING_NIGHTS, drawn.change + nights)):
        known = drawn.cohort.known_on(night)
        expected = expect(known, night, ASSUMED)
        recent = expected.recent
        age = night - known.performed[recent]
        tonight = expected.in_the_end * (expected.delay.cdf(age) - expected.delay.cdf(age - 1))
        usual = np.bincount(known.branch[recent], tonight, world.branches)
        seen = np.bincount(known.branch[known.recorded == night], minlength=world.branches)
        change = np.log(RATIO) * seen - (RATIO - 1) * usual
        found[row] = [change.sum(), *change]
    return found


def alarms_of(found: Steps, threshold: float) -> list[tuple[int, int, bool]]:
    """Night, from the change, and chart of each alarm, and whether it opens an incident.

    An alarm within four weeks of another is of the same incident: it opens none, and tells of its chart all the same.
    """
    level = np.zeros(found.shape[1])
    alarms: list[tuple[int, int, bool]] = []
    quiet_until = -np.inf
    for row, change in enumerate(found):
        level = np.maximum(level + change, 0)
        beyond = np.flatnonzero(level >= threshold)
        is_new = row > quiet_until
        alarms += [(row - SETTLING_NIGHTS, int(chart), is_new and chart == beyond[0]) for chart in beyond]
        if beyond.size:
            quiet_until = row + QUIET_NIGHTS
            level[beyond] = 0
    return alarms


def n_opened(alarms: list[tuple[int, int, bool]], first: int, last: float = np.inf) -> int:
    """How many incidents open on nights from `first` to before `last`."""
    return sum(is_new and first <= at < last for at, _, is_new in alarms)


def many(world: World, nights: int, seeds: Iterable[int]) -> list[Steps]:
    """The steps of many worlds, two at a time."""
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(partial(steps, world, nights), seeds, chunksize=4))


@cache
def threshold(branches: int) -> float:
    """The threshold with as many false alarms a year as the watch may have, on null worlds of other seeds."""
    nights = 364
    null = many(World(branches=branches), nights, range(910_000, 910_000 + NULL_WORLDS[branches]))
    low, high = 1.0, 15.0
    while high - low > 0.01:
        level = (low + high) / 2
        a_year = np.mean([n_opened(alarms_of(one, level), 0) for one in null]) * YEAR / nights
        low, high = (low, level) if a_year <= BUDGET[branches] else (level, high)
    return high


def alarms(name: str, world: World, seeds: range) -> None:
    """Prints false alarms a year."""
    counts = [n_opened(alarms_of(one, threshold(world.branches)), 0) for one in many(world, 364, seeds)]
    say(f"{name}: {resampled(np.array(counts) * YEAR / 364, np.mean)} a year")


def delay(name: str, world: World, charts: tuple[int, ...], seeds: range) -> None:
    """Prints how soon one of `charts` alarms; worlds in which one did just before the change are left out."""
    weeks = []
    for one in many(world, 182, seeds):
        met = [at for at, chart, _ in alarms_of(one, threshold(world.branches)) if chart in charts]
        if not met or met[0] >= 0:
            weeks.append(met[0] / 7 if met else np.inf)
    values = np.array(weeks)
    late = float(np.quantile(values, 0.9, method="higher"))
    say(f"{name}: median {resampled(values, middle)} weeks, nine in ten by {late:.1f}; {len(values)} worlds")


def chance(name: str, world: World, seeds: range, first: int, last: int) -> None:
    """Prints the probability of an alarm on nights from `first` to before `last`."""
    limit = threshold(world.branches)
    hit = [n_opened(alarms_of(one, limit), first, last) > 0 for one in many(world, last, seeds)]
    say(f"{name}: {resampled(np.array(hit, dtype=np.float64), np.mean)}")


def main() -> None:
    """Prints every figure."""
    words = sys.argv[1:]
    worlds, first = (int(words[at]) if len(words) > at else default for at, default in ((0, 200), (1, 100_000)))
    seeds = range(first, first + worlds)
    say(f"Thresholds: studio {threshold(1):.2f}, chain {threshold(8):.2f}")
    alarms("False alarms, studio", World(), seeds)
    delay("Studio, twice", World(story=Story(2, "all")), (0, 1), seeds)
    delay("Studio, 3 times", World(story=Story(3, "all")), (0, 1), seeds)
    chance("Backlog of 3 weeks", World(story=Story(backlog=21)), seeds, 21, 35)
    chance("The same days without", World(), seeds, 21, 35)
    alarms("False alarms, chain of 8", World(branches=8), seeds)
    delay("Branch, 3 times", World(branches=8, story=Story(3, "branch")), (1,), seeds)
    delay("Chain, 1.3 times", World(branches=8, story=Story(1.3, "all")), (0,), seeds)


if __name__ == "__main__":
    main()
