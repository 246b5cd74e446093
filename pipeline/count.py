"""Count: run the SQL layers over the store, and hand the measures out as frames."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from typing import Any

import duckdb
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.settings import Settings
from pipeline.store.database import fetch
from pipeline.store.references import make_references
from pipeline.store.retention import kept_weeks
from pipeline.store.sqlfiles import names_in, read_for, run_files, sql_files

MEASURES = tuple(names_in("3_measures"))
"""Measures that every night counts."""

Frames = dict[str, pl.DataFrame]


def count(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: date | None, measures: Sequence[str] = MEASURES
) -> tuple[date | None, Frames]:
    """The as-of date and measures by their names, with the weeks kept from rows that are aged out.

    Without a given `as_of` it is the newest day any accepted row tells of; None where there is no row at all, and then
    the measures are empty.
    """
    make_references(con, settings.allowed_site_groups)
    run_files(con, names_in("1_staging"), {"timezone": settings.timezone})
    newest = con.execute("select newest_on from stg_newest_day").fetchall()[0][0]
    known_by = as_of or newest
    return known_by, _counted(con, measures, _params(settings, known_by or v.BEFORE_ANY_DATA)) | kept_weeks(con)


def count_each(
    con: duckdb.DuckDBPyConnection, settings: Settings, days: Iterable[date], measures: Sequence[str]
) -> Iterator[tuple[date, Frames]]:
    """Measures by their names as of each of some days, each with only what they need."""
    make_references(con, settings.allowed_site_groups)
    run_files(con, names_in("1_staging"), {"timezone": settings.timezone})
    for day in days:
        yield day, _counted(con, measures, _params(settings, day))


def _counted(con: duckdb.DuckDBPyConnection, measures: Sequence[str], params: dict[str, Any]) -> Frames:
    """Measures by their names; what others read becomes a table first, the rest is read off its query."""
    run_files(con, read_for(measures), params)
    return {name: _in_order(con, name, params) for name in measures}


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


def _in_order(con: duckdb.DuckDBPyConnection, name: str, params: dict[str, Any]) -> pl.DataFrame:
    """A measure in the order of its grain, so that the same store gives the same bytes."""
    file = sql_files()[name]
    order = f" order by {', '.join(f'{column} nulls first' for column in file.grain)}" if file.grain else ""
    return fetch(con, f"select * from ({file.query}){order}", {param: params[param] for param in file.params})
