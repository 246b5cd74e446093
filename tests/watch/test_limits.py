"""Thresholds in force: kept while the chain stays as it is, solved once there is history, by its size until then."""

from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from math import log

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.results import RESULT_BY_NAME
from pipeline.stats.arguments import FloatArray
from pipeline.watch import limits
from pipeline.watch.families import FAMILIES
from pipeline.watch.frames import day_number
from pipeline.watch.limits import BY_SIZE, SIMULATED, Size, in_force, size_of, thresholds_by_size
from pipeline.watch.nullworlds import FLOOR
from pipeline.watch.thresholds import Calibration

from .small import NIGHT, Pierced, before, chain, cohort_of, expected_of

NONE_YET = pl.DataFrame(schema=RESULT_BY_NAME["thresholds"].schema)


@dataclass
class Solver:
    """In place of null worlds, which take long: remembers what it was asked for."""

    asked: list[tuple[int, float]] = field(default_factory=list)

    def scores(self, *arguments: object) -> object:
        return arguments[3]

    def solve(self, worlds: int, budget: float) -> Calibration:
        self.asked.append((worlds, budget))
        levels = np.full(len(FAMILIES), 7.0 + len(self.asked))
        levels[FAMILIES.index("material")] = np.inf
        return Calibration(levels, budget, 0.1)


@pytest.fixture
def solver(monkeypatch: pytest.MonkeyPatch) -> Solver:
    solver = Solver()
    monkeypatch.setattr(limits, "null_scores", solver.scores)
    monkeypatch.setattr(limits, "solve_thresholds", solver.solve)
    return solver


OLD, YOUNG = chain(days=200, branches=2, a_day=1), chain(days=120, branches=2, a_day=1)


def asked(
    piercings: list[Pierced], known: pl.DataFrame, night: date = NIGHT, budget: float = 4.0, of: str = "infection"
) -> tuple[FloatArray, pl.DataFrame]:
    cohort = cohort_of(piercings, night)
    return in_force(of, cohort, day_number(night), night, expected_of(cohort, night), budget, known)


def test_with_history_they_are_solved_and_told_with_what_they_rest_on(solver: Solver) -> None:
    levels, told = asked(OLD, NONE_YET)
    assert solver.asked == [(limits.WORLDS["infection"], 4.0)]
    assert levels[0] == 8
    assert set(told["dimension"]) == set(FAMILIES) - {"material"}
    assert told["holds_from"].unique().to_list() == [NIGHT]
    assert (told["basis"][0], told["budget"][0], told["simulated_a_year"][0]) == (SIMULATED, 4.0, 4.0)
    assert (told["branches"][0], told["piercings_a_week"][0]) == (2, pytest.approx(14))
    assert dict(told.schema) == RESULT_BY_NAME["thresholds"].schema


def test_other_complications_take_fewer_worlds(solver: Solver) -> None:
    asked(OLD, NONE_YET, of="embedded_stud")
    assert solver.asked == [(limits.OTHER_WORLDS, 4.0)]
    assert limits.WORLDS["infection"] > limits.OTHER_WORLDS


@pytest.mark.parametrize(
    ("days", "a_day", "basis"), [(182, 1, BY_SIZE), (183, 1, SIMULATED), (400, 1, SIMULATED), (150, 4, BY_SIZE)]
)
def test_half_a_year_of_history_is_enough(solver: Solver, days: int, a_day: int, basis: str) -> None:
    _, told = asked(chain(days=days, branches=2, a_day=a_day), NONE_YET)
    assert told["basis"].unique().to_list() == [basis]
    assert len(solver.asked) == (basis == SIMULATED)


def test_fewer_than_200_piercings_are_too_few_however_long_it_took(solver: Solver) -> None:
    few = [p for at, p in enumerate(chain(days=398, branches=1, a_day=1)) if at % 2 == 0 or at == 397]
    assert len(few) == 200
    assert asked(few, NONE_YET)[1]["basis"][0] == SIMULATED
    assert asked(few[1:], NONE_YET)[1]["basis"][0] == BY_SIZE
    assert len(solver.asked) == 1


def test_a_chain_of_very_many_slices_keeps_to_its_size(solver: Solver, monkeypatch: pytest.MonkeyPatch) -> None:
    n_slices = cohort_of(OLD).slices.count
    for most, basis in ((n_slices - 1, BY_SIZE), (n_slices, SIMULATED)):
        monkeypatch.setattr(limits, "MOST_SLICES", most)
        assert asked(OLD, NONE_YET)[1]["basis"][0] == basis
    assert len(solver.asked) == 1


def test_they_stay_from_night_to_night(solver: Solver) -> None:
    levels, known = asked(OLD, NONE_YET, before(3))
    for days in (2, 1, 0):
        again, told = asked(OLD, known, before(days))
        assert told.equals(known)
        assert_array_equal(again, levels)
    assert len(solver.asked) == 1


