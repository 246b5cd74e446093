"""Measures the watch on invented chains whose truth is known: false alarms, delays, and whether the cause is named.

`python tests/watch/measure.py [WORLDS] [FIRST_SEED] [NAME...]` prints each figure, or those named, with its 95 % range
and its target. Baseline, follow-up and delays are estimated from a year of each world's own past, thresholds solved on
worlds of other seeds. A figure is of a slice that points at the cause; worlds with one open before the change are left
out.
"""

import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from pipeline.stats.arguments import FloatArray  # noqa: E402
from pipeline.watch.expected import expect  # noqa: E402
from pipeline.watch.explanations import explain  # noqa: E402
from pipeline.watch.incidents import Incident, watch_night  # noqa: E402
from pipeline.watch.limits import thresholds_by_size  # noqa: E402
from pipeline.watch.nullworlds import null_scores  # noqa: E402
from pipeline.watch.thresholds import SETTLING_NIGHTS, solve_thresholds  # noqa: E402
from watch.worlds import AGE_SHARES, BAD_LOT, RISK, Story, World, draw  # noqa: E402

ASSUMED = np.repeat(RISK, len(AGE_SHARES))
YEAR = 365.25
BUDGET = {1: YEAR / (104 * 7), 8: 4.0}
CALIBRATED = {1: 1600, 8: 400}
"""Null worlds of each of four calibrations, by branches."""
FORTNIGHT = 14
SLOW = ("alarms-large",)
"""Figures that take minutes a world: only where they are named."""


@cache
def thresholds(branches: int) -> FloatArray:
    """Thresholds for a chain of so many branches: the mean of those of four worlds of other seeds; of many, by size."""
    if branches not in BUDGET:
        drawn = draw(World(branches=branches, after=0), 900_000)
        known = drawn.cohort.known_on(drawn.change - 1)
        return thresholds_by_size(known, expect(known, drawn.change - 1, ASSUMED), BUDGET[8])
    solved = []
    for seed in range(4):
        drawn = draw(World(branches=branches, after=0), 900_000 + seed)
        night = drawn.change - 1
        known = drawn.cohort.known_on(night)
        scores = null_scores(known, night, expect(known, night, ASSUMED), CALIBRATED[branches], seed)
        solved.append(solve_thresholds(scores, BUDGET[branches]).thresholds)
    return np.asarray(np.mean(solved, axis=0))


@dataclass(frozen=True)
class Run:
    """What a world's watch did, in nights from the change: incidents opened, and when the cause was met and named.

    `excess` is how many infections the story had caused by piercings up to then, -1 where it was not met.
    """

    opened: tuple[int, ...]
    met: float
    named: float
    excess: int


def watch(world: World, limits: FloatArray, nights: int, seed: int) -> Run:
    """Watches a world from four weeks before its change on; ends once the cause is met and a fortnight is over."""
    drawn = draw(world, seed)
    open_: tuple[Incident, ...] = ()
    opened: list[int] = []
    met = named = np.inf
    for night in range(drawn.change - SETTLING_NIGHTS, drawn.change + nights):
        known = drawn.cohort.known_on(night)
        expected = expect(known, night, ASSUMED)
        before, open_ = open_, watch_night(open_, known, night, expected, limits).open
        opened += [night - drawn.change] * len({one.first for one in open_} - {one.first for one in before})
        guilty = [one for one in open_ if any(is_guilty(world.story, signal.name) for signal in one.signals)]
        if guilty and met == np.inf:
            met = night - drawn.change
        if guilty and named == np.inf:
            likeliest = [explain(one, known, expected)[0].name for one in guilty]
            named = night - drawn.change if any(is_guilty(world.story, name) for name in likeliest) else np.inf
        if met < 0 or (met < np.inf and (named < np.inf or night - drawn.change > met + FORTNIGHT)):
            break
    until = drawn.cohort.performed <= drawn.change + met
    return Run(tuple(opened), met, named, int((drawn.is_excess & until).sum()) if met < np.inf else -1)


def is_guilty(story: Story, name: tuple[str, str]) -> bool:
    """Whether a slice points at what a story raised."""
    at = dict(zip(name[0].split(":"), name[1].split(":"), strict=True))
    return {
        "none": False,
        "all": name[0] in ("all", "site_group"),
        "branch": at.get("branch") == "0",
        "lot": at.get("lot") == BAD_LOT,
        "practitioner:site_group": at.get("practitioner") == "0" and at.get("site_group", "1") == "1",
    }[story.of]


def runs(world: World, nights: int, seeds: Iterable[int]) -> list[Run]:
    """The runs of many worlds, two at a time."""
    limits = thresholds(world.branches)
    with ProcessPoolExecutor(2) as pool:
        return list(pool.map(partial(watch, replace(world, after=nights), limits, nights), seeds, chunksize=4))


def resampled(values: NDArray[np.float64], statistic: Callable[[NDArray[np.float64]], float]) -> str:
    """A statistic with its 95 % range by resampling worlds (Efron B, Tibshirani RJ (1993), percentile interval)."""
    rng = np.random.default_rng(0)
    drawn = [statistic(rng.choice(values, len(values))) for _ in range(2000)]
    low, high = np.quantile(drawn, [0.025, 0.975], method="higher")
    return f"{statistic(values):.2f} ({low:.2f} to {high:.2f})"


