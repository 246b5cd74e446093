"""Shares with their Wilson intervals: complication rates, coverage, aftercare, revisits."""

from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.stats.intervals import wilson


def with_share(frame: pl.DataFrame, numerator: str, denominator: str, names: tuple[str, str, str]) -> pl.DataFrame:
    """Add a share and its 95 % Wilson interval under three names; empty where nothing is under it."""
    events, n = frame[numerator].to_numpy(), frame[denominator].to_numpy()
    interval = wilson(events, n)
    share = np.divide(events, n, out=np.full(len(n), np.nan), where=n > 0)
    values = dict(zip(names, (share, interval.low, interval.high), strict=True))
    return frame.with_columns(pl.Series(name, value).fill_nan(None) for name, value in values.items())


def judge_rates(counts: pl.DataFrame, data_from: date | None) -> pl.DataFrame:
    """complication_rates: events among mature piercings, coverage, and the rate among the reached."""
    frame = with_share(counts, "events", "procedures", ("rate", "wilson_low", "wilson_high"))
    frame = with_share(frame, "events_reached", "reached", ("rate_reached", "reached_low", "reached_high"))
    frame = with_share(frame, "reached", "procedures", ("coverage", "coverage_low", "coverage_high"))
    return frame.with_columns(pl.lit(data_from, dtype=pl.Date).alias("data_from"))


def judge_material_sites(counts: pl.DataFrame) -> pl.DataFrame:
    """material_sites: events among mature piercings by material and site group, and among the reached."""
    frame = with_share(counts, "events", "procedures", ("rate", "wilson_low", "wilson_high"))
    return with_share(frame, "events_reached", "reached", ("rate_reached", "reached_low", "reached_high"))


def judge_attach(counts: pl.DataFrame) -> pl.DataFrame:
    """attach: visits that left with aftercare."""
    return with_share(counts, "attached_visits", "eligible_visits", ("rate", "wilson_low", "wilson_high"))


def judge_revisits(counts: pl.DataFrame) -> pl.DataFrame:
    """revisits: due revisits to which nobody came."""
    return with_share(counts, "no_show", "due", ("no_show_rate", "wilson_low", "wilson_high"))


def judge_coverage(counts: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """coverage: piercings of each week and branch reached within the 30-day window."""
    frame = with_share(counts, "reached", "procedures", ("coverage", "coverage_low", "coverage_high"))
    return frame.with_columns(is_mature_week("week", as_of).alias("mature"))


def judge_branch_practitioners(counts: pl.DataFrame) -> pl.DataFrame:
    """branch_practitioners: infections by practitioner and site group."""
    return with_share(counts, "events", "procedures", ("rate", "wilson_low", "wilson_high"))


def is_mature_week(column: str, as_of: date, window_days: int = v.INFECTION.window_days) -> pl.Expr:
    """Whether the last day of the week that begins on a column's day is mature for a window."""
    last_mature = as_of - timedelta(days=window_days + v.REPORTING_LAG_DAYS)
    return pl.col(column) + pl.duration(days=6) <= last_mature
