"""Control charts of infection, for the whole chain and for each branch.

Where a typical week expects enough infections the chart is a p chart by week, else one of piercings per five
infections; why stands with the points. The baseline is the slice's own rate in the reference period.
"""

from datetime import timedelta

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.expected import Reference
from pipeline.results import RESULT_BY_NAME
from pipeline.stats.chart_choice import choose_chart, reason
from pipeline.stats.rare import EVENTS, count_to_events_chart, runs_to_events
from pipeline.stats.shewhart import Chart, p_chart

CHART_WEEKS = 104
"""Mature weeks a chart looks back over at most."""
LEAST_BASELINE_EVENTS = 10
"""Infections the reference period must have for a baseline: with fewer its own uncertainty swamps the limits."""

_BEYOND = {1: "above", 0: None, -1: "below"}


def judge_control_charts(sequence: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """control_charts: points with limits, from the measure infection_sequence."""
    slices = [("all", "all", sequence)] + [
        ("branch", str(branch), rows) for (branch,), rows in sequence.partition_by("branch_id", as_dict=True).items()
    ]
    charts = [_chart(dimension, level, rows, reference) for dimension, level, rows in slices]
    return RESULT_BY_NAME["control_charts"].gather(chart for chart in charts if chart is not None)


def _chart(dimension: str, level: str, rows: pl.DataFrame, reference: Reference) -> pl.DataFrame | None:
    """A slice's chart; None where its baseline or its weeks do not suffice."""
    usual = rows.filter(reference.holds("performed_on"))
    weeks = _mature_weeks(rows, reference)
    if usual["is_infected"].sum() < LEAST_BASELINE_EVENTS or weeks.is_empty():
        return None
    baseline = float(usual["is_infected"].sum() / usual.height)
    kind = choose_chart(weeks["n"].to_numpy(), baseline)
    points = _weekly_points(weeks, baseline) if kind == "p" else _per_five_points(rows, weeks, baseline, reference)
    return points.with_columns(
        pl.lit(f"{kind}:{dimension}:{level}:{v.INFECTION.name}").alias("chart"),
        pl.lit(dimension).alias("dimension"),
        pl.lit(level).alias("level"),
        pl.lit(v.INFECTION.name).alias("complication"),
        pl.lit(baseline).alias("baseline"),
        pl.lit(reference.first_on).alias("baseline_from"),
        pl.lit(reference.last_on).alias("baseline_to"),
        pl.lit(reason(weeks["n"].to_numpy(), baseline)).alias("why"),
    )


def _mature_weeks(rows: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """The latest mature weeks with piercings: week, n, observed."""
    last_monday = reference.last_mature_on - timedelta(days=6)
    weeks = (
        rows.filter(pl.col("week") <= last_monday)
        .group_by("week")
        .agg(pl.len().alias("n"), pl.col("is_infected").sum().alias("observed"))
    )
    return weeks.sort("week").tail(CHART_WEEKS)


def _weekly_points(weeks: pl.DataFrame, baseline: float) -> pl.DataFrame:
    chart = p_chart(weeks["n"].to_numpy(), weeks["observed"].to_numpy(), baseline)
    return _with_chart(weeks, chart).with_columns(
        pl.col("week").cast(pl.String).alias("subgroup"),
        pl.col("week").alias("from_on"),
        (pl.col("week") + pl.duration(days=6)).alias("to_on"),
    )


def _per_five_points(rows: pl.DataFrame, weeks: pl.DataFrame, baseline: float, reference: Reference) -> pl.DataFrame:
    mature = rows.filter(
        (pl.col("week") >= weeks["week"][0]) & (pl.col("performed_on") <= reference.last_mature_on)
    ).sort("performed_at", "procedure_id")
    runs = runs_to_events(mature["is_infected"].to_numpy())
    # Piercings stand in order of time, days are local: in a chain of several zones a day may stand out of order.
    days = [mature["performed_on"][first : last + 1] for first, last in zip(runs.first, runs.last, strict=True)]
    points = pl.DataFrame(
        {
            "subgroup": [f"{number:04d}" for number in range(1, len(days) + 1)],
            "n": runs.length,
            "observed": [EVENTS] * len(days),
            "from_on": pl.Series([run.min() for run in days], dtype=pl.Date),
            "to_on": pl.Series([run.max() for run in days], dtype=pl.Date),
        }
    )
    return _with_chart(points, count_to_events_chart(runs.length, baseline))


def _with_chart(points: pl.DataFrame, chart: Chart) -> pl.DataFrame:
    return points.with_columns(
        pl.Series("statistic", chart.statistic, dtype=pl.Float64),
        pl.Series("centre", chart.centre, dtype=pl.Float64),
        pl.Series("lower", chart.lower, dtype=pl.Float64),
        pl.Series("upper", chart.upper, dtype=pl.Float64),
        pl.Series("signal", chart.beyond > 0, dtype=pl.Boolean),
        pl.Series("beyond", [_BEYOND[int(side)] for side in chart.beyond], dtype=pl.String),
    )
