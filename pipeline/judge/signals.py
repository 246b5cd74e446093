"""Signals: control-chart points beyond their limit on the side of a rise, and possible causes beyond theirs."""

import hashlib
from datetime import date

import polars as pl

from pipeline.results import RESULT_BY_NAME
from pipeline.stats.standardise import standardised_ratio

P_CHART, PER_FIVE, FUNNEL = "p chart", "piercings per five infections", "funnel"
NEW = "new"


def judge_signals(
    control_charts: pl.DataFrame, exposures: pl.DataFrame, as_of: date, raised_before: dict[str, date]
) -> pl.DataFrame:
    """signals: each keeps its id, and the day it was first raised, from night to night."""
    found = pl.concat([_of_charts(control_charts), _of_exposures(exposures)])
    if found.is_empty():
        return pl.DataFrame(schema=RESULT_BY_NAME["signals"].schema)
    ratio = standardised_ratio(found["observed"].to_numpy(), found["expected"].to_numpy())
    ids = [signal_id(row) for row in found.iter_rows(named=True)]
    raised = [min(raised_before.get(name, as_of), as_of) for name in ids]
    # A funnel speaks of all that was exposed, so its first day may move; it is no part of what the signal is.
    return found.with_columns(
        pl.Series("signal_id", ids),
        pl.Series("raised_on", raised, dtype=pl.Date),
        pl.Series("ratio", ratio.ratio),
        pl.Series("ratio_low", ratio.low),
        pl.Series("ratio_high", ratio.high),
        pl.lit(NEW).alias("state"),
    )


def signal_id(row: dict[str, object]) -> str:
    """The name a signal keeps: a digest of what it is about."""
    started = "" if row["method"] == FUNNEL else str(row["started_on"])
    text = "|".join(str(row[name]) for name in ("method", "complication", "dimension", "level"))
    return "S-" + hashlib.sha256(f"{text}|{started}".encode()).hexdigest()[:10]


def _of_charts(charts: pl.DataFrame) -> pl.DataFrame:
    is_p = pl.col("chart").str.starts_with("p:")
    return charts.filter("signal").select(
        "complication",
        "dimension",
        "level",
        pl.when(is_p).then(pl.lit(P_CHART)).otherwise(pl.lit(PER_FIVE)).alias("method"),
        pl.col("from_on").alias("started_on"),
        pl.col("to_on").alias("ended_on"),
        pl.col("n").alias("procedures"),
        "observed",
        (pl.col("n") * pl.col("baseline")).alias("expected"),
        "statistic",
        pl.when(is_p).then("upper").otherwise("lower").alias("threshold"),
    )


def _of_exposures(exposures: pl.DataFrame) -> pl.DataFrame:
    return exposures.filter("signal").select(
        "complication",
        "dimension",
        "level",
        pl.lit(FUNNEL).alias("method"),
        pl.col("first_on").alias("started_on"),
        pl.col("last_on").alias("ended_on"),
        "procedures",
        "observed",
        "expected",
        pl.col("observed").cast(pl.Float64).alias("statistic"),
        pl.col("limit_high").alias("threshold"),
    )
