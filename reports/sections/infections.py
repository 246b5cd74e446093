"""Infections by week of piercing: those known, those expected by now, and those there will be once all are known."""

from datetime import timedelta
from typing import Any

import polars as pl

from reports import numbers
from reports.charts.observed_expected import observed_expected
from reports.edition import Edition
from reports.parts import Cell, Figure, Figures, Table
from reports.receipts import receipt

INFECTION_WEEKS = 40
STILL = "still filling in"


def infections_figure(figures: Figures, edition: Edition, branch: str | None, where: str) -> Figure | None:
    """Infections by week of piercing against those expected so far, for the chain or a branch, in plain words."""
    weeks = _weeks(edition, branch)
    if weeks.is_empty():
        return None
    return figures.draw(
        observed_expected(weeks.with_columns(pl.col("mature").alias("solid"))),
        title=_title(weeks),
        subtitle=f"By week of piercing, {where}. Line: expected by now of like piercings. Hollow: still filling in.",
        table=_table(weeks, where),
        method="expected",
    )


def completed_figure(figures: Figures, edition: Edition, branch: str | None, where: str) -> Figure | None:
    """The same, with what recent weeks will have once all is known and its limits."""
    weeks = _weeks(edition, branch)
    if weeks.is_empty():
        return None
    weeks = _with_completion(weeks, edition, branch)
    return figures.draw(
        observed_expected(weeks, weeks.filter(pl.col("high").is_not_null())),
        title=_title(weeks),
        subtitle=(
            f"By week of piercing, {where}. Solid: known. Line: expected by now of like piercings. Hollow on top: "
            "still to become known, by how late infections were so far; upright line: where the week will most likely "
            "end (95 %). Hollow alone: too early to say."
        ),
        table=_completed_table(weeks, where, _receipts(edition, branch)),
        method="completion",
    )


def _weeks(edition: Edition, branch: str | None) -> pl.DataFrame:
    """The last weeks with piercings: week, observed, expected, mature; none in an edition without expected ones."""
    weekly = edition.results["weekly"].filter(pl.col("procedures").is_not_null())
    if "infections_expected" not in weekly.columns:
        return weekly.clear()
    if branch is not None:
        weekly = weekly.filter(pl.col("branch_id") == branch)
    if edition.as_of is not None:
        weekly = weekly.filter(pl.col("week") > edition.as_of - timedelta(weeks=INFECTION_WEEKS))
    return (
        weekly.group_by("week")
        .agg(
            pl.col("infections_observed").sum().alias("observed"),
            pl.col("infections_expected").sum().alias("expected"),
            pl.col("mature").all(),
        )
        .sort("week")
    )


def _with_completion(weeks: pl.DataFrame, edition: Edition, branch: str | None) -> pl.DataFrame:
    """The weeks with `expected_final`, `low`, `high` where they were completed; `solid`, whether anything can be said.

    A week of which nothing can be said stands in completion without these, or has not ended.
    """
    own = _completion(edition, branch)
    joined = weeks.join(own.select("week", "known_share", "expected_final", "low", "high"), on="week", how="left")
    has_ended = pl.col("week") + pl.duration(days=6) <= pl.lit(edition.as_of)
    is_told = pl.col("known_share").is_null() | pl.col("high").is_not_null()
    return joined.with_columns((has_ended & is_told).alias("solid")).sort("week")


def _completion(edition: Edition, branch: str | None) -> pl.DataFrame:
    dimension, level = ("all", "all") if branch is None else ("branch", branch)
    return edition.results["completion"].filter((pl.col("dimension") == dimension) & (pl.col("level") == level))


def _receipts(edition: Edition, branch: str | None) -> tuple[str, ...]:
    """The command for the newest week that is completed."""
    newest = _completion(edition, branch).sort("week").select("dimension", "level", "week").tail(1).rows(named=True)
    return receipt(edition, "completion", **newest[0]) if newest else ()


def _title(weeks: pl.DataFrame) -> str:
    mature = weeks.filter("mature").tail(13)
    if mature.is_empty():
        return "Infections known so far: too early to compare"
    observed, expected = int(mature["observed"].sum()), float(mature["expected"].sum())
    known, about = numbers.count(observed), numbers.count(expected)
    return f"Infections known: {known} in the last {mature.height} full weeks, about {about} expected"


def _table(weeks: pl.DataFrame, where: str) -> Table:
    """The weeks, the newest first."""
    rows = tuple(
        (
            Cell(numbers.short_day(row["week"]), "" if row["mature"] else STILL),
            numbers.count(row["observed"]),
            numbers.tenth(row["expected"]),
        )
        for row in weeks.reverse().iter_rows(named=True)
    )
    return Table(
        f"Infections by week of piercing, {where}", ("Week from", "Known", "Expected by now"), rows, "weekly.csv"
    )


def _completed_table(weeks: pl.DataFrame, where: str, receipts: tuple[str, ...]) -> Table:
    """The same with what each week will have in the end."""
    rows = tuple(
        (
            numbers.short_day(row["week"]),
            numbers.count(row["observed"]),
            numbers.tenth(row["expected"]),
            _in_the_end(row),
        )
        for row in weeks.reverse().iter_rows(named=True)
    )
    heads = ("Week from", "Known", "Expected by now", "Once all is known")
    caption = f"Infections by week of piercing, {where}"
    return Table(caption, heads, rows, "weekly.csv", also="completion.csv", receipts=receipts)


def _in_the_end(week: dict[str, Any]) -> Cell | str:
    """What a week will have: completed, with its limits; as known; or not to be said yet."""
    if week["high"] is not None:
        limits = numbers.count_range(week["low"], week["high"])
        return Cell(f"about {numbers.count(week['expected_final'])}", f"{limits} (95\u00a0%)")
    return "as known" if week["solid"] else "too early to say"