def scaled(known: pl.DataFrame, column: str, by: float) -> pl.DataFrame:
    """The sets as if solved for a chain of another size."""
    return known.with_columns(pl.col(column) * by)


@pytest.mark.parametrize("column", ["piercings_a_week", "events_a_week"])
@pytest.mark.parametrize(("by", "is_kept"), [(0.79, False), (0.81, True), (1.24, True), (1.26, False)])
def test_they_are_solved_again_once_the_size_differs_by_a_quarter(
    solver: Solver, column: str, by: float, is_kept: bool
) -> None:
    _, known = asked(OLD, NONE_YET, before(1))
    levels, told = asked(OLD, scaled(known, column, by))
    assert len(solver.asked) == (1 if is_kept else 2)
    assert levels[0] == (8 if is_kept else 9)
    assert told["holds_from"].unique().sort().to_list() == ([before(1)] if is_kept else [before(1), NIGHT])


def test_they_are_solved_again_for_another_budget(solver: Solver) -> None:
    _, known = asked(OLD, NONE_YET, before(1))
    asked(OLD, known, budget=2.0)
    assert [budget for _, budget in solver.asked] == [4.0, 2.0]


def test_they_are_solved_again_for_a_family_or_a_branch_that_is_new(solver: Solver) -> None:
    _, known = asked(OLD, NONE_YET, before(1))
    with_batches = [replace(p, batches=("X1",)) if p.day < before(20) else p for p in OLD]
    asked(with_batches, known.filter(pl.col("dimension") != "batch"))
    assert len(solver.asked) == 2
    asked([replace(OLD[0], branch="B9"), *OLD[1:]], known)
    assert len(solver.asked) == 3


def test_a_night_goes_by_what_held_on_it(solver: Solver) -> None:
    """Sets of later days and of other complications are left alone."""
    _, first = asked(OLD, NONE_YET, before(9))
    later = first.with_columns(pl.lit(before(2)).alias("holds_from"), pl.col("threshold") + 5)
    other = first.with_columns(pl.lit("any").alias("complication"), pl.col("threshold") + 9)
    levels, told = asked(OLD, pl.concat([first, later, other]), before(3))
    assert (levels[0], told.equals(first), len(solver.asked)) == (8, True, 1)
    levels, told = asked(OLD, pl.concat([first, later, other]), before(1))
    assert (levels[0], len(told)) == (13, 2 * len(first))


def test_of_one_day_the_last_set_stays(solver: Solver) -> None:
    _, known = asked(OLD, NONE_YET)
    _, again = asked(OLD, known, budget=2.0)
    assert again["budget"].unique().to_list() == [2.0]
    assert len(solver.asked) == 2
    assert len(again) == len(known)


# By size


def test_young_chains_have_the_bound_less_what_it_is_off() -> None:
    cohort = cohort_of(YOUNG)
    levels = thresholds_by_size(cohort, expected_of(cohort), 4.0)
    sizes = np.bincount(cohort.slices.family, minlength=len(FAMILIES))
    weights = {"all": 14.0, "branch": 4.0, "practitioner:site_group": 4.0}
    total = sum(weights.get(name, 1.0) for name, size in zip(FAMILIES, sizes, strict=True) if size)
    for name, size, level in zip(FAMILIES, sizes, levels, strict=True):
        own = weights.get(name, 1.0)
        off = 0.5 if name == "all" else 1.5
        bound = max(log(365.25 * size * total / (4.0 * own)) - off, FLOOR) if size else np.inf
        assert level == pytest.approx(bound)
    assert {name for name, level in zip(FAMILIES, levels, strict=True) if np.isinf(level)} >= {"material", "article"}


def test_slices_without_recent_piercings_need_no_share() -> None:
    gone = [replace(p, lot=f"G{p.day}") for p in chain(days=300, branches=2, a_day=1) if p.day < before(200)]
    levels, with_gone = (
        thresholds_by_size(cohort, expected_of(cohort), 4.0) for cohort in (cohort_of(YOUNG), cohort_of(YOUNG + gone))
    )
    lot = FAMILIES.index("lot")
    assert_allclose(with_gone[lot], levels[lot])


def test_size_is_of_the_last_half_year_or_the_days_there_are() -> None:
    for piercings in (OLD, YOUNG):
        cohort = cohort_of(piercings)
        expected = expected_of(cohort)
        size = size_of(cohort, day_number(NIGHT), expected)
        days = min(182, len({p.day for p in piercings}))
        assert (size.branches, size.piercings) == (2, pytest.approx(14))
        assert size.events == pytest.approx(7 * expected.in_the_end.sum() / days)
    assert Size(2, 10, 1).is_like(Size(2, 8, 1.25))
    assert not Size(2, 10, 1).is_like(Size(3, 10, 1))


def test_an_empty_half_year_is_of_no_size() -> None:
    late = NIGHT + timedelta(days=400)
    cohort = cohort_of(YOUNG, late)
    assert size_of(cohort, day_number(late), expected_of(cohort, late)) == Size(0, 0.0, 0.0)
