"""Null worlds of a chain's own piercings: who was pierced with what stays, what came to be recorded is drawn anew.

Infections are drawn at the usual risk, branches' risks from what is known of them, delays from the estimated
distribution; piercings of one visit share a fate as often as they do in the reference period. What every slice then
scores, while nothing is amiss, tells how high a threshold must be.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.arguments import FloatArray
from pipeline.stats.cohort_evidence import WINDOWS, cohort_evidence, most_evidence
from pipeline.watch.arrays import IntArray
from pipeline.watch.cohort import Cohort, Slices
from pipeline.watch.expected import LONGEST, ExpectedSoFar
from pipeline.watch.scoring import slice_precision

NIGHTS = 364
"""Nights of each world that are judged, where the chain has that much history: a year of its own case mix."""
FLOOR = 5.5
"""Scores below are not kept: thresholds lie above, as without any evidence a score is ln 182 = 5.2."""
BATCH_CELLS = 40_000_000
"""Counts, by world, slice and day, that worlds drawn at once may need: 80 MB."""


@dataclass(frozen=True, eq=False)
class NullScores:
    """Scores of at least `FLOOR` in null worlds, in the order of world and night.

    `world`, `night` and `slice_of` say where each `score` was met; `slices` are those of the past the worlds are made
    of, `worlds` and `nights` how many there were.
    """

    world: IntArray
    night: IntArray
    slice_of: IntArray
    score: FloatArray
    slices: Slices
    worlds: int
    nights: int


@dataclass(frozen=True, eq=False)
class _Past:
    """The piercings that null worlds are made of.

    Days are counted from 0 and worlds judged from night `first`; `risk` is that of an event recorded in the end,
    `usual` the sum of it by slice and day, `known` the part recorded by each age, `precision` that of each slice.
    """

    performed: IntArray
    visit: IntArray
    branch: IntArray
    risk: FloatArray
    slices: Slices
    usual: FloatArray
    known: FloatArray
    precision: FloatArray
    first: int
    last: int


def null_scores(
    cohort: Cohort, night: int, expected: ExpectedSoFar, worlds: int, seed: int, raised: FloatArray | None = None
) -> NullScores:
    """Scores of `worlds` null worlds of the cohort's last year, on nights on which an event of the slice is recorded.

    Without an event a score rises only as old piercings leave its windows, by little, so other nights are passed over.
    `raised`, a value for each piercing of the cohort, makes worlds in which its risk is so many times the usual, which
    the watch does not know.
    """
    past = _past(cohort, night, expected, raised)
    rng = np.random.default_rng(seed)
    batch = max(1, min(worlds, BATCH_CELLS // (past.slices.count * (LONGEST + past.last + 1))))
    found = [_batch(past, expected, rng, at, min(batch, worlds - at)) for at in range(0, worlds, batch)]
    world, when, of, score = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.lexsort((-score, when, world))
    nights = past.last - past.first + 1
    return NullScores(world[order], when[order], of[order], score[order], past.slices, worlds, nights)


def first_night(cohort: Cohort, night: int) -> int:
    """The first night of the cohort's last year on which its worlds are judged."""
    start = _start(cohort, night)
    return start + min(LONGEST, (night - start + 1) // 2)


def _start(cohort: Cohort, night: int) -> int:
    return max(night - NIGHTS - LONGEST + 1, int(cohort.performed.min(initial=night)))


def _past(cohort: Cohort, night: int, expected: ExpectedSoFar, raised: FloatArray | None) -> _Past:
    start = _start(cohort, night)
    is_kept = (cohort.performed >= start) & (cohort.performed <= night)
    kept = np.flatnonzero(is_kept)
    slices = cohort.slices.narrowed(is_kept)
    of, piercing = slices.flat()
    share = expected.reach[kept]
    risk = expected.baseline.risk_of(*cohort.kinds(kept))
    risk = risk * (share + (1 - share) * expected.unasked)
    performed, branch, days = cohort.performed[kept] - start, cohort.branch[kept], night - start + 1
    visit = np.unique(cohort.visit[kept], return_inverse=True)[1]
    cell = of * days + performed[piercing]
    usual = np.bincount(cell, risk[piercing], slices.count * days).reshape(slices.count, days).astype(np.float64)
    precision = slice_precision(of, branch[piercing], risk[piercing], expected.baseline, slices.count)
    known = expected.delay.cdf(np.arange(LONGEST))
    if raised is not None:
        risk = np.minimum(risk * raised[kept], 1.0)
    first = first_night(cohort, night) - start
    return _Past(performed, visit, branch, risk, slices, usual, known, precision, first, days - 1)


def _batch(
    past: _Past, expected: ExpectedSoFar, rng: np.random.Generator, number: int, worlds: int
) -> tuple[NDArray[np.int64], ...]:
    """World, night from 0, slice and score of each score kept, of `worlds` worlds numbered from `number`."""
    world, of, day, recorded = _events(past, expected, rng, worlds)
    count = np.zeros((worlds, past.slices.count, LONGEST + past.last + 1), dtype=np.int16)  # by day, after LONGEST none
    starts = np.searchsorted(recorded, np.arange(past.last + 2))
    before = slice(starts[past.first])
    np.add.at(count, (world[before], of[before], LONGEST + day[before]), 1)
    parts = []
    for night in range(past.first, past.last + 1):
        new = slice(starts[night], starts[night + 1])
        np.add.at(count, (world[new], of[new], LONGEST + day[new]), 1)
        at = np.unique(world[new] * past.slices.count + of[new])
        in_world, in_slice = np.divmod(at, past.slices.count)
        days = slice(night + LONGEST, night, -1)  # from the night backwards
        observed = np.cumsum(count[in_world, in_slice, days], axis=1)[:, WINDOWS - 1]
        usual = _usual(past, in_slice, night)
        high = np.flatnonzero(most_evidence(observed, usual) >= FLOOR)
        score = cohort_evidence(observed[high], usual[high], past.precision[in_slice[high]]).score
        high, score = high[score >= FLOOR], score[score >= FLOOR]
        parts.append((number + in_world[high], np.full(len(high), night - past.first), in_slice[high], score))
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))


