"""Lines of delivered files that never became a row: refused, with the rules they break, or the same as a row before.

Their values are in the originals. What a refused line says is not to be trusted, so of it only what the store knows is
shown: its branch where that is the figure's, its key where it is one of a record's.
"""

from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.receipts.left_out import SCHEMA, Place
from pipeline.store.database import fetch
from pipeline.store.originals import Originals
from pipeline.store.retention import EVENT_TIMES

_FILES = """
    select f.file_id, f.path as file, f.sha256, coalesce(c.mapping, f.mapping) as mapping
    from file f
    left join (select file_id, arg_max(mapping, run_id) as mapping from recheck group by file_id) c using (file_id)
    where f.table_name = $table and f.is_readable
    order by f.file_id
"""
_REFUSED = """
    select r.file_id, r.line,
      string_agg(r.rule || case when r.column_name = '' then '' else ' (' || r.column_name || ')' end, ', '
        order by r.column_name, r.rule) as detail
    from rejection r join file f using (file_id)
    where f.table_name = $table and r.line > 0
    group by r.file_id, r.line
"""


_SHAPE: dict[str, type[pl.DataType]] = {
    "line": pl.Int64,
    "id": pl.String,
    "line_no": pl.Int64,
    "branch_id": pl.String,
    "told_on": pl.Date,
}


@dataclass(frozen=True)
class Unkept:
    """Lines that never became a row, as `SCHEMA` of `left_out` has them; of how many refused the place is not known."""

    lines: pl.DataFrame
    n_unplaced: int


def find_unkept(
    con: duckdb.DuckDBPyConnection, originals: Originals, table: str, place: Place, keys: pl.DataFrame
) -> Unkept:
    """Lines of a table's files that stand at a place, or are of one of some records (`keys`, by `KEY`)."""
    read = _read(con, originals, table)
    refused = fetch(con, _REFUSED, {"table": table}).cast({"file_id": pl.Int64})
    rows = read.join(refused, on=["file_id", "line"], how="left", maintain_order="left")
    is_refused = pl.col("detail").is_not_null()
    own = keys.filter(pl.col("table_name") == table)
    known = own.select("id", "line_no", pl.lit(value=True).alias("is_known")).unique(["id", "line_no"])
    rows = rows.join(known, on=["id", "line_no"], how="left", nulls_equal=True, maintain_order="left").with_columns(
        pl.col("is_known").fill_null(value=False)
    )
    is_at = _is_at(place)
    found = rows.filter(pl.col("is_known") | (is_refused & is_at.fill_null(value=False)))
    is_own = pl.col("is_known")
    lines = found.select(
        pl.lit(table).alias("table_name"),
        pl.when(is_own).then("id").alias("id"),
        pl.when(is_own).then("line_no").alias("line_no"),
        pl.lit(None, dtype=pl.String).alias("visit_id"),
        pl.when(pl.col("branch_id") == pl.lit(place.branch, dtype=pl.String)).then("branch_id").alias("branch_id"),
        "told_on",
        pl.when(is_refused).then(pl.lit("rejected")).otherwise(pl.lit("duplicate")).alias("reason"),
        pl.col("detail").fill_null(""),
        "file",
        "line",
        "sha256",
    )
    n_unplaced = rows.filter(is_refused & ~is_own & is_at.is_null()).height
    return Unkept(lines.cast(SCHEMA), n_unplaced)


def _is_at(place: Place) -> pl.Expr:
    """Whether a refused line says to be at a place; null where nobody can tell."""
    is_then = pl.col("told_on").is_between(place.first_on, place.last_on)
    if not place.is_by_branch:
        return pl.when(~is_then).then(pl.lit(value=False))
    return is_then if place.branch is None else is_then & (pl.col("branch_id") == place.branch)


def _read(con: duckdb.DuckDBPyConnection, originals: Originals, table: str) -> pl.DataFrame:
    """Every line of a table's files that is no row of the store: file_id, file, sha256 and what `_SHAPE` has."""
    query = "select file_id, line, id, line_no from record_versions where table_name = $table"
    stored = fetch(con, query, {"table": table}).cast({"file_id": pl.Int64})
    kept: dict[tuple[str, str], pl.DataFrame] = {}
    found = []
    for file in fetch(con, _FILES, {"table": table}).iter_rows(named=True):
        name = (file["sha256"], file["mapping"])
        if name not in kept:
            parts = originals.read(name[0], table, name[1])
            kept[name] = pl.concat([pl.DataFrame(schema=_SHAPE), *(_plain(part, table) for part in parts)])
        marks = {"file_id": pl.lit(file["file_id"], pl.Int64), "file": pl.lit(file["file"]), "sha256": pl.lit(name[0])}
        found.append(kept[name].with_columns(**marks))
    if not found:
        return pl.DataFrame(schema={**_SHAPE, "file_id": pl.Int64, "file": pl.String, "sha256": pl.String})
    return pl.concat(found).join(stored, on=["file_id", "line", "id", "line_no"], how="anti", nulls_equal=True)


def _plain(part: pl.DataFrame, table: str) -> pl.DataFrame:
    """The lines of an original with what `_SHAPE` has; of one refused before its values could be told apart no more."""
    declared = TABLE_BY_NAME[table]
    missing = [pl.lit(None, dtype=pl.String).alias(name) for name in declared.column_names if name not in part.columns]
    key = pl.col(declared.key[0]).cast(pl.String).str.strip_chars()
    told = pl.col(EVENT_TIMES[table]).cast(pl.String).str.strip_chars().str.slice(0, 10)
    number = (pl.col("line_no") if table == "sales" else pl.lit(None)).cast(pl.String).str.strip_chars()
    return part.with_columns(missing).select(
        pl.col("line").cast(pl.Int64),
        key.alias("id"),
        number.str.extract(r"^(-?[0-9]+)(?:\.0+)?$").cast(pl.Int64, strict=False).alias("line_no"),
        pl.col("branch_id").cast(pl.String).str.strip_chars(),
        told.str.to_date("%Y-%m-%d", strict=False).alias("told_on"),
    )
