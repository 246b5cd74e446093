"""A week's business figures for the chain or a branch, set against the weeks before and the same week a year ago."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from typing import Any

import polars as pl

from reports import numbers
from reports.edition import Edition
from reports.parts import Cell, Table

WEEKS_BEFORE = 8
VISITS = "Visits"
BOUGHT = "Visits that bought aftercare"
PROVIDED = "Visits that left with aftercare, gifts and bundles too"
MOST_WEEKS = 62
"""Weeks before the as-of date that tables and charts of a week reach back at most: they hold the week a year ago."""
YEAR = timedelta(days=364)
"""Fifty-two whole weeks, so that a Monday meets a Monday."""


@dataclass(frozen=True)
class Line:
    """A figure by week: its name, its values by Monday, how it is written, and what is said below it."""

    name: str
    values: dict[date, float]
    write: Callable[[float | None], str]
    notes: dict[date, str]
    is_count: bool = True
    parts: dict[date, tuple[int, int]] = field(default_factory=dict)  # of a share: what is counted, and of how many

    def before(self, monday: date) -> list[float]:
        """Values of the weeks before, as far as there are any."""
        mondays = [monday - timedelta(weeks=back) for back in range(1, WEEKS_BEFORE + 1)]
        return [self.values[week] for week in mondays if week in self.values]

    def in_words(self, monday: date) -> str:
        """Where the week stands among those before it, in words that claim no more than that."""
        now, before = self.values.get(monday), self.before(monday)
        if now is None or len(before) < WEEKS_BEFORE:
            return "too few weeks before it to say"
        if now > max(before):
            return f"{'more' if self.is_count else 'higher'} than in any of the {WEEKS_BEFORE} weeks before"
        if now < min(before):
            return f"{'fewer' if self.is_count else 'lower'} than in any of the {WEEKS_BEFORE} weeks before"
        return f"as in the {WEEKS_BEFORE} weeks before"


def last_complete_week(edition: Edition) -> date | None:
    """The Monday of the last whole week that the data covers; None where it covers none."""
    if edition.as_of is None or edition.data_from is None:
        return None
    monday = edition.as_of - timedelta(days=edition.as_of.weekday())
    monday = monday if edition.as_of.weekday() == 6 else monday - timedelta(weeks=1)
    return monday if monday + timedelta(days=6) >= edition.data_from else None


def lines_of(edition: Edition, dimension: str, level: str) -> list[Line]:
    """The figures of the chain or a branch, in the order they are read."""
    weekly = edition.results["weekly"].filter(pl.col("week") > _before(edition))
    if dimension == "branch":
        weekly = weekly.filter(pl.col("branch_id") == level)
    counts = weekly.group_by("week").agg(pl.col("visits").sum(), pl.col("procedures").sum())
    visits = _by_week(counts, "visits")
    return [
        Line(VISITS, visits, numbers.count, {}),
        Line("Piercings", _by_week(counts, "procedures"), numbers.count, {}),
        *_takings(weekly, visits),
        *_aftercare(edition, dimension, level),
        *_revisits(edition, dimension, level),
    ]


def _before(edition: Edition) -> date:
    """The day before the weeks that are told of."""
    return date.min if edition.as_of is None else edition.as_of - timedelta(weeks=MOST_WEEKS)


def _by_week(frame: pl.DataFrame, column: str) -> dict[date, float]:
    return {week: float(value) for week, value in frame.select("week", column).iter_rows() if value is not None}


def _takings(weekly: pl.DataFrame, visits: dict[date, float]) -> list[Line]:
    """Takings from aftercare and jewellery, in each currency by itself: amounts of two are never added."""
    lines = []
    sold = weekly.filter((pl.col("aftercare_net") != 0) | (pl.col("jewellery_net") != 0))
    for (currency,), rows in sorted(
        sold.partition_by("currency", as_dict=True).items(), key=lambda item: str(item[0][0])
    ):
        sums = rows.group_by("week").agg((pl.col("aftercare_net") + pl.col("jewellery_net")).sum().alias("taken"))
        taken = _by_week(sums, "taken")
        unit = f" in {currency}" if currency else ""
        write = partial(numbers.money, currency=currency)
        per_visit = {week: value / visits[week] for week, value in taken.items() if visits.get(week)}
        lines += [
            Line(f"Takings from aftercare and jewellery{unit}", taken, write, {}, is_count=False),
            Line(f"Takings per visit{unit}", per_visit, write, {}, is_count=False),
        ]
    return lines


def _aftercare(edition: Edition, dimension: str, level: str) -> list[Line]:
    # A week in which no visit is matched to a receipt is one whose receipts did not come in, not one without sales.
    rows = [row for row in _weeks_of(edition, "attach", dimension, level) if row["linked_visits"]]
    sold = {row["week"]: row["rate"] for row in rows}
    provided = {row["week"]: row["provided_visits"] / row["eligible_visits"] for row in rows}
    notes = {
        row["week"]: f"{_of(row['attached_visits'], row['eligible_visits'])}; "
        f"{numbers.share_range(row['wilson_low'], row['wilson_high'])}"
        for row in rows
    }
    given = {row["week"]: _of(row["provided_visits"], row["eligible_visits"]) for row in rows}
    linked = {row["week"]: row["linked_visits"] / row["eligible_visits"] for row in rows}
    bought_of = {row["week"]: (row["attached_visits"], row["eligible_visits"]) for row in rows}
    provided_of = {row["week"]: (row["provided_visits"], row["eligible_visits"]) for row in rows}
    return [
        Line(BOUGHT, sold, numbers.share, notes, is_count=False, parts=bought_of),
        Line(PROVIDED, provided, numbers.share, given, is_count=False, parts=provided_of),
        Line("Visits matched to a receipt", linked, numbers.share, {}, is_count=False),
    ]


def _revisits(edition: Edition, dimension: str, level: str) -> list[Line]:
    rows = _weeks_of(edition, "revisits", dimension, level)
    kept = {row["week"]: row["attended"] / row["due"] for row in rows}
    missed = {row["week"]: row["no_show_rate"] for row in rows}
    kept_notes = {row["week"]: f"{_of(row['attended'], row['due'])} due" for row in rows}
    missed_notes = {
        row["week"]: f"{_of(row['no_show'], row['due'])}; {numbers.count(row['unknown'])} with nothing written down"
        for row in rows
    }
    return [
        Line("Revisits kept", kept, numbers.share, kept_notes, is_count=False),
        Line("Revisits missed", missed, numbers.share, missed_notes, is_count=False),
    ]


def _of(part: int, whole: int) -> str:
    return f"{numbers.count(part)} of {numbers.count(whole)}"


def _weeks_of(edition: Edition, name: str, dimension: str, level: str) -> list[dict[str, Any]]:
    rows = edition.results[name].filter(
        (pl.col("dimension") == dimension) & (pl.col("level") == level) & pl.col("period").str.starts_with("week:")
    )
    week = pl.col("period").str.strip_prefix("week:").str.to_date()
    return list(rows.with_columns(week.alias("week")).filter(pl.col("week") > _before(edition)).iter_rows(named=True))


def branch_visits(edition: Edition, monday: date) -> Callable[[str], Line]:
    """What gives a branch's visits in a week and those before it, as `lines_of` has them: of all branches at once."""
    weeks = pl.col("week").is_between(monday - timedelta(weeks=WEEKS_BEFORE), monday)
    counts = edition.results["weekly"].filter(weeks).group_by("branch_id", "week").agg(pl.col("visits").sum())
    values: dict[str, dict[date, float]] = {}
    for branch, week, visits in counts.iter_rows():
        values.setdefault(branch, {})[week] = float(visits)
    return lambda branch: Line(VISITS, values.get(branch, {}), numbers.count, {})