def middle(values: NDArray[np.float64]) -> float:
    """The median, of worlds that never see it too."""
    return float(np.quantile(values, 0.5, method="higher"))


def say(line: str) -> None:
    """Prints a line at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def alarms(name: str, target: str, world: World, seeds: range, nights: int = 364) -> None:
    """Prints false alarms a year."""
    counts = np.array([sum(at >= 0 for at in run.opened) for run in runs(world, nights, seeds)], dtype=np.float64)
    say(f"{name}: {resampled(counts * YEAR / nights, np.mean)} a year; target {target}")


def delay(name: str, target: str, world: World, seeds: range, nights: int = 182) -> None:
    """Prints how soon a rise is seen, what it cost, and whether its cause was named within a fortnight."""
    done = [run for run in runs(world, nights, seeds) if not run.met < 0]
    weeks = np.array([run.met for run in done]) / 7
    excess = np.array([run.excess for run in done if run.excess >= 0], dtype=np.float64)
    named = np.array([run.named <= run.met + FORTNIGHT for run in done if run.met < np.inf], dtype=np.float64)
    late = float(np.quantile(weeks, 0.9, method="higher"))
    say(
        f"{name}: median {resampled(weeks, middle)} weeks, nine in ten by {late:.1f}; {np.median(excess):.0f} excess "
        f"(nine in ten {np.quantile(excess, 0.9):.0f}); named within a fortnight {resampled(named, np.mean)}; "
        f"{len(done)} worlds; target {target}"
    )


def chance(name: str, target: str, world: World, seeds: range, first: int, last: int) -> None:
    """Prints the probability that an incident opens on nights from `first` to before `last` after the change."""
    hit = [any(first <= at < last for at in run.opened) for run in runs(world, last, seeds)]
    say(f"{name}: {resampled(np.array(hit, dtype=np.float64), np.mean)}; target {target}")


def figures(seeds: range) -> dict[str, Callable[[], None]]:
    """Every figure by its short name."""
    chain = partial(World, branches=8)
    raised = {name: partial(Story, of=name) for name in ("all", "branch", "lot", "practitioner:site_group")}
    backlog, clean = Story(backlog=21), Story()
    more = World(reached=0.5, story=Story(reach=0.8))
    return {
        "alarms-studio": partial(alarms, "False alarms, studio", "0.50 +- 15 %", World(), seeds),
        "alarms-chain": partial(alarms, "False alarms, chain of 8", "4 +- 15 %", chain(), seeds),
        "studio-2": partial(delay, "Studio, twice", "8 weeks (19)", World(story=raised["all"](2)), seeds),
        "studio-3": partial(delay, "Studio, 3 times", "4.5 weeks (8.5)", World(story=raised["all"](3)), seeds),
        "lot": partial(delay, "Lot, 5 times", "3.5 weeks, 17 excess, 90 %", chain(story=raised["lot"](5)), seeds, 126),
        "branch": partial(delay, "Branch, 3 times", "6.5 weeks", chain(story=raised["branch"](3)), seeds),
        "chain": partial(delay, "Chain, 1.3 times", "9 weeks", chain(story=raised["all"](1.3)), seeds),
        "practitioner": partial(
            delay,
            "Practitioner's cartilage, 3 times",
            "18 weeks, unsolved",
            chain(story=raised["practitioner:site_group"](3)),
            seeds,
        ),
        "backlog": partial(
            chance, "Backlog of 3 weeks", "2 points above the next", World(story=backlog), seeds, 21, 35
        ),
        "no-backlog": partial(chance, "The same days without", "-", World(story=clean), seeds, 21, 35),
        "follow-up": partial(chance, "Follow-up 50 to 80 %", "at most 0.40 in 26 weeks", more, seeds, 0, 182),
        "alarms-large": partial(
            alarms, "False alarms, chain of 1,000, thresholds by size", "4", chain(branches=1000), seeds, 182
        ),
        "season": partial(alarms, "False alarms, chain, season 25 %", "-", chain(season=0.25), seeds),
        "sites": partial(alarms, "False alarms, chain, sites differ by 30 %", "-", chain(site_sd=0.3), seeds),
        "visits": partial(alarms, "False alarms, chain, 3 of 10 visits alike", "-", chain(concordance=0.3), seeds),
        "ill-more": partial(alarms, "False alarms, chain, infected reached 0.85", "-", chain(reached_ill=0.85), seeds),
        "ill-less": partial(alarms, "False alarms, chain, infected reached 0.55", "-", chain(reached_ill=0.55), seeds),
        "form": partial(
            chance, "Studio, infected alone reached 0.7 to 0.9", "-", World(story=Story(reach_ill=0.9)), seeds, 0, 182
        ),
        "unasked": partial(alarms, "False alarms, chain, 15 % tell unasked", "-", chain(unasked=0.15), seeds),
    }


def main() -> None:
    """Prints the figures asked for."""
    words = sys.argv[1:]
    worlds, first = (int(words[at]) if len(words) > at else default for at, default in ((0, 200), (1, 100_000)))
    every = figures(range(first, first + worlds))
    for name in words[2:] or [name for name in every if name not in SLOW]:
        every[name]()


if __name__ == "__main__":
    main()
