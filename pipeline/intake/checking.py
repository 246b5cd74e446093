"""Rows on their way from text to typed values: good ones enter their raw table, broken ones are named with their rules.

Frames of text are checked in large steps, so that their text is never held whole: few steps for many small files,
little memory for a large one.
"""

from typing import Any

import duckdb
import polars as pl

from pipeline.contract.checks import broken_query, read_query
from pipeline.contract.columns import Table
from pipeline.intake.records import Refused
from pipeline.store.database import create_from_frame, insert_frame

_BROKEN_RULE = {
    "file_id": pl.Int64,
    "line": pl.Int64,
    "column_name": pl.String,
    "rule": pl.String,
    "value_shape": pl.String,
    "detail": pl.String,
}
_STEP_ROWS = 100_000


class Checking:
    """Checks the rows of one table's files, in the order given; a file can be taken back.

    Good rows are appended to the raw table, numbered (`seq`) from behind `after`, the highest number before: numbers of
    other rows stay unused. The temporary tables `broken_row` (seq, file_id, line) and `broken_rule`, with the columns
    of the table `rejection`, tell of the others. `params` are those of `read_query`; `may_misfit` tells whether cells
    may bear marks.
    """

    def __init__(
        self, con: duckdb.DuckDBPyConnection, table: Table, run_id: int, params: dict[str, Any], *, may_misfit: bool
    ) -> None:
        self._con = con
        self._raw = f"raw_{table.name}"
        self.after = int(con.execute(f"select coalesce(max(seq), 0) from {self._raw}").fetchall()[0][0])
        self._seq = self.after
        names = ", ".join(table.column_names)
        read = read_query(table, "text_rows", may_misfit=may_misfit)
        self._insert_good = f"""
            insert into {self._raw} (seq, run_id, file_id, line, {names})
            select seq, {run_id}, file_id, line, {names} from ({read}) where not is_broken
        """
        broken = broken_query(table, "(from text_rows semi join broken_row using (seq))", may_misfit=may_misfit)
        self._insert_rules = f"""
            insert into broken_rule
            select distinct file_id, line, column_name, rule, coalesce(value_shape, ''), '' from ({broken})
        """  # of the parts of one record the rules are the same
        self._params = params
        self._waiting: list[pl.DataFrame] = []
        con.execute("create or replace temp table broken_row (seq bigint, file_id bigint, line bigint)")
        con.execute("create or replace temp table broken_rule as from rejection limit 0")

    def add(self, file_id: int, frame: pl.DataFrame) -> None:
        """Let a file's rows, a frame of text, be checked: at the next `flush`, or before it."""
        if frame.is_empty():  # of records all refused an original knows no columns
            return
        first = self._seq + 1
        self._seq += frame.height
        numbers = pl.int_range(first, self._seq + 1, dtype=pl.Int64).alias("seq")
        self._waiting.append(frame.with_columns(numbers, pl.lit(file_id, dtype=pl.Int64).alias("file_id")))
        if sum(frame.height for frame in self._waiting) >= _STEP_ROWS:
            self.flush()

    def refuse(self, file_id: int, refused: list[Refused]) -> None:
        """Add the rules that whole records of a file break, or, at line 0, the file itself."""
        rows = [(file_id, one.line, "", one.rule, "", one.detail) for one in refused]
        if rows:
            insert_frame(self._con, "broken_rule", pl.DataFrame(rows, schema=_BROKEN_RULE, orient="row"))

    def take_back(self, file_id: int) -> None:
        """Forget a file's rows."""
        self._waiting = [frame.filter(pl.col("file_id") != file_id) for frame in self._waiting]
        self._con.execute(f"delete from {self._raw} where seq > {self.after} and file_id = ?", [file_id])
        for table in ("broken_row", "broken_rule"):
            self._con.execute(f"delete from {table} where file_id = ?", [file_id])

    def flush(self) -> None:
        """Check the rows that wait."""
        waiting, self._waiting = self._waiting, []
        rows = pl.concat(waiting) if waiting else pl.DataFrame()
        if rows.is_empty():
            return
        create_from_frame(self._con, "text_rows", rows, temporary=True)  # which, unlike a frame, both cores read
        [(n_good,)] = self._execute(self._insert_good)
        if n_good < rows.height:
            self._name_broken(int(rows["seq"].min()), is_split=bool((rows["part"] > 0).any()))  # type: ignore[arg-type]

    def _name_broken(self, first: int, *, is_split: bool) -> None:
        """Name the broken rows of a step, whose numbers begin at `first`, and the rules they break.

        A record that became several rows is broken whole where one of them is.
        """
        new = f"{self._raw} where seq >= {first}"
        self._con.execute(
            f"insert into broken_row select seq, file_id, line from text_rows where seq not in (select seq from {new})"
        )
        self._execute(self._insert_rules)
        if is_split:
            beside = (
                f"select seq, file_id, line from {new} and (file_id, line) in (select file_id, line from broken_row)"
            )
            self._con.execute(f"insert into broken_row {beside}")
            self._con.execute(f"delete from {new} and seq in (select seq from broken_row)")

    def _execute(self, query: str) -> list[Any]:
        """Run a query. DuckDB refuses parameters that a query has not, and not every table has a date."""
        used = {name: value for name, value in self._params.items() if f"${name}" in query}
        return self._con.execute(query, used).fetchall()
