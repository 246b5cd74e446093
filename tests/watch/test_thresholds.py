"""Thresholds keep to their budget on worlds they were not solved on, and null worlds score as the watch does."""

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from pipeline.stats.arguments import FloatArray, IntArray
from pipeline.stats.cohort_evidence import cohort_evidence
from pipeline.watch import nullworlds
from pipeline.watch.arrays import NEVER
from pipeline.watch.cohort import Cohort, Slices
from pipeline.watch.expected import LONGEST, ExpectedSoFar, expect
from pipeline.watch.families import FAMILIES
from pipeline.watch.nullworlds import FLOOR, NIGHTS, NullScores, null_scores
from pipeline.watch.scoring import score_slices
from pipeline.watch.slices import Levels, make_slices
from pipeline.watch.thresholds import OVERLAP, QUIET_NIGHTS, SETTLING_NIGHTS, STEP, Calibration, solve_thresholds

from .worlds import AGE_SHARES, RISK, World, draw

ASSUMED = np.repeat(RISK, len(AGE_SHARES))
BUDGET = 4.0


@dataclass(frozen=True, eq=False)
class Known:
    """A chain as a night knew it."""

    cohort: Cohort
    night: int
    expected: ExpectedSoFar


@cache
def known(branches: int = 2, a_week: float = 15, history: int = 546) -> Known:
    drawn = draw(World(branches=branches, a_week=a_week, history=history, after=0), seed=1)
    night = drawn.change - 1
    cohort = drawn.cohort.known_on(night)
    return Known(cohort, night, expect(cohort, night, ASSUMED))


@cache
def nulls(worlds: int, seed: int) -> NullScores:
    return null_scores(known().cohort, known().night, known().expected, worlds, seed)


@cache
def solved() -> Calibration:
    return solve_thresholds(nulls(60, seed=1), BUDGET)


def incidents(scores: NullScores, thresholds: FloatArray) -> list[int]:
    """Each world's false alarms after the settling nights, counted with sets, a score at a time."""
    members = {of: set(scores.slices.members(of).tolist()) for of in np.unique(scores.slice_of).tolist()}
    counts = [0] * scores.worlds
    open_: dict[int, list[tuple[set[int], int]]] = {}
    columns = (column.tolist() for column in (scores.world, scores.night, scores.slice_of, scores.score))
    for world, night, of, score in zip(*columns, strict=True):
        if score < thresholds[scores.slices.family[of]]:
            continue
        own = [(slices, last) for slices, last in open_.get(world, []) if night - last <= QUIET_NIGHTS]
        for at, (slices, _) in enumerate(own):
            if any(of == one or are_one(members[of], members[one]) for one in slices):
                own[at] = (slices | {of}, night)
                break
        else:
            own.append(({of}, night))
            counts[world] += night >= SETTLING_NIGHTS
        open_[world] = own
    return counts


def are_one(members: set[int], others: set[int]) -> bool:
    return len(members & others) >= OVERLAP * min(len(members), len(others))


def test_false_alarms_are_counted_as_one_by_one() -> None:
    years = (nulls(60, seed=1).nights - SETTLING_NIGHTS) / 365.25
    counts = incidents(nulls(60, seed=1), solved().thresholds)
    assert_allclose(solved().a_year, np.mean(counts) / years)
    assert_allclose(solved().error, np.std(counts) / np.sqrt(60) / years)


def test_thresholds_keep_to_their_budget_on_fresh_worlds() -> None:
    assert solved().a_year == pytest.approx(BUDGET, rel=0.05)
    fresh = nulls(120, seed=2)
    a_year = np.mean(incidents(fresh, solved().thresholds)) / ((fresh.nights - SETTLING_NIGHTS) / 365.25)
    error = solved().error * np.sqrt(1 + 60 / 120)
    assert abs(a_year - BUDGET) < 3 * error


def test_a_smaller_budget_takes_more_evidence() -> None:
    stricter = solve_thresholds(nulls(60, seed=1), BUDGET / 4)
    assert stricter.a_year <= BUDGET / 4 + 2 * STEP
    there = np.isfinite(stricter.thresholds)
    assert (stricter.thresholds[there] >= solved().thresholds[there]).all()
    assert (stricter.thresholds[there] > solved().thresholds[there]).sum() > 5


def test_a_family_without_a_slice_has_no_threshold_and_the_others_lie_above_the_floor() -> None:
    infinite = {FAMILIES[code] for code in np.flatnonzero(np.isinf(solved().thresholds))}
    assert infinite == {"material"}
    assert (solved().thresholds >= FLOOR).all()


def test_a_family_with_more_weight_takes_less_evidence() -> None:
    own = dict.fromkeys(FAMILIES, 1.0)
    plain, more = (solve_thresholds(nulls(60, seed=1), BUDGET, own | {"lot": weight}) for weight in (1.0, 20.0))
    lot = FAMILIES.index("lot")
    assert more.thresholds[lot] < plain.thresholds[lot]


