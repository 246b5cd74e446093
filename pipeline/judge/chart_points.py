"""The points of a control chart within one phase: by week, or by runs of piercings that end with an infection.

A point has subgroup, n, observed, from_on, to_on, mature; statistic, centre, lower, upper; side, which limit it is
beyond (1 a rise, -1 a fall), score, how far out it lies on the scale of run rules, and sigma_z, by how much weeks vary.
"""

from datetime import date

import numpy as np
import polars as pl

from pipeline.judge.baselines import Baseline
from pipeline.stats.arguments import FloatArray
from pipeline.stats.control_chart import Chart
from pipeline.stats.rare import count_to_events_chart, runs_to_events
from pipeline.stats.tail_scores import run_scores, share_scores
from pipeline.stats.widened import widened_p_chart


def weekly_points(weeks: pl.DataFrame, baseline: Baseline) -> pl.DataFrame:
    """A p chart's points from a phase's weeks: week, n, observed, mature."""
    n, observed, sigma_z = weeks["n"].to_numpy(), weeks["observed"].to_numpy(), baseline.sigma_z
    chart = widened_p_chart(n, observed, baseline.rate, sigma_z)
    points = weeks.select(
        pl.col("week").cast(pl.String).alias("subgroup"),
        "n",
        "observed",
        pl.col("week").alias("from_on"),
        (pl.col("week") + pl.duration(days=6)).alias("to_on"),
        "mature",
        pl.lit(sigma_z).alias("sigma_z"),
    )
    return _with_chart(points, chart, share_scores(n, observed, baseline.rate) / sigma_z)


def run_points(
    weeks: pl.DataFrame, piercings: pl.DataFrame, baseline: Baseline, events: int, last_mature_on: date
) -> pl.DataFrame:
    """Points of runs to `events` infections, from a phase's weeks and its piercings in order of time.

    Runs are numbered from the phase's first one, whose subgroup is 1. Of weeks that are aged out only counts are known:
    these tell how many runs ended in them; the run that was under way when they ended is left out.
    """
    aged = weeks.filter(pl.col("week") < piercings["week"].min()) if piercings.height else weeks
    n_ended, n_met = divmod(int(aged["observed"].sum()), events)
    if aged.height:
        piercings = piercings.filter(pl.col("is_infected").cum_sum().shift(1, fill_value=0) >= events - n_met)
    runs = runs_to_events(piercings["is_infected"].to_numpy(), events)
    # Piercings stand in order of time, days are local: in a chain of several zones a day may stand out of order.
    days = [piercings["performed_on"][first : last + 1] for first, last in zip(runs.first, runs.last, strict=True)]
    points = pl.DataFrame(
        {
            "subgroup": np.arange(len(days)) + n_ended + (2 if aged.height else 1),
            "n": runs.length,
            "observed": [events] * len(days),
            "from_on": pl.Series([run.min() for run in days], dtype=pl.Date),
            "to_on": pl.Series([run.max() for run in days], dtype=pl.Date),
        }
    ).with_columns((pl.col("to_on") <= last_mature_on).alias("mature"), pl.lit(None, dtype=pl.Float64).alias("sigma_z"))
    chart = count_to_events_chart(runs.length, baseline.rate, events)
    return _with_chart(points, chart, run_scores(runs.length, baseline.rate, events))


def _with_chart(points: pl.DataFrame, chart: Chart, score: FloatArray) -> pl.DataFrame:
    return points.with_columns(
        pl.Series("statistic", chart.statistic, dtype=pl.Float64),
        pl.Series("centre", chart.centre, dtype=pl.Float64),
        pl.Series("lower", chart.lower, dtype=pl.Float64),
        pl.Series("upper", chart.upper, dtype=pl.Float64),
        pl.Series("side", chart.beyond, dtype=pl.Int64),
        pl.Series("score", score, dtype=pl.Float64),
    )
