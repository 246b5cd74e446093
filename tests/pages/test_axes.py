"""Axes that charts share: days by no machine's zone, few weeks and many, nought, names that keep to their room."""

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from reports.charts.axes import days_across, from_nought, name_axis, name_room, share_axis, stretch
from reports.charts.branch_funnel import branch_funnel
from reports.charts.observed_expected import observed_expected
from reports.charts.share_lines import share_lines

from .rows import mondays
from .specs import fields_of, marks, rows_of
from .test_charts import LIMITS, points, spec_of


def across(n: int) -> dict[str, Any]:
    spec: dict[str, Any] = days_across("week", pl.Series(mondays(n))).to_dict()
    return spec


@pytest.mark.parametrize("n", [1, 7, 8, 60, 156])
def test_days_are_in_utc(n: int) -> None:
    x = across(n)
    assert x["scale"]["type"] == "utc"
    assert "utcFormat" in x["axis"]["labelExpr"]
    assert "timeFormat" not in x["axis"]["labelExpr"]


def test_few_weeks_stand_on_eight_and_are_marked_by_their_mondays() -> None:
    x = across(1)
    first, end = (date.fromisoformat(day) for day in x["scale"]["domain"])
    assert end - first == timedelta(weeks=8)
    assert end - timedelta(weeks=1) == mondays(1)[0]
    assert x["axis"]["values"] == [day.isoformat() for day in reversed(mondays(8)[::2])]
    assert "values" in across(8)["axis"]
    assert "values" not in across(9)["axis"]


@pytest.mark.parametrize(("n", "step"), [(24, 1), (40, 2), (60, 3), (156, 6)])
def test_of_many_months_those_are_marked_that_share_a_step_with_january(n: int, step: int) -> None:
    assert across(n)["axis"]["tickCount"] == {"interval": "month", "step": step}
    assert 12 % step == 0


def test_without_days_there_is_no_end_to_draw_to() -> None:
    assert days_across("week", pl.Series([], dtype=pl.Date)).to_dict() == {
        "field": "week",
        "title": None,
        "type": "temporal",
    }


@pytest.mark.parametrize(
    ("columns", "domain"),
    [
        ([[0.0, 0.0], [0.0]], [0, 4]),
        ([[], []], [0, 4]),
        ([[None, 0.0]], [0, 4]),
        ([[0.0], [0.1]], None),
        ([[None, 2.0]], None),
    ],
)
def test_what_is_all_nought_stands_at_the_foot(columns: list[list[float | None]], domain: list[int] | None) -> None:
    scale = from_nought(*(pl.Series(column, dtype=pl.Float64) for column in columns), least=4).to_dict()
    assert scale == ({"domain": domain} if domain else {"domainMin": 0, "nice": True})


def test_small_shares_are_told_apart() -> None:
    # ".2~%" of d3-format: percent, two decimals, without noughts at their end.
    assert share_axis().to_dict()["format"] == ".2~%"


def test_names_have_the_room_of_the_longest_and_longer_ones_are_cut() -> None:
    assert name_room(["B1", "B1000"], 200) == name_room(["B1000"], 200) < name_room(["W" * 30], 200)
    assert name_room(["W" * 30], 200) == name_room(["W" * 300], 200)
    for names in (["B1"], ["W" * 300]):
        axis = name_axis(name_room(names, 200), 200).to_dict()
        assert axis["labelLimit"] == pytest.approx(200 / 1.2)
    assert axis["labelLimit"] * 1.2 + axis["labelPadding"] <= axis["minExtent"] + 1e-9


def test_stretches_end_where_a_week_is_missing() -> None:
    weeks = pl.DataFrame({"week": sorted(mondays(9)[at] for at in (0, 1, 3, 7, 8))})
    assert weeks.select(stretch("week"))["week"].to_list() == [1, 1, 2, 3, 3]


MISSING = sorted(mondays(9)[at] for at in (0, 1, 3, 7, 8))


def test_what_was_expected_is_drawn_of_no_missing_week() -> None:
    frame = pl.DataFrame({"week": MISSING, "observed": 1.0, "expected": 2.0, "solid": True})
    spec = spec_of(observed_expected(frame))
    (line,), (ends,) = marks(spec, "line"), marks(spec, "rule")
    assert line["encoding"]["detail"]["field"] == "stretch"
    assert [row["week"] for row in rows_of(spec, ends)] == [MISSING[at].isoformat() for at in (1, 2, 4)]


def test_shares_are_drawn_through_no_missing_week_and_a_week_alone_is_a_point() -> None:
    rows = [(week, series, 0.5) for series in ("all", "some") for week in reversed(MISSING)]
    spec = spec_of(share_lines(pl.DataFrame(rows, schema=["week", "series", "share"], orient="row")))
    (line,), (alone,) = marks(spec, "line"), marks(spec, "point")
    assert line["encoding"]["detail"]["field"] == "stretch"
    assert alone["transform"] == [{"filter": "datum.is_alone"}]
    told = {(row["series"], row["week"]): row["is_alone"] for row in rows_of(spec, alone)}
    assert [key for key, is_alone in told.items() if is_alone] == [
        (series, MISSING[2].isoformat()) for series in ("all", "some")
    ]


def test_a_single_point_has_its_limits_right_across() -> None:
    spec = spec_of(points([0.03], is_share=True))
    drawn = [fields_of(unit) for unit in marks(spec, "rule")]
    assert drawn == [{"lower"}, {"upper"}, {"centre"}]


def named(*branches: tuple[str, float, float]) -> list[str]:
    """The names that a funnel of branches with their expected and ratio shows."""
    frame = pl.DataFrame(branches, schema=["branch_id", "expected", "ratio"], orient="row")
    flags = (pl.lit(value=True).alias(name) for name in ("comparable", "is_named"))
    spec = spec_of(branch_funnel(frame.with_columns(*flags), LIMITS))
    (names,) = marks(spec, "text")
    return [row["branch_id"] for row in rows_of(spec, names)]


def test_of_names_that_would_cover_each_other_the_one_further_out_stands() -> None:
    assert named(("B1", 20.0, 1.1), ("B2", 20.0, 1.15), ("B3", 20.0, 2.0)) == ["B2", "B3"]
    assert named(("B1", 20.0, 1.1), ("B2", 40.0, 1.1)) == ["B1", "B2"]
    assert named(("B1" * 9, 20.0, 1.1), ("B2", 30.0, 1.1)) == ["B1" * 9]
    assert named(("B1", 20.0, 1.0), ("B2", 20.0, 1.0)) == ["B1"]