def test_the_same_seed_gives_the_same_worlds_and_another_others() -> None:
    again = null_scores(known().cohort, known().night, known().expected, 60, seed=1)
    for name in ("world", "night", "slice_of", "score"):
        assert_array_equal(getattr(again, name), getattr(nulls(60, seed=1), name))
    assert_array_equal(solve_thresholds(again, BUDGET).thresholds, solved().thresholds)
    other = nulls(120, seed=2)
    assert not np.array_equal(other.score[:50], again.score[:50])


def test_scores_come_by_world_and_night_the_highest_first() -> None:
    scores = nulls(60, seed=1)
    order = list(zip(scores.world.tolist(), scores.night.tolist(), (-scores.score).tolist(), strict=True))
    assert order == sorted(order)
    assert scores.score.min() >= FLOOR
    assert set(scores.world.tolist()) == set(range(60))  # drawn in batches, all numbered
    assert scores.night.max() < scores.nights == NIGHTS


@pytest.mark.parametrize(("branches", "history"), [(1, 400), (3, 420)])
def test_a_null_world_scores_as_the_watch_does(branches: int, history: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """One world's events laid into a cohort again, and every night on which one is recorded scored by the watch."""
    chain = known(branches, 20, history)
    cohort = replace(chain.cohort, slices=one_by_one(chain.cohort))
    drawn, events = [], nullworlds._events

    def noted(past: Any, *others: Any) -> Any:
        drawn.append((past, *events(past, *others)))
        return drawn[-1][1:]

    monkeypatch.setattr(nullworlds, "_events", noted)
    scores = null_scores(cohort, chain.night, chain.expected, 1, seed=5)
    ((past, _, of, _, recorded),) = drawn
    start = chain.night + 1 - past.usual.shape[1]
    kept = np.flatnonzero(cohort.performed >= start)
    cohort = replace(cohort, recorded=laid_in(cohort, of, recorded + start))
    first, met = start + past.first, {}
    for night in np.unique(cohort.recorded[(cohort.recorded >= first) & (cohort.recorded <= chain.night)]).tolist():
        age = night - cohort.performed[kept]
        recent = kept[(age >= 0) & (age < LONGEST)]
        so_far = past.risk[recent - kept[0]] * chain.expected.delay.cdf(night - cohort.performed[recent])
        told = score_slices(cohort.known_on(night), night, replace(chain.expected, recent=recent, so_far=so_far))
        score = cohort_evidence(told.observed, told.expected, past.precision).score  # as known of the whole year
        met |= {(night - first, at): score[at] for at in slices_of(cohort, cohort.recorded == night)}
        if branches == 1:  # then that is the watch's own
            assert_allclose(told.score[told.score > 0], score[told.score > 0], rtol=1e-9)
    found = dict(zip(zip(scores.night.tolist(), scores.slice_of.tolist(), strict=True), scores.score, strict=True))
    met = {key: score for key, score in met.items() if score >= FLOOR}
    assert found.keys() == met.keys()
    assert len(met) > 10
    assert_allclose(list(found.values()), [met[key] for key in found], rtol=1e-9)


def test_worlds_whose_risk_is_raised_score_higher_as_the_watch_does_not_know() -> None:
    chain = known()
    raised = np.full(len(chain.cohort.performed), 2.0)
    scores = null_scores(chain.cohort, chain.night, chain.expected, 20, 1, raised)
    usual = null_scores(chain.cohort, chain.night, chain.expected, 20, 1)
    assert scores.score.max() > usual.score.max() + 3
    assert len(scores.score) > 3 * len(usual.score)


def one_by_one(cohort: Cohort) -> Slices:
    """Slices in which each piercing has a lot of its own, so that a slice's event tells the piercing."""
    n = len(cohort.performed)
    levels = {
        "branch": Levels.of(cohort.branch, "123"),
        "site_group": Levels.of(cohort.group[cohort.stratum], "ab"),
        "lot": Levels(np.arange(n), np.arange(n), [str(at) for at in range(n)]),
    }
    return make_slices(levels, n)


def laid_in(cohort: Cohort, of: IntArray, recorded: IntArray) -> IntArray:
    """The day of record of each piercing, from those of slices."""
    days = np.full(len(cohort.performed), NEVER)
    for slice_of, day in zip(of.tolist(), recorded.tolist(), strict=True):
        dimension, level = cohort.slices.names[slice_of]
        if dimension == "lot":
            days[int(level)] = day
    return days


def slices_of(cohort: Cohort, piercings: NDArray[np.bool_]) -> list[int]:
    return np.flatnonzero(cohort.slices.sums(piercings.astype(np.float64))[0]).tolist()
