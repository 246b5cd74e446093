"""Invented chains as arrays, to measure the watch by: who was pierced, with what, and what came to be recorded when.

A world knows its whole future; the watch is shown each night only what was known by then. True risks, delays and
follow-up are those of the design the targets were set by: lobe 1.5 %, cartilage 5 %, three in ten piercings cartilage,
seven in ten clients reached, onset after a gamma (mean 8 days), recorded a lognormal (median 4 days) later.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.watch.arrays import NEVER
from pipeline.watch.cohort import Cohort
from pipeline.watch.slices import Levels, make_slices

RISK = np.array([0.015, 0.05])
CARTILAGE = 0.3
SITE_SHARES = ((0.8, 0.2), (0.5, 0.2, 0.15, 0.1, 0.05))
"""Shares of the sites within lobe and cartilage."""
AGE_SHARES = np.array([0.05, 0.25, 0.2, 0.1, 0.4])
REACHED = 0.7
LOT_STREAMS = 10
LOT_DAYS = 70
BATCH_STREAMS = 4
BATCH_DAYS = 56
BAD_LOT = "99"
ARTICLES = 6
PRACTITIONERS = 4


@dataclass(frozen=True)
class Story:
    """What is changed from a day on; nothing, unless told.

    `factor` is on the true risk of the piercings that `of` names: none, all, branch, lot, practitioner:site_group. It
    ends after `until` days, if told, and is back from `again` on. Reach changes to `reach`, that of the infected to
    `reach_ill`; recording stops for `backlog` days, all of which then comes at once.
    """

    factor: float = 1.0
    of: str = "none"
    until: int | None = None
    again: int | None = None
    reach: float | None = None
    reach_ill: float | None = None
    backlog: int = 0


@dataclass(frozen=True)
class World:
    """The chain: branches, piercings a week in each, days of history and days after the change.

    Branches' true risks vary by `branch_sd` and sites' within their group by `site_sd`, of the logarithm.
    `reached_ill` is the part reached of those infected, where they answer more or less often than the others.
    """

    branches: int = 1
    a_week: float = 60.0
    history: int = 420
    after: int = 182
    branch_sd: float = 0.2
    site_sd: float = 0.0
    reached: float = REACHED
    reached_ill: float | None = None
    season: float = 0.0
    unasked: float = 0.0
    concordance: float = 0.0
    story: Story = field(default_factory=Story)


@dataclass(frozen=True, eq=False)
class Drawn:
    """A drawn world: its cohort, the codes its piercings are told apart by, and whom the story alone infected."""

    cohort: Cohort
    codes: dict[str, NDArray[np.int64]]
    is_excess: NDArray[np.bool_]
    change: int


def draw(world: World, seed: int) -> Drawn:
    """A world with its own seed."""
    rng = np.random.default_rng(seed)
    days = world.history + world.after
    n_day = rng.poisson(world.a_week / 7, (days, world.branches))
    performed = np.repeat(np.arange(days), n_day.sum(axis=1))
    branch = np.concatenate([np.repeat(np.arange(world.branches), row) for row in n_day])
    n = len(performed)
    site = (rng.random(n) < CARTILAGE).astype(np.int64)
    age = rng.choice(len(AGE_SHARES), n, p=AGE_SHARES)
    practitioner = branch * PRACTITIONERS + rng.integers(PRACTITIONERS, size=n)
    stream = rng.integers(LOT_STREAMS, size=n)
    article = stream % ARTICLES
    lot = stream * 100 + (performed + stream * LOT_DAYS // LOT_STREAMS) // LOT_DAYS
    taps = rng.integers(2 * BATCH_STREAMS, size=n)  # half leave with aftercare
    batch = np.where(taps < BATCH_STREAMS, taps * 100 + (performed + taps * 14) // BATCH_DAYS, -1)
    story, change = world.story, world.history
    if story.of == "lot":  # a lot that begins on the day, in place of a stream's next
        lot = np.where((stream == 0) & (performed >= change), int(BAD_LOT), lot)
    after = performed >= change
    hit = (
        _raised(story, performed - change)
        & {
            "none": np.zeros(n, dtype=bool),
            "all": np.ones(n, dtype=bool),
            "branch": branch == 0,
            "lot": lot == int(BAD_LOT),
            "practitioner:site_group": (practitioner == 0) & (site == 1),
        }[story.of]
    )
    branch_factor = np.exp(rng.normal(0, world.branch_sd, world.branches)) if world.branches > 1 else np.ones(1)
    season = 1 + world.season * np.cos(2 * np.pi * (performed - 200) / 365)
    very_site, site_factor = _sites(site, world.site_sd, seed)
    risk = RISK[site] * site_factor[very_site] * branch_factor[branch] * season
    visit = _visits(performed, branch)
    uniform = _shared(rng, visit, rng.random(n), world.concordance)
    infected = uniform < risk * np.where(hit, story.factor, 1.0)
    is_excess = infected & (uniform >= risk)
    reached = rng.random(n) < _reach(world, after, infected)
    told = infected & (reached | (rng.random(n) < world.unasked))
    late = (rng.gamma(2, 4, n) + rng.lognormal(np.log(4), 0.7, n)).astype(np.int64)
    recorded = np.where(told, performed + late, NEVER)
    answer = performed + rng.integers(7, 35, n)
    answered = np.where(reached, np.where(told, np.maximum(recorded, performed + 6), answer), NEVER)
    if story.backlog:
        closed = (change, change + story.backlog)
        recorded, answered = (_held(days_of, *closed) for days_of in (recorded, answered))
    codes = {
        "branch": branch,
        "site_group": site,
        "article": article,
        "practitioner": practitioner,
        "lot": lot,
        "batch": batch,
    }
    slices = make_slices(
        {name: Levels.of(code, [str(level) for level in range(code.max() + 1)]) for name, code in codes.items()}, n
    )
    cohort = Cohort(
        performed=performed,
        visit=visit,
        branch=branch,
        stratum=site * len(AGE_SHARES) + age,
        group=np.repeat(np.arange(2), len(AGE_SHARES)),
        site=very_site,
        month=(performed % 365) * 12 // 365,
        answered=answered,
        recorded=recorded,
        is_settled=np.zeros(n, dtype=bool),
        is_caused=np.zeros(n, dtype=bool),
        slices=slices,
        window_days=30,
    )
    return Drawn(cohort, codes, is_excess, change)


def _sites(group: NDArray[np.int64], sd: float, seed: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The very site of each piercing within its group, and by how much each site's risk differs from the group's.

    From a stream of its own, so that worlds without such differences stay as they were drawn before there were sites.
    """
    rng = np.random.default_rng([seed, 1])
    at = rng.random(len(group))
    first = len(SITE_SHARES[0])
    within = [np.minimum(np.searchsorted(np.cumsum(shares), at), len(shares) - 1) for shares in SITE_SHARES]
    site = np.where(group == 0, within[0], first + within[1])
    factor = np.exp(rng.normal(0, sd, first + len(SITE_SHARES[1])))
    shares = np.concatenate(SITE_SHARES)
    mean = np.repeat(
        [(shares[:first] @ factor[:first]), (shares[first:] @ factor[first:])], [first, len(factor) - first]
    )
    return site, factor / mean


