"""Control charts as figures: which chart and why, its baseline, its limits, how far the data reaches."""

from collections.abc import Sequence
from datetime import date, timedelta
from math import comb
from typing import Any

import numpy as np
import pytest

from pipeline.stats.chart_choice import reason
from reports.edition import Edition
from reports.pages import branch, safety
from reports.parts import Cell, Figures
from reports.sections.control import control_figure, false_alarm
from support.editions import AS_OF, MONDAY, written

from .conftest import Drawn
from .rows import branch as branch_row
from .rows import plain_week, together

FIRST = date(2030, 1, 7)


def points(*statistics: float, chart: str = "p", dimension: str = "all", level: str = "all") -> list[dict[str, Any]]:
    """Points of a chart; those outside 0.01 to 0.06 (or 40 to 400 piercings) lie beyond the limits."""
    lower, upper = (0.01, 0.06) if chart == "p" else (40.0, 400.0)
    rows: list[dict[str, Any]] = []
    for at, statistic in enumerate(statistics):
        monday = FIRST + timedelta(weeks=at)
        is_above, is_below = statistic > upper, statistic < lower
        rise = is_above if chart == "p" else is_below
        rows.append({
            "chart": f"{chart}:{dimension}:{level}:infection", "dimension": dimension, "level": level,
            "complication": "infection", "subgroup": str(monday) if chart == "p" else f"{at + 1:04}",
            "n": 200, "observed": 5, "statistic": statistic, "centre": 0.025 if chart == "p" else 166.0,
            "lower": lower, "upper": upper, "signal": rise,
            "beyond": "above" if rise else "below" if is_above or is_below else None,
            "from_on": monday, "to_on": monday + timedelta(days=6), "baseline": 0.0301,
            "baseline_from": date(2028, 1, 3), "baseline_to": date(2030, 12, 22),
            "why": "A typical week is expected to have 6.0 events: enough to compare.",
            "mature": True, "in_baseline": False, "rule": "beyond a limit" if is_above or is_below else None,
            "rule_side": "above" if rise else "below" if is_above or is_below else None,
            "phase": 1, "phase_from": FIRST, "reason": "the first weeks on record", "sigma_z": None,
        })  # fmt: skip
    return rows


def figure(drawn: list[Drawn], rows: Sequence[dict[str, Any]], dimension: str = "all", level: str = "all") -> Drawn:
    edition = written(results={"control_charts": rows})
    assert control_figure(Figures(), edition, dimension, level) is not None
    return drawn[-1]


def test_a_figure_says_which_chart_and_why(drawn: list[Drawn]) -> None:
    weekly = figure(drawn, points(0.02, 0.03)).subtitle
    assert weekly.startswith("Weekly share. A typical week is expected to have 6.0 events: enough to compare. ")
    rare = figure(drawn, points(100, 200, chart="per_five")).subtitle
    assert rare.startswith("Piercings it took for each five infections; low is a rise. A typical week ")
    rarest = figure(drawn, points(100, 200, chart="g")).subtitle
    assert rarest.startswith("Piercings it took from infection to infection; low is a rise. A typical week ")


@pytest.mark.parametrize("chart", ["p", "per_five", "g"])
def test_a_figure_says_its_baseline_its_limits_and_how_far_it_reaches(drawn: list[Drawn], chart: str) -> None:
    subtitle = figure(drawn, points(*([0.02, 0.03] if chart == "p" else [100, 200]), chart=chart)).subtitle
    assert "Baseline 3.01\u00a0%, from 3 January 2028 to 22 December 2030, frozen." in subtitle
    assert f"Limits: {false_alarm()} beyond each by chance." in subtitle
    assert subtitle.endswith("Points to 20 January 2030.")


def test_limits_stand_at_the_chance_the_words_name() -> None:
    # 0.00135: the upper tail of a normal variable beyond 3 standard deviations, as Shewhart charts use it.
    assert false_alarm() == "0.135\u00a0%"


@pytest.mark.parametrize(
    ("statistics", "title"),
    [
        ([0.02, 0.03], "The whole chain: no week beyond the limits on the side of a rise"),
        ([0.02, 0.001], "The whole chain: no week beyond the limits on the side of a rise"),
        ([0.07, 0.03], "The whole chain: 1 week beyond the limit, the latest from 7 January 2030"),
        ([0.07, 0.08, 0.03], "The whole chain: 2 weeks beyond the limit, the latest from 14 January 2030"),
    ],
)
def test_the_title_is_the_message(drawn: list[Drawn], statistics: list[float], title: str) -> None:
    assert figure(drawn, points(*statistics)).title == title


def test_a_rare_chart_rises_where_runs_are_short(drawn: list[Drawn]) -> None:
    rows = points(100, 30, 500, chart="g", dimension="branch", level="B1")
    found = figure(drawn, rows, "branch", "B1")
    assert found.title == "Branch B1: 1 run beyond the limit, the latest from 14 January 2030"
    assert [row[-1] for row in found.table.rows] == ["fall: beyond a limit", "rise: beyond a limit", ""]


def test_the_table_marks_rises_and_stands_newest_first(drawn: list[Drawn]) -> None:
    table = figure(drawn, points(0.02, 0.07, 0.001)).table
    assert [row[0] for row in table.rows] == [
        "21 Jan 2030 to 27 Jan 2030",
        "14 Jan 2030 to 20 Jan 2030",
        "7 Jan 2030 to 13 Jan 2030",
    ]
    marks = [(cell.text, cell.is_marked) for row in table.rows if isinstance(cell := row[3], Cell)]
    assert marks == [("0.1\u00a0%", False), ("7.0\u00a0%", True), ("2.0\u00a0%", False)]
    assert [row[-1] for row in table.rows] == ["fall: beyond a limit", "rise: beyond a limit", ""]


