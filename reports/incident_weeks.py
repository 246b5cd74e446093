"""An incident's last half year as a figure, for the watch and for mail."""

import polars as pl

from reports import numbers, words
from reports.charts.observed_expected import observed_expected
from reports.edition import Edition
from reports.findings import Finding
from reports.parts import Figure, Figures, Table


def incident_figure(figures: Figures, edition: Edition, found: Finding) -> Figure:
    """Known cases by week of piercing, against those expected by now."""
    weeks = edition.results["incident_weeks"].filter(pl.col("incident_id") == found.identifier)
    rows = tuple(
        (
            numbers.short_day(row["week"]),
            numbers.count(row["procedures"]),
            numbers.count(row["observed"]),
            numbers.tenth(row["expected"]),
        )
        for row in weeks.reverse().iter_rows(named=True)
    )
    what = words.COMPLICATION[found.complication]
    observed, usual = int(weeks["observed"].sum()), float(weeks["expected"].sum())
    heads = ("Week from", "Piercings", "Known cases", "Expected by now")
    return figures.draw(
        observed_expected(weeks.with_columns(pl.lit(value=True).alias("solid")), unit="cases"),
        title=f"{numbers.count(observed)} known in half a year, about {numbers.tenth(usual)} expected by now",
        subtitle=f"{what.capitalize()} by week of piercing, {found.name}. Line: expected by now of like piercings.",
        table=Table(f"{what.capitalize()} by week of piercing, {found.name}", heads, rows, "incident_weeks.csv"),
        method="watch-expected",
    )
