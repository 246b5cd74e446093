"""The table beside every chart holds the same figures as the chart, and nothing less."""

from datetime import date
from typing import Any

import pytest

from reports import numbers
from reports.edition import Edition
from reports.pages import branch, compare, index, safety
from reports.parts import Cell, Table
from support.editions import MONDAY, written

from .conftest import Drawn
from .rows import attach, mondays, plain_week, week
from .specs import Spec, marks, rows_of

Rows = list[tuple[str, ...]]


def shown(table: Table) -> Rows:
    """A table's cells as their text."""
    return [tuple(cell if isinstance(cell, str) else cell.text for cell in row) for row in table.rows]


def day(text: str) -> str:
    return numbers.short_day(date.fromisoformat(text))


def of_visits(drawn: Drawn) -> Rows:
    (bars,) = marks(drawn.spec, "bar")
    return [(day(row["week"]), numbers.count(row["value"])) for row in reversed(rows_of(drawn.spec, bars))]


def of_aftercare(drawn: Drawn) -> Rows:
    (lines,) = marks(drawn.spec, "line")
    shares = {(row["week"], row["series"]): row["share"] for row in rows_of(drawn.spec, lines)}
    weeks = sorted({monday for monday, _ in shares}, reverse=True)
    series = ("bought", "bought, given or bundled")
    return [(day(monday), *(numbers.share(shares.get((monday, name))) for name in series)) for monday in weeks]


def of_infections(drawn: Drawn) -> Rows:
    (bars,), (line,) = marks(drawn.spec, "bar"), marks(drawn.spec, "line")
    assert rows_of(drawn.spec, bars) == rows_of(drawn.spec, line)
    return [
        (day(row["week"]), numbers.count(row["observed"]), numbers.tenth(row["expected"]))
        for row in reversed(rows_of(drawn.spec, bars))
    ]


def assert_newest_step(drawn: Drawn, step: Spec, weeks: list[dict[str, Any]]) -> None:
    """The stepped line goes on to the end of its newest week."""
    (own,) = rows_of(drawn.spec, step)
    newest = max(weeks, key=lambda row: str(row["week"]))
    assert all(own[name] == newest[name] for name in ("week", "week_end", "expected"))


def of_completed(drawn: Drawn) -> Rows:
    """Weeks as `of_infections`, with what stands on the bar of each: the end, and the limits."""
    known, *coming = marks(drawn.spec, "bar")
    (line,) = marks(drawn.spec, "line")
    assert rows_of(drawn.spec, known) == rows_of(drawn.spec, line)
    on_top = {row["week"]: row for unit in coming for row in rows_of(drawn.spec, unit)}
    *whiskers, newest_step = marks(drawn.spec, "rule")
    assert all(rows_of(drawn.spec, unit) == list(on_top.values()) for unit in whiskers)
    assert_newest_step(drawn, newest_step, rows_of(drawn.spec, line))
    weeks = list(reversed(rows_of(drawn.spec, known)))
    ends = [
        f"about {numbers.count(end['expected_final'])} {numbers.count_range(end['low'], end['high'])} (95\u00a0%)"
        if (end := on_top.get(row["week"]))
        else "as known"
        if row["solid"]
        else "too early to say"
        for row in weeks
    ]
    return [
        (day(row["week"]), numbers.count(row["observed"]), numbers.tenth(row["expected"]), end)
        for row, end in zip(weeks, ends, strict=True)
    ]


def of_risks(drawn: Drawn) -> Rows:
    (dots,) = marks(drawn.spec, "point")
    return [
        (
            numbers.share(row["predicted"]),
            f"{numbers.share(row['share'])} {numbers.share_range(row['low'], row['high'])}",
        )
        for row in rows_of(drawn.spec, dots)
    ]


def with_notes(table: Table) -> Rows:
    """A table's cells as their text with their note."""
    return [
        tuple(cell if isinstance(cell, str) else f"{cell.text} {cell.note}".strip() for cell in row)
        for row in table.rows
    ]


def of_control(drawn: Drawn) -> Rows:
    rows = [rows_of(drawn.spec, unit) for kind in ("area", "line", "point") for unit in marks(drawn.spec, kind)]
    assert all(row == rows[0] for row in rows)
    write = numbers.share if drawn.subtitle.startswith("Weekly share") else numbers.count
    sides = {"above": "rise: ", "below": "fall: ", None: ""}
    return [
        (
            f"{day(row['from_on'])} to {day(row['to_on'])}",
            numbers.count(row["n"]),
            numbers.count(row["observed"]),
            write(row["statistic"]),
            write(row["centre"]),
            f"{write(row['lower'])} to {write(row['upper'])}",
            "; ".join(
                part
                for part, is_told in (
                    (sides[row["rule_side"]] + str(row["rule"]), row["rule"]),
                    ("baseline", row["in_baseline"]),
                    ("still coming in", not row["mature"]),
                )
                if is_told
            ),
        )
        for row in reversed(rows[0])
    ]


def of_funnel(drawn: Drawn) -> Rows:
    (points,), (labels,) = marks(drawn.spec, "point"), marks(drawn.spec, "text")
    assert rows_of(drawn.spec, points) == rows_of(drawn.spec, labels)
    return [
        (row["branch_id"], numbers.tenth(row["expected"]), numbers.ratio(row["ratio"]))
        for row in rows_of(drawn.spec, points)
    ]


