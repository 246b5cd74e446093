"""Count: run the SQL layers over the store, and hand the measures out as frames."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import duckdb
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.settings import Settings
from pipeline.store.database import fetch
from pipeline.store.references import make_references
from pipeline.store.retention import kept_weeks
from pipeline.store.sqlfiles import names_in, read_for, run_files, sql_files

MEASURES = tuple(name for name in names_in("3_measures") if name != "quarter_counts")
"""Measures that every night counts; quarters are counted for an edition that tells of them."""

WEEK_RECORDS = "week_records"

Frames = dict[str, pl.DataFrame]


def count(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: date | None, measures: Sequence[str] = MEASURES
) -> tuple[date | None, Frames]:
    """The as-of date and measures by their names, with the weeks kept from rows that are aged out.

    Without a given `as_of` it is the newest day any accepted row tells of; None where there is no row at all, and then
    the measures are empty. Beside `week_records` stands `week_records_before`, the same as known a week before.
    """
    known_by, params = lay_out(con, settings, as_of, measures)
    frames = {name: measured(con, name, params) for name in measures}
    if WEEK_RECORDS in measures:
        frames[f"{WEEK_RECORDS}_before"] = _a_week_before(con, WEEK_RECORDS, params)
    return known_by, frames | kept_weeks(con)


def _a_week_before(con: duckdb.DuckDBPyConnection, name: str, params: dict[str, Any]) -> pl.DataFrame:
    """A measure as known a week before; what it reads is made for that day."""
    before = params | {"as_of": params["as_of"] - timedelta(weeks=1)}
    run_files(con, read_for([name]), before)
    return measured(con, name, before)


def lay_out(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: date | None, names: Sequence[str]
) -> tuple[date | None, dict[str, Any]]:
    """Make tables of what some files read; the as-of date, as `count` has it, and the parameters that files take."""
    make_references(con, settings.allowed_site_groups)
    run_files(con, names_in("1_staging"), {"timezone": settings.timezone})
    newest = con.execute("select newest_on from stg_newest_day").fetchall()[0][0]
    known_by = as_of or newest
    params = _params(settings, known_by or v.BEFORE_ANY_DATA)
    run_files(con, read_for(names), params)
    return known_by, params


def _params(settings: Settings, as_of: date) -> dict[str, Any]:
    return {
        "as_of": as_of,
        "adult_age": settings.adult_age,
        "missing": v.MISSING,
        "reporting_lag_days": v.REPORTING_LAG_DAYS,
        "rate_period_days": v.RATE_PERIOD_DAYS,
        "refund_days": v.REFUND_DAYS,
        "onset_days": v.ONSET_DAYS,
    }


def measured(con: duckdb.DuckDBPyConnection, name: str, params: dict[str, Any]) -> pl.DataFrame:
    """A measure in the order of its grain, so that the same store gives the same bytes."""
    file = sql_files()[name]
    order = f" order by {', '.join(f'{column} nulls first' for column in file.grain)}" if file.grain else ""
    return fetch(con, f"select * from ({file.query}){order}", {param: params[param] for param in file.params})
