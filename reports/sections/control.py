"""Control charts as figures: which chart and why, its baseline and span, and what lies beyond the limits."""

from datetime import timedelta

import polars as pl

from reports import numbers, words
from reports.charts.control_chart import control_chart
from reports.edition import Edition
from reports.parts import Cell, Figure, Figures, Table

DRAWN_WEEKS = 156
"""Weeks before the as-of date that a chart draws at most."""
FALSE_ALARM = "0.135 %"
"""Chance that a point lies beyond one limit while nothing has changed."""


def control_figure(figures: Figures, edition: Edition, dimension: str, level: str) -> Figure | None:
    """The control chart of a slice; None where it has none yet."""
    points = edition.results["control_charts"].filter((pl.col("dimension") == dimension) & (pl.col("level") == level))
    if edition.as_of is not None:  # a mistyped year must not stretch the axis
        points = points.filter(pl.col("to_on") > edition.as_of - timedelta(weeks=DRAWN_WEEKS))
    if points.is_empty():
        return None
    first = points.row(0, named=True)
    is_weekly = first["chart"].startswith("p:")
    frame = points.with_columns(pl.col("from_on" if is_weekly else "to_on").alias("day"))
    unit = "share infected, by week" if is_weekly else "piercings for five infections"
    return figures.draw(
        control_chart(frame, unit=unit, is_share=is_weekly),
        title=_title(points, words.named(dimension, level), is_weekly),
        subtitle=(
            f"{'Weekly share' if is_weekly else 'Piercings it took for each five infections; low is a rise'}. "
            f"{first['why']} Baseline {100 * first['baseline']:.2f} %, from {numbers.day(first['baseline_from'])} to "
            f"{numbers.day(first['baseline_to'])}. Limits: {FALSE_ALARM} beyond each by chance. Points to "
            f"{numbers.day(points['to_on'].max())}."  # type: ignore[arg-type]
        ),
        table=_table(points, words.named(dimension, level), is_weekly),
    )


def _title(points: pl.DataFrame, name: str, is_weekly: bool) -> str:
    """The message: whether any point marks a rise, and the latest that does."""
    subject = name[0].upper() + name[1:]
    rises = points.filter("signal")
    if rises.is_empty():
        return f"{subject}: no {'week' if is_weekly else 'run'} beyond the limits on the side of a rise"
    latest = rises["from_on"].max()
    return (
        f"{subject}: {words.plural(rises.height, 'week' if is_weekly else 'run')} beyond the limit, "
        f"the latest from {numbers.day(latest)}"  # type: ignore[arg-type]
    )


def _table(points: pl.DataFrame, name: str, is_weekly: bool) -> Table:
    write = numbers.share if is_weekly else numbers.count
    rows = tuple(
        (
            f"{numbers.short_day(row['from_on'])} to {numbers.short_day(row['to_on'])}",
            numbers.count(row["n"]),
            numbers.count(row["observed"]),
            Cell(write(row["statistic"]), is_marked=row["signal"]),
            write(row["centre"]),
            f"{write(row['lower'])} to {write(row['upper'])}",
            {"above": "rise", "below": "fall"}.get(row["beyond"] or "", ""),
        )
        for row in points.reverse().iter_rows(named=True)
    )
    statistic = "Share" if is_weekly else "Piercings for five"
    heads = ("Days", "Piercings", "Infected", statistic, "Centre", "Limits", "Beyond")
    return Table(f"Points of the chart of {name}, newest first", heads, rows, "control_charts.csv")