def of_steps(drawn: Drawn) -> Rows:
    rows = [rows_of(drawn.spec, unit) for unit in marks(drawn.spec, "point")]
    assert rows[0] == rows[1] == rows[2]
    return [
        (row["branch_id"], *(numbers.ratio(row[step]) for step in ("raw", "adjusted", "shrunk"))) for row in rows[0]
    ]


def of_levels(drawn: Drawn) -> Rows:
    (dots,) = marks(drawn.spec, "point")
    return [
        (
            row["name"].rpartition(" (")[0].replace("\n", " "),
            f"{numbers.share(row['rate'])} {numbers.share_range(row['low'], row['high'])}",
        )
        for row in rows_of(drawn.spec, dots)
    ]


def of_onsets(drawn: Drawn) -> dict[str, Rows]:
    """By curve, the share at the days that the table's heads name."""
    (lines,) = marks(drawn.spec, "line")
    days = [int(head.removeprefix("By day ")) for head in drawn.table.heads[1:]]
    curves: dict[str, Rows] = {}
    for row in rows_of(drawn.spec, lines):
        curves.setdefault(row["series"].capitalize(), []).append((row["day"], row["share"]))  # type: ignore[arg-type]
    return {
        name: [tuple(numbers.share(max(share for day, share in steps if day <= told)) for told in days)]  # type: ignore[operator]
        for name, steps in curves.items()
    }


def levels_in(table: Table) -> Rows:
    """Levels of a table of rates that have a rate, with rate and range."""
    found: Rows = []
    for name, first, *_ in table.rows:
        assert isinstance(first, Cell)
        count, _, span = first.note.partition("; ")
        if span:
            assert numbers.NONE not in count
            found.append((str(name), f"{first.text} {span}"))
        elif first.text.startswith("0 of"):
            found.append((str(name), first.text))
    return found


def check(drawn: Drawn) -> None:
    """Hold a figure's table against its chart."""
    table = drawn.table
    match table.source:
        case "weekly.csv" if table.heads[1] == "Visits":
            assert shown(table) == of_visits(drawn)
        case "weekly.csv" if table.also:
            assert with_notes(table) == of_completed(drawn)
        case "weekly.csv" | "incident_weeks.csv":
            assert [(row[0], *row[-2:]) for row in shown(table)] == of_infections(drawn)
        case "attach.csv":
            assert shown(table) == of_aftercare(drawn)
        case "control_charts.csv":
            assert shown(table) == of_control(drawn)
        case "comparison.csv" if len(marks(drawn.spec, "point")) == 3:
            assert [(*row[:3], row[4]) for row in shown(table)] == of_steps(drawn)
        case "comparison.csv":
            assert [row[:3] for row in shown(table)] == of_funnel(drawn)
        case "calibration.csv":
            assert [row[3:5] for row in with_notes(table)] == of_risks(drawn)
        case "onsets.csv":
            told = {name: [tuple(shares)] for name, *shares in shown(table)}
            drawn_curves = of_onsets(drawn)
            assert drawn_curves
            for name, shares in drawn_curves.items():
                zero = numbers.share(0.0)
                assert [tuple(zero if share == numbers.NONE else share for share in told[name][0])] == shares
        case "complication_rates.csv" | "material_sites.csv":
            rated = [row for row in levels_in(table) if not row[1].startswith("0 of")]
            noughts = {row[0] for row in levels_in(table)} - {row[0] for row in rated}
            assert rated == [row for row in of_levels(drawn) if row[0] not in noughts]
            assert len(levels_in(table)) == len(of_levels(drawn))
        case _:
            raise AssertionError(table.source)


@pytest.mark.parametrize("page", [index, compare, safety])
def test_the_samples_charts_and_tables_agree(drawn: list[Drawn], sample: Edition, page: object) -> None:
    page.build(sample)  # type: ignore[attr-defined]
    assert drawn
    for figure in drawn:
        check(figure)


def test_a_branchs_charts_and_tables_agree(drawn: list[Drawn], sample: Edition) -> None:
    for branch_id in sample.results["branches"]["branch_id"].head(2):
        branch.build(sample, branch_id)
    assert len(drawn) >= 6
    for figure in drawn:
        check(figure)


def test_the_first_weeks_charts_and_tables_agree(drawn: list[Drawn], first_weeks: Edition) -> None:
    index.build(first_weeks)
    assert [figure.table.source for figure in drawn] == ["weekly.csv", "attach.csv", "weekly.csv"]
    for figure in drawn:
        check(figure)


def test_weeks_with_gaps_are_the_same_in_chart_and_table(drawn: list[Drawn]) -> None:
    weeks = [monday for at, monday in enumerate(mondays(90)) if at % 7]
    results = plain_week() | {
        "weekly": [week(monday, visits=at) for at, monday in enumerate([MONDAY, *weeks])],
        "attach": [
            attach(monday, rate=at / 100, provided_visits=at % 10) for at, monday in enumerate([MONDAY, *weeks])
        ],
    }
    index.build(written(results=results))
    assert len(drawn) == 3
    for figure in drawn:
        check(figure)


def test_every_figure_has_a_message_and_says_what_it_shows(drawn: list[Drawn], sample: Edition) -> None:
    for page in (index, compare, safety):
        page.build(sample)
    assert [figure.title for figure in drawn if not figure.title or figure.title.endswith(".")] == []
    assert [figure.title for figure in drawn if not figure.subtitle.endswith(".")] == []
    assert [figure.title for figure in drawn if not figure.table.source or not figure.table.caption] == []