def test_a_rule_that_fired_is_told_and_is_no_signal(drawn: list[Drawn]) -> None:
    rows = points(0.02, 0.03, 0.03)
    rows[1] |= {"rule": "eight on one side", "rule_side": "above"}
    found = figure(drawn, rows)
    assert found.title == (
        "The whole chain: no week beyond the limits on the side of a rise, but eight on one side up to 20 January 2030"
    )
    assert [row[-1] for row in found.table.rows] == ["", "rise: eight on one side", ""]
    assert [row[3].is_marked for row in found.table.rows if isinstance(row[3], Cell)] == [False] * 3
    assert "squares end another rule’s pattern" in found.subtitle
    rows[1] |= {"rule_side": "below"}
    assert "eight" not in figure(drawn, rows).title


def test_every_run_rule_stands_with_its_false_alarms(drawn: list[Drawn]) -> None:
    """P(Z > 3), of three two P(Z > 2), of eight all P(Z > 0), each on either side; Champ & Woodall (1987): 122."""
    subtitle = figure(drawn, points(0.02)).subtitle.replace("\u00a0", " ")
    two, eight = (2 * sum(comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(least, n + 1)) for least, n, p in (
        (2, 3, 0.0227501), (8, 8, 0.5),
    ))  # fmt: skip
    assert f"beyond a limit 0.27 %, two of three near a limit {100 * two:.2f} %" in subtitle
    assert (
        f"eight on one side {100 * eight:.2f} %; the first false alarm comes after 122 points or more on average"
        in subtitle
    )


def test_weeks_still_coming_in_are_told_and_the_chart_reaches_to_the_last_mature_one(drawn: list[Drawn]) -> None:
    rows = points(0.02, 0.03, 0.03)
    rows[2] |= {"mature": False}
    found = figure(drawn, rows)
    assert found.subtitle.endswith("Hollow points are still coming in and have no verdict. Points to 20 January 2030.")
    assert [row[-1] for row in found.table.rows] == ["still coming in", "", ""]
    assert "Hollow" not in figure(drawn, points(0.02)).subtitle


def test_points_of_the_baseline_are_told(drawn: list[Drawn]) -> None:
    rows = points(0.02, 0.07)
    for row in rows:
        row["in_baseline"] = True
    found = figure(drawn, rows)
    assert "Grey points made the baseline." in found.subtitle
    assert [row[-1] for row in found.table.rows] == ["rise: beyond a limit; baseline", "baseline"]


def test_a_phase_has_its_reason_in_the_words_and_the_table(drawn: list[Drawn]) -> None:
    rows = points(0.02, 0.03, 0.03)
    second = {"phase": 2, "phase_from": FIRST + timedelta(weeks=1), "reason": "new studs", "baseline": 0.0412}
    for at in (1, 2):
        rows[at] |= second | {"baseline_from": date(2030, 1, 14), "baseline_to": date(2030, 7, 14)}
    found = figure(drawn, rows)
    assert (
        "Baseline 3.01\u00a0%, from 3 January 2028 to 22 December 2030, frozen. Phase 2 from 14 January 2030 (new "
        "studs): baseline 4.12\u00a0%, from 14 January 2030 to 14 July 2030, frozen."
    ) in found.subtitle
    assert [row[-1] for row in found.table.rows] == ["phase 2", "phase 2 begins: new studs", ""]


def test_a_single_point_is_a_chart(drawn: list[Drawn]) -> None:
    for chart in ("p", "per_five", "g"):
        assert len(figure(drawn, points(0.02 if chart == "p" else 100, chart=chart)).table.rows) == 1


def test_without_points_there_is_no_figure(drawn: list[Drawn]) -> None:
    edition = written(results={"control_charts": points(0.02)})
    assert control_figure(Figures(), edition, "branch", "B1") is None
    assert drawn == []


def test_the_reason_of_the_judge_is_a_sentence() -> None:
    often, seldom = reason(np.array([200, 210, 190]), 0.03), reason(np.array([20, 21, 19]), 0.03)
    assert often != seldom
    assert [text[-1] for text in (often, seldom)] == [".", "."]


def test_every_chart_of_the_sample_says_all_this(drawn: list[Drawn], sample: Edition) -> None:
    safety.build(sample)
    charts = [one for one in drawn if one.table.source == "control_charts.csv"]
    names = sample.results["control_charts"]["chart"].unique()
    assert len(charts) == len(names) > 1
    for chart in charts:
        for words in ("typical week", "Baseline ", "frozen", "Limits: ", "Rules set beforehand", "Points to "):
            assert words in chart.subtitle


def test_a_branch_has_its_own_chart_only(drawn: list[Drawn]) -> None:
    rows = [*points(0.02), *points(0.03, dimension="branch", level="B1"), *points(0.04, dimension="branch", level="B2")]
    results = together(plain_week(), {"branches": [branch_row("B2")], "control_charts": rows})
    branch.build(written(results=results), "B1")
    assert [one.title[:9] for one in drawn if one.table.source == "control_charts.csv"] == ["Branch B1"]


def test_points_beyond_a_limit_are_listed_for_three_months_of_old_enough_weeks() -> None:
    ended = [AS_OF - timedelta(days=days) for days in (44, 135, 136)]
    beyond = points(*[0.09] * 3)
    for row, day in zip(beyond, ended, strict=True):
        row |= {"subgroup": str(day), "from_on": day - timedelta(days=6), "to_on": day}
    table = safety.build(written(results=plain_week() | {"control_charts": beyond})).points
    assert table is not None
    assert [row[1] for row in table.rows] == ["28 Dec 2030 to 3 Jan 2031", "28 Sep 2030 to 4 Oct 2030"]
    assert ended[0] < MONDAY
