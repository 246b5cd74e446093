"""Answers that change are told: counted by visit, beside the half year before, by Fisher's exact test."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import fisher_exact

from pipeline.watch.answers import FEWER, MORE, answers
from pipeline.watch.frames import day_number
from pipeline.watch.night import Memory, watch

from .frames import frames_of
from .small import NIGHT, Pierced, before, chain, cohort_of

LATELY, HALF_YEAR = 56, 182


def told(piercings: list[Pierced]) -> pl.DataFrame:
    return watch(frames_of(piercings), NIGHT, Memory(), None, ("answers",))["answers"]


def asked(share_lately: float, share_before: float = 0.5) -> list[Pierced]:
    """A branch with two visits a day, answered after two weeks, of one or two piercings."""
    piercings = []
    for age in range(LATELY + HALF_YEAR + 10):
        share = share_lately if age < LATELY else share_before
        for at in range(2):
            is_answered = (2 * age + at) % 20 < 20 * share and age >= 14
            day = before(age)
            one = Pierced(day, visit=f"V{age}-{at}", answered=day + timedelta(days=14) if is_answered else None)
            piercings += [one] * (1 + at)
    return piercings


def counted(piercings: list[Pierced]) -> dict[str, int]:
    """The counts of a branch in plain Python."""
    visits = {one.visit: one for one in piercings}.values()
    age = {one.visit: (NIGHT - one.day).days for one in visits}
    lately = [one for one in visits if age[one.visit] < LATELY]
    earlier = [one for one in visits if LATELY <= age[one.visit] < LATELY + HALF_YEAR]
    return {
        "visits": len(lately),
        "answered": sum(one.answered is not None for one in lately),
        "visits_before": len(earlier),
        "answered_before": sum(one.answered is not None for one in earlier),
    }


@pytest.mark.parametrize(("lately", "change"), [(0.1, FEWER), (0.5, None), (0.95, MORE)])
def test_a_change_of_answers_is_told_and_no_change_is_not(lately: float, change: str | None) -> None:
    [row] = told(asked(lately)).to_dicts()
    assert row["change"] == change
    assert row["branch_id"] == "B1"
    assert {name: row[name] for name in counted(asked(lately))} == counted(asked(lately))


def test_visits_too_young_for_an_answer_are_not_due() -> None:
    [row] = told(asked(0.5)).to_dicts()
    assert row["due"] == 2 * (LATELY - 14)


def test_the_chances_are_those_of_fishers_exact_test() -> None:
    cohort = cohort_of(asked(0.3))
    one = answers(cohort, day_number(NIGHT))
    table = [
        [one.answered[0], one.due[0] - one.answered[0]],
        [one.answered_before[0], one.visits_before[0] - one.answered_before[0]],
    ]
    assert one.fewer[0] == pytest.approx(fisher_exact(table, "less").pvalue, rel=1e-9)
    assert one.more[0] == pytest.approx(fisher_exact(table, "greater").pvalue, rel=1e-9)


def test_each_branch_is_judged_by_its_own() -> None:
    usual = [replace(one, branch="B2", visit=f"W{one.visit}") for one in asked(0.5)]
    rows = told([*asked(0.1), *usual])
    assert rows.select("branch_id", "change").rows() == [("B1", FEWER), ("B2", None)]


def test_a_branch_with_few_visits_is_not_judged() -> None:
    young = [one for one in asked(0.0, 0.9) if one.day > before(LATELY + 20)]
    assert told(young)["change"].to_list() == [None]


def test_nothing_is_told_of_a_chain_without_piercings() -> None:
    assert watch(frames_of([]), NIGHT, Memory(), None, ("answers",))["answers"].is_empty()


def test_answers_after_the_night_are_not_known() -> None:
    night = day_number(NIGHT) - 30
    known = cohort_of(chain()).known_on(night)
    assert answers(known, night).answered.sum() == np.count_nonzero(
        (known.answered <= night) & (night - known.performed >= 0) & (night - known.performed < LATELY)
    )
