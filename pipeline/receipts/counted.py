"""What a figure counts: each piercing, visit, revisit and receipt line, the columns it counts in, and its record."""

from typing import Any

import duckdb
import polars as pl

from pipeline.receipts.figures import Explained, Figure
from pipeline.store.database import create_from_frame, fetch
from pipeline.store.sqlfiles import run_files, sql_files

KEY = ("table_name", "id", "line_no")
"""What tells a record apart."""


def rows_of(explained: Explained) -> str:
    """The SQL file that lists what stands behind a table's figures."""
    return f"{explained.table}_rows"


def files_of(explained: Explained) -> tuple[str, ...]:
    """Every SQL file that a receipt of a table's figures is made of."""
    return (*explained.measures, rows_of(explained), "items", "record_versions", "evidence", "events")


def find_counted(con: duckdb.DuckDBPyConnection, figure: Figure, params: dict[str, Any]) -> pl.DataFrame:
    """What a figure counts, and the record of each: item, id, line_no, table_name, visit_id, branch_id, told_on, file,
    line, sha256, `counts_in`, the published columns it counts in, and `amount`, what it adds to their money.

    Needs the tables that `files_of` reads, and leaves `record_versions` and `receipt_items` as temporary tables.
    """
    run_files(con, ["record_versions"], params)
    create_from_frame(con, "receipt_items", _rows(con, figure, params), temporary=True)
    return fetch(
        con,
        f"""
        select r.* exclude (part), i.table_name, i.visit_id, i.branch_id, i.told_on, v.file, v.line, v.sha256
        from receipt_items r
        join ({sql_files()["items"].query}) i
          on i.item = r.item and i.id = r.id and i.line_no is not distinct from r.line_no
        left join record_versions v on v.table_name = i.table_name and v.id = i.id
          and v.line_no is not distinct from i.line_no and v.standing = 'known'
        order by r.part, i.branch_id, i.told_on, r.item, r.id, r.line_no nulls first
        """,
    )


def _rows(con: duckdb.DuckDBPyConnection, figure: Figure, params: dict[str, Any]) -> pl.DataFrame:
    """The rows behind a figure: item, id, line_no, counts_in, amount, and `part`, by which they are told in order."""
    file = sql_files()[rows_of(figure.explained)]
    keys = " and ".join(f"{column} is not distinct from $key_{column}" for column in figure.key)
    asked = {f"key_{column}": value for column, value in figure.key.items()}
    rows = fetch(
        con, f"select * from ({file.query}) where {keys}", {name: params[name] for name in file.params} | asked
    )
    rows = rows.filter(~pl.col("id").is_in(list(figure.not_counted)))
    amounts = [pl.col(name) for name in figure.explained.amounts]
    says = [
        *(pl.when(f"in_{name}").then(pl.lit(name)) for name in figure.explained.counts),
        *(pl.when(amount != 0).then(pl.lit(amount.meta.output_name())) for amount in amounts),
    ]
    in_order = pl.struct(f"in_{name}" for name in figure.explained.counts).rank("dense", descending=True)
    return rows.select(
        in_order.alias("part"),
        "item",
        "id",
        pl.col("line_no") if "line_no" in rows.columns else pl.lit(None, dtype=pl.Int64).alias("line_no"),
        pl.concat_str(says, separator="; ", ignore_nulls=True).alias("counts_in"),
        (pl.sum_horizontal(amounts) if amounts else pl.lit(None, dtype=pl.Decimal(38, 10))).alias("amount"),
    )


def recount(counted: pl.DataFrame, explained: Explained) -> dict[str, Any]:
    """The published columns, counted again from what stands behind them."""
    is_in = {name: pl.col("counts_in").str.split("; ").list.contains(name) for name in explained.counts}
    counts = {name: counted.filter(condition).height for name, condition in is_in.items()}
    sums = {
        name: counted.filter(pl.col("counts_in").str.split("; ").list.contains(name))["amount"].sum()
        for name in explained.amounts
    }
    return counts | sums
