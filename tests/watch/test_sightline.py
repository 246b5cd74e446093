"""The line of sight: sooner where the rise is larger, and only by slices that point at it."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.watch import sightline
from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar, expect
from pipeline.watch.families import FAMILIES
from pipeline.watch.nullworlds import first_night
from pipeline.watch.sightline import (
    Rise,
    Seen,
    how_soon,
    rises,
    with_faster_reports,
    with_more_reached,
)

from .worlds import AGE_SHARES, RISK, World, draw

NIGHT = 419
ASSUMED = np.repeat(RISK, len(AGE_SHARES))
LIMITS = np.full(len(FAMILIES), 8.0)


@pytest.fixture(scope="module")
def cohort() -> Cohort:
    return draw(World(branches=3, a_week=40, after=0), 5).cohort.known_on(NIGHT)


@pytest.fixture(scope="module")
def expected(cohort: Cohort) -> ExpectedSoFar:
    return expect(cohort, NIGHT, ASSUMED)


@pytest.fixture(autouse=True)
def few_worlds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sightline, "WORLDS", 24)


def seen(cohort: Cohort, expected: ExpectedSoFar, rise: Rise) -> Seen:
    return how_soon(cohort, NIGHT, expected, LIMITS, rise)


def test_the_rises_are_of_the_chain_a_branch_and_the_largest_new_lot(cohort: Cohort) -> None:
    found = list(rises(cohort, NIGHT))
    assert [rise.factor for rise in found] == [1.5, 2.0, 3.0, 2.0, 3.0, 5.0]
    first = first_night(cohort, NIGHT)
    branch = found[3].concerned
    assert len(set(cohort.branch[branch])) == 1
    lot = found[-1].concerned
    assert cohort.performed[lot].min() == found[-1].first >= first
    lots = [cohort.slices.members(at) for (dimension, _), at in cohort.slices.index.items() if dimension == "lot"]
    new = [len(one) for one in lots if cohort.performed[one].min() >= first]
    assert lot.sum() == max(new)


def test_a_single_branch_is_asked_about_once(cohort: Cohort) -> None:
    alone = replace(cohort, branch=np.zeros_like(cohort.branch))
    assert [rise.name for rise in rises(alone, NIGHT)][:3] == ["the branch"] * 3


def test_a_larger_rise_is_seen_sooner_and_by_more(cohort: Cohort, expected: ExpectedSoFar) -> None:
    found = [seen(cohort, expected, rise) for rise in list(rises(cohort, NIGHT))[:3]]
    assert found[0].median > found[1].median > found[2].median
    assert found[0].within <= found[2].within == 1.0
    assert all(one.median <= one.late for one in found)


def test_without_a_rise_hardly_any_world_sees_one(cohort: Cohort, expected: ExpectedSoFar) -> None:
    rise = replace(next(rises(cohort, NIGHT)), factor=1.0)
    assert how_soon(cohort, NIGHT, expected, np.full(len(FAMILIES), 12.0), rise).within < 0.2


def test_the_cost_is_the_risk_added_until_it_is_seen(cohort: Cohort, expected: ExpectedSoFar) -> None:
    rise = list(rises(cohort, NIGHT))[2]
    found = seen(cohort, expected, rise)
    until = rise.concerned & (cohort.performed <= rise.first + found.median)
    baseline = expected.baseline
    ratios = baseline.site[cohort.site] * baseline.season[cohort.month] * baseline.branch[cohort.branch]
    assert found.excess == pytest.approx(2 * (baseline.risk[cohort.stratum] * ratios)[until].sum())


def test_a_rise_of_one_branch_is_not_seen_by_slices_that_only_hold_it(cohort: Cohort) -> None:
    rise = list(rises(cohort, NIGHT))[3]
    pointing = sightline._pointing(cohort, rise)
    names = [cohort.slices.names[at] for at in np.flatnonzero(pointing)]
    assert ("all", "all") not in names
    own = str(cohort.branch[rise.concerned][0])
    assert ("branch", own) in names
    assert all(level.split(":")[0] == own for dimension, level in names if dimension.startswith("branch"))


def test_more_reached_and_faster_reports_help(cohort: Cohort, expected: ExpectedSoFar) -> None:
    rise = list(rises(cohort, NIGHT))[1]
    as_is = seen(cohort, expected, rise)
    assert seen(cohort, with_faster_reports(expected), rise).median < as_is.median
    assert (with_more_reached(expected).reach >= expected.reach).all()
    assert with_more_reached(expected).reach.max() <= 1.0
