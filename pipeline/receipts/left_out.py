"""What a figure does not count, and why: every version taken in at its place that is not behind it.

The place is the figure's level and days. A version stands there by what itself says, whatever its status and whatever
holds today: to tell, the layers place each version as if it were a completed piercing of its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import duckdb
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.receipts.counted import KEY
from pipeline.receipts.evidence import complication_of
from pipeline.receipts.figures import Figure
from pipeline.store.database import create_from_frame, fetch
from pipeline.store.sqlfiles import run_files

SCHEMA = pl.Schema(
    {"table_name": pl.String, "id": pl.String, "line_no": pl.Int64}
    | {"visit_id": pl.String, "branch_id": pl.String, "told_on": pl.Date, "reason": pl.String, "detail": pl.String}
    | {"file": pl.String, "line": pl.Int64, "sha256": pl.String}
)

_COLUMNS = {
    "week": "p.week",
    "branch_id": "p.branch_id",
    "material": "coalesce(p.material, $missing)",
    "site_group": "p.site_group",
    "practitioner_id": "coalesce(p.practitioner_id, $missing)",
}
"""How a version's own values tell a figure's row apart, where that has no dimension and level."""


@dataclass(frozen=True)
class Place:
    """The level and days that a figure is of; `mature_on` is the last day old enough, where it counts no later ones.

    `branch` is the one branch it is of, None where it is of the whole chain; `is_by_branch` tells whether it is one of
    these two, so that a record that names a branch alone can be placed.
    """

    first_on: date
    last_on: date
    mature_on: date | None
    branch: str | None
    is_by_branch: bool


def place_of(figure: Figure, as_of: date) -> Place:
    """Where a figure's records stand."""
    row, complication = figure.row, complication_of(figure)
    first, last, mature = as_of - timedelta(days=v.RATE_PERIOD_DAYS - 1), as_of, None
    period = str(row.get("period") or "")
    if "week" in row or period.startswith("week:"):
        week = row["week"] if "week" in row else date.fromisoformat(period.removeprefix("week:"))
        assert isinstance(week, date)  # noqa: S101 - as its measure declares
        first, last = week, week + timedelta(days=6)
    elif figure.explained.table == "onsets":
        mature = as_of - timedelta(days=v.REPORTING_LAG_DAYS)
        first = mature - timedelta(days=v.RATE_PERIOD_DAYS + v.ONSET_DAYS - 1)
    elif complication is not None:
        mature = as_of - timedelta(days=complication.window_days + v.REPORTING_LAG_DAYS)
        first = mature - timedelta(days=v.RATE_PERIOD_DAYS - 1)
    dimension = row.get("dimension", _dimension(figure))
    branch = str(row.get("level", row.get("branch_id"))) if dimension == "branch" else None
    return Place(first, last, mature, branch, dimension in ("all", "branch"))


def _dimension(figure: Figure) -> str:
    """The dimension of a figure's level where no column tells; empty where it is told apart by more than a branch."""
    if _COLUMNS.keys() & figure.key.keys() - {"week", "branch_id"}:
        return ""
    return "branch" if "branch_id" in figure.key else "all"


def find_left_out(
    con: duckdb.DuckDBPyConnection, figure: Figure, place: Place, behind: pl.DataFrame, params: Mapping[str, Any]
) -> pl.DataFrame:
    """Versions at a figure's place that it does not count: columns as `SCHEMA` has them, each with one reason.

    `behind` are the records behind the figure, by `KEY`: of these every other version stands here, wherever it says to
    be. Needs what `find_counted` leaves; tables of the layers are no longer those of the as-of date afterwards.
    """
    create_from_frame(con, "behind", behind.select(KEY).unique(), temporary=True)
    visits = fetch(con, "select visit_id, branch_id as visit_branch, visited_on from visits")
    lines = fetch(con, "select sale_id as id, line_no, category, currency, visit_id as own_visit_id from receipt_lines")
    found = [_not_behind(con, table, place) for table in _tables_by_branch(figure, place)]
    if figure.explained.table != "revisits":
        _place_every_version(con, figure, place, params)
        found.append(_not_behind(con, "procedures", None))
    rows = pl.concat(found).join(
        lines.with_columns(pl.lit(value=True).alias("is_line")), on=["id", "line_no"], how="left", maintain_order="left"
    )
    rows = rows.with_columns(pl.coalesce("own_visit_id", "visit_id").alias("of_visit")).join(
        visits, left_on="of_visit", right_on="visit_id", how="left", maintain_order="left"
    )
    told = [_reason(row, figure, place) for row in rows.iter_rows(named=True)]
    reasons = pl.DataFrame(told, schema={"reason": pl.String, "detail": pl.String}, orient="row")
    return rows.hstack(reasons).select(SCHEMA.names()).cast(SCHEMA)


