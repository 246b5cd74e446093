"""The watch and the second implementation agree on every slice of a night, and on what its score rests on.

On invented chains of one to four branches, young and old, that ask much or little, with gaps in their records.
"""

from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from random import Random

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose

from pipeline.watch.cohort import Cohort
from pipeline.watch.expected import ExpectedSoFar, expect
from pipeline.watch.frames import ASSUMED_RISK, Settled, assumed_risk, day_number, make_cohorts
from pipeline.watch.limits import LEAST_PIERCINGS
from pipeline.watch.night import Memory, watch
from pipeline.watch.scoring import Scores, score_slices
from watch.frames import frames_of

from .watch import WINDOWS, Pierced, Scored, WatchedNight

NIGHT = date(2032, 6, 30)
SETTLED = ("lot", "L1")
"""A slice that notes settle in half of the chains."""
SEEDS = range(12)
SHOWN = ("all", "branch", "site_group", "material", "article", "batch")
SITES = (("lobe", "lobe"), ("upper_lobe", "lobe"), ("helix", "upper_cartilage"), ("other", "other"))
"""Sites, each with its group."""
CLOSE = {"rtol": 1e-9, "atol": 1e-9}


def chain(seed: int) -> list[Pierced]:
    """An invented chain's piercings in the order of their days, some told of only after the night."""
    rng = Random(seed)
    branches = ["B1", "B2", "B3", "B4"][: rng.choice((1, 2, 4))]
    days, asks, ill = rng.choice((30, 150, 500, 1300)), rng.choice((0.0, 0.3, 1.0)), rng.choice((0.05, 0.2))
    first = NIGHT - timedelta(days=days)
    performed = sorted(first + timedelta(days=rng.randint(0, days)) for _ in range(rng.choice((15, 120, 320))))
    piercings = [pierced(rng, day, branches, asks, ill) for day in performed]
    for at in range(1, len(piercings)):
        if rng.random() < 0.4:  # a further piercing of the same visit, as often as not with the same fate
            one = piercings[at - 1]
            fate = {"answered": one.answered, "recorded": one.recorded} if rng.random() < 0.5 else {}
            piercings[at] = replace(piercings[at], day=one.day, branch=one.branch, visit=one.visit, **fate)
    if seed % 2:
        until = NIGHT - timedelta(days=days // 3)
        piercings = [settled(p, until, has_cause=seed % 4 == 1) for p in piercings]
    return piercings


def pierced(rng: Random, day: date, branches: list[str], asks: float, ill: float) -> Pierced:
    def maybe(*values: str) -> str | None:
        return rng.choice(values) if rng.random() < 0.9 else None

    branch = rng.choice(branches)
    lot = maybe("L1", "L2", f"L-{branch}", f"L{day.year}{day.month // 4}")
    is_ill = rng.random() < ill * (3 if lot == "L2" else 1)
    return Pierced(
        day,
        branch,
        *rng.choice(SITES),
        maybe("11-15", "18+"),
        maybe("K1", "K2", f"K-{branch}"),
        maybe("niobium", "gold"),
        maybe(f"{branch}-P1", f"{branch}-P2"),
        lot,
        tuple(rng.sample(("X1", "X2", "X3"), rng.choice((0, 0, 1, 2)))),
        day + timedelta(days=rng.randint(6, 60)) if rng.random() < asks * (0.5 if branch == "B2" else 1) else None,
        day + timedelta(days=rng.choice((0, 1, 5, 9, 20, 40, 130))) if is_ill else None,
        f"V{rng.randrange(10**9)}",
    )


def settled(p: Pierced, until: date, *, has_cause: bool) -> Pierced:
    """The piercing after a note on its slice, where it was performed up to a day."""
    is_of_it = p.lot == SETTLED[1] and p.day <= until
    return replace(p, is_settled=is_of_it, is_caused=is_of_it and has_cause)


def settled_in(piercings: list[Pierced]) -> list[Settled]:
    """The notes behind what is settled."""
    own = [p for p in piercings if p.is_settled]
    if not own:
        return []
    return [Settled("infection", SETTLED, own[0].day, own[-1].day, own[0].is_caused)]


@cache
def theirs(seed: int) -> WatchedNight:
    return WatchedNight(chain(seed), NIGHT, ASSUMED_RISK["infection"])


@cache
def ours(seed: int) -> tuple[Cohort, ExpectedSoFar, Scores]:
    piercings = chain(seed)
    cohort = make_cohorts(frames_of(piercings), settled_in(piercings))["infection"].known_on(day_number(NIGHT))
    expected = expect(cohort, day_number(NIGHT), assumed_risk(cohort, "infection"))
    return cohort, expected, score_slices(cohort, day_number(NIGHT), expected)


@pytest.mark.parametrize("seed", SEEDS)
def test_who_is_reached_who_tells_unasked_and_how_far_visits_fare_alike(seed: int) -> None:
    (_, expected, _), second = ours(seed), theirs(seed)
    assert_allclose(expected.reach, [second.reach[p.branch, second.week(p)] for p in second.piercings], **CLOSE)
    assert_allclose(expected.unasked, second.unasked, **CLOSE)
    assert_allclose(expected.concordance, second.concordance, **CLOSE)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_baseline_and_what_it_is_worth(seed: int) -> None:
    (cohort, expected, _), second = ours(seed), theirs(seed)
    usual = expected.baseline.risk_of(*cohort.kinds(np.arange(len(second.piercings))))
    assert_allclose(usual, [second.risk(p) for p in second.piercings], **CLOSE)
    assert_allclose(expected.baseline.worth, [second.worth(branch) for branch in second.all_branches], **CLOSE)
    assert_allclose(expected.baseline.overall, second.overall, **CLOSE)
    assert expected.reference.sum() == len(second.reference)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_expected_so_far(seed: int) -> None:
    (cohort, expected, _), second = ours(seed), theirs(seed)
    recent = {id(p) for p in second.recent}
    assert expected.recent.tolist() == [at for at, p in enumerate(second.piercings) if id(p) in recent]
    assert_allclose(expected.so_far, list(second.so_far.values()), **CLOSE)
    in_the_end = [second.risk(p) * second.recording(p) for p in second.recent]
    assert_allclose(expected.in_the_end, in_the_end, **CLOSE)
    assert cohort.performed.tolist() == [day_number(p.day) for p in second.piercings]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_slice_and_its_score(seed: int) -> None:
    (cohort, _, scores), second = ours(seed), theirs(seed)
    assert list(cohort.slices.index) == list(second.slices)
    for at, name in enumerate(cohort.slices.names):
        one = second.scored(name)
        assert scores.observed[at].tolist() == list(one.observed.values()), name
        assert_allclose(scores.expected[at], list(one.expected.values()), **CLOSE, err_msg=str(name))
        assert_allclose(scores.precision[at], one.precision, **CLOSE, err_msg=str(name))
        assert_allclose(scores.score[at], one.score, **CLOSE, err_msg=str(name))
        assert WINDOWS[scores.window[at]] == one.window, name


@pytest.mark.parametrize("seed", [seed for seed in SEEDS if len(chain(seed)) < LEAST_PIERCINGS and seed % 2 == 0])
def test_slices_as_published(seed: int) -> None:
    second = theirs(seed)
    found = watch(frames_of(second.piercings), NIGHT, Memory(), None)["watched_slices"]
    listed = found.filter(pl.col("complication") == "infection")
    met = {name for name in second.slices if name[0] in SHOWN and second.scored(name).expected[182] > 0}
    assert set(listed.select("dimension", "level").iter_rows()) == met
    for row in listed.iter_rows(named=True):
        one = second.scored((row["dimension"], row["level"]))
        assert row["observed"] == one.observed[182]
        assert_allclose(row["expected"], one.expected[182], **CLOSE)
        assert row["from_on"] == NIGHT + timedelta(days=1 - one.window)
        if one.observed[182]:
            assert_allclose(row["evidence"], one.score, **CLOSE)
        else:
            assert row["evidence"] is None


def test_the_edges_are_hit() -> None:
    every = [theirs(seed) for seed in SEEDS]
    names = {name for one in every for name in one.slices}
    scores: list[Scored] = [one.scored(name) for one in every for name in one.slices]
    assert {name[0].count(":") for name in names} == {0, 1}
    assert max(one.score for one in scores) > 12
    assert any(np.isneginf(one.score) for one in scores)
    assert {len(one.all_branches) for one in every} >= {1, 2, 4}
    assert {len(one.reference) > 0 for one in every} == {True, False}
    assert any(p.is_settled for one in every for p in one.piercings)
    assert any(p.is_caused for one in every for p in one.piercings)
    assert any(one.unasked == 1 for one in every) or max(one.unasked for one in every) > 0.5
    assert any(max(one.reach.values()) == 1 for one in every)
    assert min(one.concordance for one in every) < 0.2
    assert max(one.concordance for one in every) > 0.4
    assert any(ratio != 1 for one in every for ratio in one.steps[3].values())  # a season
    assert any(p.recorded and p.recorded > NIGHT for one in every for p in one.piercings)