def _usual(past: _Past, of: IntArray, night: int) -> FloatArray:
    """What slices expect so far by window on a night."""
    first = max(0, night - LONGEST + 1)
    by_age = past.usual[of, first : night + 1][:, ::-1] * past.known[: night + 1 - first]
    summed = np.cumsum(by_age, axis=1)
    return np.asarray(summed[:, np.minimum(WINDOWS, summed.shape[1]) - 1])


def _events(
    past: _Past, expected: ExpectedSoFar, rng: np.random.Generator, worlds: int
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """World, slice, day of piercing and day of record of each event and slice of it, in the order of recording."""
    baseline = expected.baseline
    factor = _drawn_ratio(rng, np.full((worlds, 1), baseline.overall))
    factor = factor * _drawn_ratio(rng, np.tile(baseline.worth, (worlds, 1)))
    visits = (worlds, int(past.visit.max(initial=-1)) + 1)
    fate, lateness = (rng.random((worlds, len(past.risk))) for _ in range(2))
    shared, theirs, together = (rng.random(visits)[:, past.visit] for _ in range(3))
    is_shared = shared < expected.concordance
    world, piercing = np.nonzero(np.where(is_shared, theirs, fate) < past.risk * factor[:, past.branch])
    late = np.where(is_shared, together, lateness)[world, piercing]
    delay = expected.delay.delays[np.searchsorted(expected.delay.known, late)].astype(np.int64)
    of, own = past.slices.flat()
    of = of[np.argsort(own, kind="stable")]  # by piercing
    first = np.concatenate(([0], np.cumsum(np.bincount(own, minlength=len(past.risk)))))
    times = np.diff(first)[piercing]
    event = np.repeat(np.arange(len(piercing)), times)
    pair = np.arange(len(event)) - np.repeat(np.cumsum(times) - times, times) + first[piercing[event]]
    day = past.performed[piercing][event]
    recorded = day + delay[event]
    order = np.argsort(recorded, kind="stable")
    return world[event][order], of[pair][order], day[order], recorded[order]


def _drawn_ratio(rng: np.random.Generator, worth: FloatArray) -> FloatArray:
    """True ratios that events worth so much leave possible: gamma, with mean 1; 1 where all is known."""
    known = np.isinf(worth)
    shape = np.where(known, 1.0, worth)
    return np.where(known, 1.0, rng.gamma(shape) / shape)
