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


def make_link_zones(con: duckdb.DuckDBPyConnection, zone: str, rows: str) -> None:
    """Make the staging tables that tell the zones of visits, piercings and clients, for rows that name no branch.

    `rows`, a table or query with visit_id, procedure_id and client_key, says of which: of all that the store holds they
    would take long. A piercing goes by its visit and a client by the latest, so each counts with its whole visits.
    """
    con.execute(f"create or replace temp table named as select visit_id, procedure_id, client_key from {rows}")
    con.execute("""
        create or replace temp table named_visit as
        select visit_id from named
        union select visit_id from raw_procedures where procedure_id in (select procedure_id from named)
        union select visit_id from raw_procedures where client_key in (select client_key from named)
    """)
    only = """raw_procedures as (
        from raw_procedures where procedure_id in (
            select procedure_id from raw_procedures where visit_id in (select visit_id from named_visit)
        )
    )"""
    run_files(con, ("stg_branches",), {"timezone": zone})
    run_files(con, ("stg_procedures",), {"timezone": zone}, only)
    run_files(con, ("stg_visit_zones", "stg_procedure_zones", "stg_client_zones"), {})


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
