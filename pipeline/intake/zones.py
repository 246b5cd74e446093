"""Time zones at the door: which names are known, and whose wall clock each branch's rows follow."""

from datetime import datetime

import duckdb
import polars as pl

from pipeline.contract.timezones import known_zones
from pipeline.store.database import create_from_frame
from pipeline.store.sqlfiles import run_files


def make_time_zones(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary table `time_zone` (zone), which the rule for a zone's name looks into."""
    create_from_frame(con, "time_zone", pl.DataFrame({"zone": sorted(known_zones())}), temporary=True)


def make_branch_zones(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temporary table `branch_zone` (branch_id, zone) from the branches taken in so far."""
    con.execute("""
        create or replace temp table branch_zone as
        select branch_id, timezone as zone from (
          select branch_id, timezone, row_number() over (partition by branch_id order by seq desc) as newness
          from raw_branches
        ) where newness = 1 and timezone is not null
    """)


def make_link_zones(con: duckdb.DuckDBPyConnection, zone: str) -> None:
    """Make the staging tables that tell the zones of visits, piercings and clients, for rows that name no branch."""
    names = ("stg_branches", "stg_procedures", "stg_visit_zones", "stg_procedure_zones", "stg_client_zones")
    run_files(con, names, {"timezone": zone})


def zone_furthest_ahead(con: duckdb.DuckDBPyConnection, now: datetime, zone: str) -> str:
    """Of the branches' zones and `zone`, the one whose wall clock is furthest ahead at `now` (UTC).

    For rows that name no branch: a wall time lies in the future only where it does so at every branch.
    """
    row = con.execute(
        """
        select zone from (select zone from branch_zone union select $zone)
        order by timezone(zone, timezone('UTC', cast($now as timestamp))) desc, zone limit 1
        """,
        {"zone": zone, "now": now},
    ).fetchall()
    return str(row[0][0])