def branch_aftercare(edition: Edition, monday: date) -> dict[str, tuple[float, float]]:
    """By branch the shares of a week's visits that bought aftercare and that left with it, where they are known."""
    rows = edition.results["attach"].filter(
        (pl.col("dimension") == "branch") & (pl.col("period") == f"week:{monday}") & (pl.col("linked_visits") > 0)
    )
    return {
        row["level"]: (row["rate"], row["provided_visits"] / row["eligible_visits"])
        for row in rows.iter_rows(named=True)
    }


def week_table(lines: list[Line], monday: date, source: str, receipts: tuple[str, ...] = ()) -> Table:
    """The figures of a week beside the week before, the eight before, and the same week a year ago."""

    def row(line: Line) -> tuple[Cell | str, ...]:
        before = line.before(monday)
        spread = f"{line.write(min(before))} to {line.write(max(before))}" if before else numbers.NONE
        return (
            line.name,
            Cell(line.write(line.values.get(monday)), line.notes.get(monday, "")),
            line.write(line.values.get(monday - timedelta(weeks=1))),
            spread,
            line.write(line.values.get(monday - YEAR)),
            line.in_words(monday),
        )

    heads = ("", "This week", "Week before", f"{WEEKS_BEFORE} weeks before", "Same week a year ago", "In words")
    rows = tuple(row(line) for line in lines)
    return Table(f"The week {numbers.week(monday)}", heads, rows, source, ends_in_words=True, receipts=receipts)
