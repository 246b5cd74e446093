"""Infections by week: what is known, what is still to come with its limits, and what cannot be said yet."""

from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.judge.completion import AS_GOOD_AS_ALL, LEAST_KNOWN
from reports import numbers
from reports.edition import Edition
from reports.pages import methods
from reports.parts import Cell, Figures
from reports.sections.infections import completed_figure, infections_figure
from support.editions import AS_OF, written

from .conftest import Drawn
from .rows import Row, mondays, week
from .specs import marks, rows_of

NEWEST, SECOND, THIRD, OLD = mondays(4)


def completed(monday: Any, **changes: Any) -> Row:
    """A row of completion: 3 seen of about 6 in the end."""
    good: Row = {
        "dimension": "all",
        "level": "all",
        "week": monday,
        "procedures": 30,
        "seen": 3,
        "known_share": 0.5,
        "expected_final": 6.0,
        "low": 3,
        "high": 13,
    }
    return good | changes


UNTOLD: Row = {"expected_final": None, "low": None, "high": None}


def edition(*completion: Row, **changes: Any) -> Edition:
    """Four weeks, the oldest of them old enough; the newest known too little, the second in part."""
    weeks = [week(monday, infections_observed=3, mature=monday == OLD) for monday in (NEWEST, SECOND, THIRD, OLD)]
    rows = completion or (completed(NEWEST, known_share=0.1, **UNTOLD), completed(SECOND))
    return written(results={"weekly": weeks, "completion": rows}, **changes)


def test_what_a_week_will_have_is_told(drawn: list[Drawn]) -> None:
    completed_figure(Figures(), edition(), None, "all branches")
    table = drawn[0].table
    assert [row[3] for row in table.rows] == [
        "too early to say",
        Cell("about 6", "3\u00a0to\u00a013 (95\u00a0%)"),
        "as known",
        "as known",
    ]
    assert (table.source, table.also) == ("weekly.csv", "completion.csv")
    assert "95 %" in drawn[0].subtitle


def test_what_is_still_to_come_stands_hollow_on_what_is_known_with_its_limits(drawn: list[Drawn]) -> None:
    completed_figure(Figures(), edition(), None, "all branches")
    spec = drawn[0].spec
    known, coming = marks(spec, "bar")
    whiskers, _ = marks(spec, "rule")
    assert [row["solid"] for row in rows_of(spec, known)] == [True, True, True, False]
    assert coming["mark"]["fill"] == "transparent"
    for unit, ends in ((coming, ("observed", "expected_final")), (whiskers, ("low", "high"))):
        assert (unit["encoding"]["y"]["field"], unit["encoding"]["y2"]["field"]) == ends
        assert [row["week"] for row in rows_of(spec, unit)] == [SECOND.isoformat()]


def test_a_week_that_has_not_ended_is_too_early_to_say(drawn: list[Drawn]) -> None:
    completed_figure(Figures(), edition(completed(SECOND), as_of=AS_OF - timedelta(days=1)), None, "all branches")
    assert drawn[0].table.rows[0][3] == "too early to say"
    assert drawn[0].table.rows[2][3] == "as known"


def test_a_branch_has_its_own(drawn: list[Drawn]) -> None:
    own = completed(SECOND, dimension="branch", level="B1", expected_final=4.0)
    other = completed(SECOND, dimension="branch", level="B2", expected_final=9.0)
    completed_figure(Figures(), edition(completed(SECOND), own, other), "B1", "this branch")
    assert drawn[0].table.rows[1][3] == Cell("about 4", "3\u00a0to\u00a013 (95\u00a0%)")


def test_the_owners_chart_speaks_of_no_limits(drawn: list[Drawn]) -> None:
    infections_figure(Figures(), edition(), None, "all branches")
    assert drawn[0].table.heads == ("Week from", "Known", "Expected by now")
    assert "%" not in drawn[0].subtitle
    assert len(marks(drawn[0].spec, "bar")) == 1
    assert [row["solid"] for row in rows_of(drawn[0].spec, marks(drawn[0].spec, "bar")[0])] == [True] + [False] * 3


def test_without_weeks_nothing_is_drawn(drawn: list[Drawn]) -> None:
    assert completed_figure(Figures(), written(), None, "all branches") is None
    assert infections_figure(Figures(), written(), None, "all branches") is None
    assert drawn == []


def test_the_methods_tell_the_shares_that_are_judged_by() -> None:
    (entry,) = [entry for entry in methods.build(written()).methods if entry.identifier == "completion"]
    for share in (LEAST_KNOWN, AS_GOOD_AS_ALL):
        assert f"{100 * share:.0f} %" in entry.says


def test_the_sample_completes_weeks_with_what_is_seen_inside_the_limits(sample: Edition) -> None:
    completion = sample.results["completion"].filter(pl.col("high").is_not_null())
    assert {"all", "branch"} == set(completion["dimension"])
    assert completion.filter(pl.col("known_share") < LEAST_KNOWN).is_empty()
    assert completion.filter((pl.col("low") < pl.col("seen")) | (pl.col("high") < pl.col("low"))).is_empty()
    weekly = sample.results["weekly"].group_by("week").agg(pl.col("infections_observed").sum())
    both = completion.filter(pl.col("dimension") == "all").join(weekly, on="week")
    assert both["seen"].to_list() == both["infections_observed"].to_list() != []


@pytest.mark.parametrize(("low", "high", "text"), [(3, 13, "3 to 13"), (0, 1200, "0 to 1,200")])
def test_limits_of_a_count(low: int, high: int, text: str) -> None:
    assert numbers.count_range(low, high).replace("\u00a0", " ") == text
