"""Rows on their way from text to typed values: good ones enter their raw table, broken ones are named with their rules.

Frames of text are checked in large steps, so that their text is never held whole: few steps for many small files,
little memory for a large one. The database writes what one statement inserts to its file at once where that fills row
groups of its storage, and the rest at the commit: so steps are whole row groups.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.contract.checks import broken_query, future_query, read_query, recent_query
from pipeline.contract.columns import Table
from pipeline.intake.records import Refused
from pipeline.intake.zones import make_link_zones
from pipeline.store.database import insert_frame, registered

_BROKEN_RULE = {
    "file_id": pl.Int64,
    "line": pl.Int64,
    "column_name": pl.String,
    "rule": pl.String,
    "value_shape": pl.String,
    "detail": pl.String,
}
_ROW_GROUP = 122_880
"""Rows that the database stores together."""
_ENOUGH = 2 * _ROW_GROUP
"""Rows of a step: from two row groups on the database reads a frame with two threads."""
_NAMED_ROWS = 20_000
"""Rows whose broken rules are named at once: that takes their text many times in memory."""
_MOST_BYTES = 128 << 20
"""Of text that waits, about: rows of long cells go in smaller steps."""


@dataclass(frozen=True)
class Clock:
    """The run's clock in UTC without offset, the zone of branches that have none, and that of rows without a branch."""

    now: datetime
    zone: str
    unknown_zone: str