def _tables_by_branch(figure: Figure, place: Place) -> tuple[str, ...]:
    """The tables whose versions name the branch and the day by which they stand at a figure's place."""
    if figure.explained.table == "revisits":
        return ("revisits",)
    has_sales = figure.explained.table in ("weekly", "attach") and place.is_by_branch
    return ("sales",) if has_sales else ()


def _not_behind(con: duckdb.DuckDBPyConnection, table: str, place: Place | None) -> pl.DataFrame:
    """A table's versions at a place that are not behind the figure; without a place those of `placed_versions`.

    With each comes where its known version stands, and what that says.
    """
    is_there, asked = "v.seq in (select seq from placed_versions)", {}
    if place is not None:
        is_there = "v.told_on between $first and $last and ($branch is null or v.branch_id = $branch)"
        asked = {"first": place.first_on, "last": place.last_on, "branch": place.branch}
    return fetch(
        con,
        f"""
        select v.*, k.file as known_file, k.line as known_line, k.branch_id as known_branch, k.told_on as known_on
        from record_versions v
        left join behind b on b.table_name = v.table_name and b.id = v.id and b.line_no is not distinct from v.line_no
        left join record_versions k on k.table_name = v.table_name and k.id = v.id
          and k.line_no is not distinct from v.line_no and k.standing = 'known'
        where v.table_name = $table
          and case when b.id is null then {is_there} else v.standing <> 'known' end
        order by v.told_on, v.id, v.line_no nulls first, v.seq
        """,
        asked | {"table": table},
    )


def _place_every_version(
    con: duckdb.DuckDBPyConnection, figure: Figure, place: Place, params: Mapping[str, Any]
) -> None:
    """Make `placed_versions`: the versions of piercings, by seq, that themselves say to be at a figure's place."""
    as_of = {"as_of": params["as_of"]}
    con.execute(
        """
        create or replace temp table stg_procedures as
        select * replace (
          procedure_id || ':' || seq as procedure_id, 'completed' as status, least(recorded_on, $as_of) as recorded_on
        )
        from stg_procedures
        """,
        as_of,
    )  # no id holds a colon
    run_files(con, ("piercings", "exposures", "piercing_levels"), dict(params))
    columns = {column: _COLUMNS[column] for column in figure.explained.grain if column in _COLUMNS}
    conditions = [f"{expression} = $key_{column}" for column, expression in columns.items()]
    asked = {f"key_{column}": figure.row[column] for column in columns}
    if {"material", "practitioner_id"} & columns.keys():
        asked["missing"] = params["missing"]
    dimension, level = figure.row.get("dimension", "all"), figure.row.get("level", "all")
    con.execute(
        f"""
        create or replace temp table placed_versions as
        select cast(split_part(p.procedure_id, ':', 2) as bigint) as seq
        from piercings p
        join piercing_levels l on l.procedure_id = p.procedure_id and l.dimension = $dimension and l.level = $level
        where p.performed_on between $first and $last {"".join(f" and {one}" for one in conditions)}
        """,
        asked | {"dimension": dimension, "level": level, "first": place.first_on, "last": place.last_on},
    )


def _reason(row: Mapping[str, Any], figure: Figure, place: Place) -> tuple[str, str]:
    """Why a version does not count, and more of it."""
    if row["standing"] == "later":
        return "recorded after the as-of date", ""
    if row["standing"] == "superseded":
        return "superseded", _known_version(row)
    if row["table_name"] == "revisits":
        return _revisit(row)
    if row["table_name"] == "sales":
        return _sale(row, figure)
    if row["status"] != "completed":
        return str(row["status"]), ""
    if row["id"] in figure.not_counted:
        return figure.not_counted[row["id"]]
    if place.mature_on is not None:
        return "not old enough", f"performed after {place.mature_on}"
    return _elsewhere(row)


def _elsewhere(row: Mapping[str, Any]) -> tuple[str, str]:
    return "counts with its visit elsewhere", f"{row['of_visit']} began on {row['visited_on']} at {row['visit_branch']}"


def _known_version(row: Mapping[str, Any]) -> str:
    """Where the version is that counts in its stead, and what it says of branch and day where that is another."""
    detail = f"by {row['known_file']} line {row['known_line']}"
    if (row["known_branch"], row["known_on"]) == (row["branch_id"], row["told_on"]):
        return detail
    return f"{detail}: {row['known_branch']} on {row['known_on']}"


def _revisit(row: Mapping[str, Any]) -> tuple[str, str]:
    if row["status"] in ("moved", "cancelled_early"):
        return str(row["status"]).replace("_", " "), ""
    return "not started yet", f"starts on {row['told_on']}"


def _sale(row: Mapping[str, Any], figure: Figure) -> tuple[str, str]:
    if not row["is_line"]:
        return "void receipt", ""
    if figure.explained.table == "attach":
        return _elsewhere(row) if row["own_visit_id"] else ("belongs to no visit known", "")
    if row["category"] in ("aftercare", "jewellery"):
        return "another currency", row["currency"] or "none named"
    return "neither aftercare nor jewellery", row["category"] or "its product has no category known"
