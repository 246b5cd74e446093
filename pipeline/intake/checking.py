"""Rows on their way from text to typed values: `read_rows`, and the rules they break, `broken_rule`.

Frames of text are checked in large steps, so that their text is never held whole: few steps for many small files,
little memory for a large one.
"""

from typing import Any

import duckdb
import polars as pl

from pipeline.contract.checks import broken_query, read_query
from pipeline.contract.columns import Table
from pipeline.store.database import insert_frame, registered

_BROKEN_RULE = {
    "file_id": pl.Int64,
    "line": pl.Int64,
    "column_name": pl.String,
    "rule": pl.String,
    "value_shape": pl.String,
    "detail": pl.String,
}
_STEP_ROWS = 200_000


class Checking:
    """The temporary tables `read_rows` and `broken_rule` of one table's files, from which a file can be taken back.

    `read_rows` has file_id, line, part, the declared columns as read, and is_broken; `broken_rule` what the store's
    table `rejection` has. `params` are those of `read_query`; `may_misfit` tells whether cells may bear marks.
    """

    def __init__(
        self, con: duckdb.DuckDBPyConnection, table: Table, params: dict[str, Any], *, may_misfit: bool
    ) -> None:
        self._con = con
        self._read = read_query(table, "text_rows", may_misfit=may_misfit)
        broken = "(select t.* from text_rows t semi join (from read_rows where is_broken) using (file_id, line, part))"
        self._broken = broken_query(table, broken, may_misfit=may_misfit)
        self._params = params
        self._waiting: list[pl.DataFrame] = []
        self._n_broken = 0
        columns = ", ".join(f"{column.name} {column.sql_type}" for column in table.columns)
        con.execute(
            "create or replace temp table read_rows"
            f" (file_id bigint, line bigint, part smallint, {columns}, is_broken boolean)"
        )
        con.execute("create or replace temp table broken_rule as from rejection limit 0")

    def add(self, file_id: int, frame: pl.DataFrame) -> None:
        """Let a file's rows, a frame of text, be checked: at the next `flush`, or before it."""
        if frame.is_empty():  # of records all refused an original knows no columns
            return
        self._waiting.append(frame.with_columns(pl.lit(file_id, dtype=pl.Int64).alias("file_id")))
        if sum(frame.height for frame in self._waiting) >= _STEP_ROWS:
            self.flush()

    def take_back(self, file_id: int) -> None:
        """Forget a file's rows."""
        self._waiting = [frame.filter(pl.col("file_id") != file_id) for frame in self._waiting]
        for table in ("read_rows", "broken_rule"):
            self._con.execute(f"delete from {table} where file_id = ?", [file_id])
        self._n_broken = self._count_broken()

    def refuse(self, refusals: list[tuple[int, int, str, str]]) -> None:
        """Add broken rules of whole records and files: file_id, line, rule, detail."""
        rows = [(file_id, line, "", rule, "", detail) for file_id, line, rule, detail in refusals]
        if rows:
            insert_frame(self._con, "broken_rule", pl.DataFrame(rows, schema=_BROKEN_RULE, orient="row"))

    def flush(self) -> None:
        """Check the rows that wait."""
        if not self._waiting:
            return
        rows = pl.concat(self._waiting)
        self._waiting = []
        with registered(self._con, "text_rows", rows):
            self._insert("read_rows", self._read)
            n_broken = self._count_broken()
            if n_broken > self._n_broken:
                columns = "file_id, line, column_name, rule, coalesce(value_shape, ''), ''"
                self._insert("broken_rule", f"select distinct {columns} from ({self._broken})")  # of all parts once
        self._n_broken = n_broken

    def _count_broken(self) -> int:
        return int(self._con.execute("select count(*) from read_rows where is_broken").fetchall()[0][0])

    def _insert(self, table: str, query: str) -> None:
        """Insert a query's rows. DuckDB refuses parameters that a query has not, and not every table has a date."""
        used = {name: value for name, value in self._params.items() if f"${name}" in query}
        self._con.execute(f"insert into {table} {query}", used)