class Checking:
    """Checks the rows of one table's files, in the order given; a file can be taken back.

    Good rows are appended to the raw table, numbered (`seq`) from behind `after`, the highest number before: numbers of
    other rows stay unused. The temporary tables `broken_row` (seq, file_id, line) and `broken_rule`, with the columns
    of the table `rejection`, tell of the others. `may_misfit` tells whether cells may bear marks; `is_idle` that there
    is nothing else to do while the first rows are read, so that the first step is taken as soon as it can be.
    """

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        table: Table,
        run_id: int,
        clock: Clock,
        *,
        may_misfit: bool,
        is_idle: bool = False,
    ) -> None:
        self._con = con
        self._table = table
        self._enough = _ROW_GROUP if is_idle else _ENOUGH
        self._clock = clock
        self._raw = f"raw_{table.name}"
        self.after = int(con.execute(f"select coalesce(max(seq), 0) from {self._raw}").fetchall()[0][0])
        self._seq = self.after
        names = ", ".join(table.column_names)
        read = read_query(table, "text_rows", may_misfit=may_misfit)
        self._insert_good = f"""
            insert into {self._raw} (seq, run_id, file_id, line, {names})
            select seq, {run_id}, file_id, line, {names} from ({read}) where not is_broken
        """
        broken = broken_query(table, "broken_text", may_misfit=may_misfit)
        self._insert_rules = f"""
            insert into broken_rule
            select distinct file_id, line, column_name, rule, coalesce(value_shape, ''), '' from ({broken})
        """  # of the parts of one record the rules are the same
        self._wait()
        con.execute("create or replace temp table broken_row (seq bigint, file_id bigint, line bigint)")
        con.execute("create or replace temp table broken_rule as from rejection limit 0")

    def add(self, file_id: int, frame: pl.DataFrame) -> None:
        """Let a file's rows, a frame of text, be checked: at the next `flush`, or before it."""
        if frame.is_empty():  # of records all refused an original knows no columns
            return
        first = self._seq + 1
        self._seq += frame.height
        numbers = pl.int_range(first, self._seq + 1, dtype=pl.Int64).alias("seq")
        frame = frame.with_columns(numbers, pl.lit(file_id, dtype=pl.Int64).alias("file_id"))
        self._waiting.append(frame)
        self._n_waiting += frame.height
        self._n_bytes += int(frame.estimated_size())
        if self._n_bytes >= _MOST_BYTES:
            self.flush()
        elif self._n_waiting >= self._enough:
            self._check(self._enough)
            self._enough = _ENOUGH

    def _wait(self, *frames: pl.DataFrame) -> None:
        """Let these frames wait, and no others."""
        self._waiting = list(frames)
        self._n_waiting = sum(frame.height for frame in frames)
        self._n_bytes = sum(int(frame.estimated_size()) for frame in frames)

    def refuse(self, file_id: int, refused: list[Refused]) -> None:
        """Add the rules that whole records of a file break, or, at line 0, the file itself."""
        rows = [(file_id, one.line, "", one.rule, "", one.detail) for one in refused]
        if rows:
            insert_frame(self._con, "broken_rule", pl.DataFrame(rows, schema=_BROKEN_RULE, orient="row"))

    def take_back(self, file_id: int) -> None:
        """Forget a file's rows."""
        self._wait(*(frame.filter(pl.col("file_id") != file_id) for frame in self._waiting))
        self._con.execute(f"delete from {self._raw} where seq > {self.after} and file_id = ?", [file_id])
        for table in ("broken_row", "broken_rule"):
            self._con.execute(f"delete from {table} where file_id = ?", [file_id])

    def flush(self) -> None:
        """Check the rows that wait."""
        self._check(self._n_waiting)

    def _check(self, n_rows: int) -> None:
        """Check so many of the rows that wait: the good ones enter their table, the broken ones are named."""
        if not n_rows:
            return
        waiting = pl.concat(self._waiting, rechunk=False)
        while n_rows < waiting.height and waiting["part"][n_rows] > 1:
            n_rows += 1  # parts of one record stay together
        rows, later = waiting[:n_rows], waiting[n_rows:]
        self._wait(later)
        new = f"{self._raw} where seq >= {int(rows['seq'][0])}"
        with registered(self._con, "text_rows", rows):
            [(n_good,)] = self._execute(self._insert_good)
        if n_good - self._take_out_future(new) < rows.height:
            for part in rows.iter_slices(_NAMED_ROWS):
                self._name_broken(part, new)

    def _take_out_future(self, new: str) -> int:
        """Take those of the `new` rows out of their table again that lie in the future, and say how many these are.

        Only what lies days before the clock is past in every zone; few rows are younger, so only theirs are looked up.
        """
        if not any(column.past for column in self._table.columns):
            return 0
        self._execute(f"create or replace temp table recent as {recent_query(self._table, f'(from {new})')}")
        recent = f"(from {new} and seq in (from recent))"
        if not self._execute("select exists (from recent)")[0][0]:
            return 0
        self._know_zones(recent)
        [(n_future,)] = self._execute(f"delete from {new} and seq in ({future_query(self._table, recent)})")
        return int(n_future)

    def _know_zones(self, rows: str) -> None:
        """Make the tables known in which the zones of some rows are looked up."""
        if self._table.zoned_by_links:
            make_link_zones(self._con, self._clock.zone, rows)

    def _name_broken(self, rows: pl.DataFrame, new: str) -> None:
        """Name the broken ones of some rows, and the rules they break. Their good ones, `new`, are in their table.

        A record that became several rows is broken whole where one of them is.
        """
        with registered(self._con, "text_rows", rows):
            self._con.execute(
                f"create or replace temp table broken_text as from text_rows where seq not in (select seq from {new})"
            )
        self._con.execute("insert into broken_row select seq, file_id, line from broken_text")
        self._know_zones("broken_text")
        self._execute(self._insert_rules)
        self._con.execute("drop table temp.broken_text")
        if (rows["part"] > 0).any():
            beside = (
                f"select seq, file_id, line from {new} and (file_id, line) in (select file_id, line from broken_row)"
            )
            self._con.execute(f"insert into broken_row {beside}")
            self._con.execute(f"delete from {new} and seq in (select seq from broken_row)")

    def _execute(self, query: str) -> list[Any]:
        """Run a query. DuckDB refuses parameters that a query has not, and not every table has a date."""
        params = {"now": self._clock.now, "clock_zone": self._clock.unknown_zone}
        used = {name: value for name, value in params.items() if f"${name}" in query}
        return self._con.execute(query, used).fetchall()