def _raised(story: Story, day: NDArray[np.int64]) -> NDArray[np.bool_]:
    """On which days from the change the story's factor holds."""
    ends = np.inf if story.until is None else story.until
    begins_again = np.inf if story.again is None else story.again
    return ((day >= 0) & (day < ends)) | (day >= begins_again)


def _reach(world: World, after: NDArray[np.bool_], infected: NDArray[np.bool_]) -> NDArray[np.float64]:
    """How likely each client is reached."""
    story = world.story
    usual = np.where(after & (story.reach is not None), story.reach or 0.0, world.reached)
    ill = usual if world.reached_ill is None else np.full(len(usual), world.reached_ill)
    ill = np.where(after & (story.reach_ill is not None), story.reach_ill or 0.0, ill)
    return np.where(infected, ill, usual)


def _visits(performed: NDArray[np.int64], branch: NDArray[np.int64]) -> NDArray[np.int64]:
    """Visits of two piercings of a day and branch each; an odd one is alone."""
    key = performed * (branch.max() + 1) + branch
    order = np.argsort(key, kind="stable")
    _, first, size = np.unique(key[order], return_index=True, return_counts=True)
    place = np.arange(len(key)) - np.repeat(first, size)
    visit = np.empty(len(key), dtype=np.int64)
    visit[order] = np.cumsum(place % 2 == 0) - 1
    return visit


def _shared(
    rng: np.random.Generator, visit: NDArray[np.int64], own: NDArray[np.float64], part: float
) -> NDArray[np.float64]:
    """Fates of piercings, those of a part of the visits the same for the whole visit."""
    n = int(visit.max()) + 1
    return np.where((rng.random(n) < part)[visit], rng.random(n)[visit], own)


def _held(days: NDArray[np.int64], first: int, last: int) -> NDArray[np.int64]:
    """Days of record, those while recording stood still moved to when it went on."""
    return np.where((days >= first) & (days < last), last, days)
