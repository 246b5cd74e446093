"""The records that what is counted goes by, in every version: reports, answers, receipt lines, further revisits."""

from collections.abc import Mapping
from typing import Any

import duckdb
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.receipts.figures import Figure
from pipeline.store.database import fetch
from pipeline.store.sqlfiles import sql_files
from reports import words

_COMPLICATION = {complication.name: complication for complication in v.COMPLICATIONS}
STANDING = {"superseded": "superseded by a later version", "later": "recorded after the as-of date"}
"""What is said of a version that is not the one known by the as-of date."""
SCHEMA = pl.Schema(
    dict.fromkeys(("item", "item_id", "table_name", "id"), pl.String)
    | {"line_no": pl.Int64, "standing": pl.String, "says": pl.String}
    | {"file": pl.String, "line": pl.Int64, "sha256": pl.String}
)


def find_evidence(con: duckdb.DuckDBPyConnection, figure: Figure) -> pl.DataFrame:
    """Every version of each record that speaks of an item of `receipt_items`: columns as `SCHEMA` has them.

    `says` is what the known version says and whether it counts; of another version why it does not.
    """
    complication = complication_of(figure)
    found = fetch(
        con,
        f"""
        select e.*, v.standing, v.file, v.sha256, v.line, o.report_id is not null as is_event
        from ({sql_files()["evidence"].query}) e
        join receipt_items i on i.item = e.item and i.id = e.item_id
        join record_versions v on v.table_name = e.table_name and v.id = e.id
          and v.line_no is not distinct from e.line_no
        left join event_reports o on o.report_id = e.report_id and o.complication = $complication
        order by e.item, e.item_id, e.table_name, e.id, e.line_no nulls first, v.seq
        """,
        {"complication": complication.name if complication else ""},
    )
    if figure.explained.table == "weekly":  # its receipt lines are counted themselves
        found = found.filter((pl.col("item") != "visit") | (pl.col("table_name") != "sales"))
    said = [
        STANDING.get(row["standing"])
        or (_begun(row) if figure.explained.table == "onsets" else _said(row, complication))
        for row in found.iter_rows(named=True)
    ]
    return found.with_columns(pl.Series("says", said, dtype=pl.String)).select(SCHEMA.names()).cast(SCHEMA)


def complication_of(figure: Figure) -> v.Complication | None:
    """What a figure is about, where it is about a complication."""
    return _COMPLICATION.get(str(figure.row.get("complication") or figure.explained.complication))


def _said(row: Mapping[str, Any], complication: v.Complication | None) -> str:
    """What a record says of its item, and whether that counts."""
    if row["item"] != "piercing" or complication is None:
        return f"{row['says'].replace('_', ' ')}{_packs(row['quantity'])}"
    parts = [_report(row, complication)] if row["kind"] else []
    if row["table_name"] != "procedures":
        parts.append(_contact(row, complication))
    return "; ".join(parts)


def _begun(row: Mapping[str, Any]) -> str:
    """What a record says of a piercing: when a complication began, or by when the stud was out."""
    parts = [f"{words.COMPLICATION[row['kind']]} from day {row['onset_day']}"] if row["kind"] else []
    if row["stud_out_day"] is not None:
        parts.append("stud taken out")
    return "; ".join([*parts, f"{row['says'].replace('_', ' ')} on day {row['day']}"])


def _packs(quantity: int | None) -> str:
    return f", {quantity:+d} aftercare" if quantity else ""


def _report(row: Mapping[str, Any], complication: v.Complication) -> str:
    """A report, and whether it makes the piercing an event."""
    told = f"{words.COMPLICATION[row['kind']]} from day {row['onset_day']}"
    if row["table_name"] == "procedures":
        told = f"{told}, during the piercing"
    elif row["is_attributed"]:
        told = f"{told}, which names no piercing"
    if row["is_event"]:
        return f"{told}: an event"
    if row["kind"] not in complication.members:
        return f"{told}: another complication"
    if row["onset_day"] < 0:
        return f"{told}: began before the piercing"
    return f"{told}: began after the window of {complication.window_days} days"


def _contact(row: Mapping[str, Any], complication: v.Complication) -> str:
    """A contact or revisit, and whether it makes the piercing reached."""
    told = f"{row['says'].replace('_', ' ')} on day {row['day']}"
    first, last = v.answer_days(complication.window_days)
    if not row["is_answer"]:
        is_told = row["says"] in ("well", "complication")
        return f"{told}, told unasked: does not count as reached" if is_told else told
    if row["day"] < first:
        return f"{told}, asked: too early to vouch for the window"
    if row["day"] > last:
        return f"{told}, asked: too late to vouch for the window"
    return f"{told}, asked: reached"
