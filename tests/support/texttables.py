"""One SQL file run alone, on small text tables that hold only the columns that matter.

A text table has a line of column names, then a line for each row, cells apart by `|`; an empty cell, and a column left
out, is NULL. The types are those that the header of the file named like the table describes, for raw_ and ledger tables
those of the store's schema. A table left out is empty, a ref_ table as in production.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from difflib import ndiff
from functools import cache

import duckdb
import polars as pl

from pipeline.contract import vocabulary
from pipeline.store.database import _MACROS, _migrate, create_from_frame
from pipeline.store.references import reference_frames
from pipeline.store.sqlfiles import run_files, sql_files

AS_OF = "2031-02-14"
"""A Friday. 30-day windows are then mature up to 2031-01-01, 90-day ones up to 2030-11-02, 365-day ones up to
2030-01-31; the 364 days that end on it begin on 2030-02-16."""

CONTRACT = {
    "as_of": AS_OF,
    "timezone": "UTC",
    "adult_age": 18,
    "missing": "(missing)",
    "reporting_lag_days": 14,
    "rate_period_days": 364,
    "refund_days": 14,
    "onset_days": 90,
}
"""The parameters as the contract has them."""


@dataclass(frozen=True)
class TextTable:
    """A text table as read: its columns' names, and its rows with None for empty cells."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str | None, ...], ...]


def read_text_table(text: str) -> TextTable:
    """Read a text table. `ValueError` where a row has more or fewer cells than the first line has names."""
    lines = [_cells(line) for line in text.splitlines() if line.strip()]
    if not lines:
        raise ValueError("a text table needs a line of column names")
    columns, *rows = lines
    for row in rows:
        if len(row) != len(columns):
            raise ValueError(f"{len(row)} cells under {len(columns)} names: {' | '.join(row)}")
    return TextTable(tuple(columns), tuple(tuple(cell or None for cell in row) for row in rows))


def _cells(line: str) -> list[str]:
    """A line's cells; a single empty one is written as a lone `|`."""
    return [""] if line.strip() == "|" else [cell.strip() for cell in line.split("|")]


@cache
def _connection() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute("set TimeZone = 'UTC'")
    for macro in _MACROS:
        con.execute(macro)
    return con


@contextmanager
def empty_database() -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection in memory without any table, which reads times as the store's does.

    It is one for all of a process's tests, as opening one takes longer than most of them; what is made in it is undone.
    """
    con = _connection()
    con.execute("begin transaction")
    try:
        yield con
    finally:
        con.execute("rollback")


@cache
def _references() -> dict[str, pl.DataFrame]:
    return reference_frames(("lobe", "upper_cartilage")) | {
        "ref_watched": pl.DataFrame({"complication": list(vocabulary.WATCHED)}),
        "ref_followed": pl.DataFrame({"complication": list(vocabulary.FOLLOWED)}),
        "ref_causes": pl.DataFrame({"dimension": list(vocabulary.CAUSES)}),
    }


@cache
def column_types() -> dict[str, dict[str, str]]:
    """Every table a SQL file may read, with its columns and their types."""
    with duckdb.connect() as con:
        _migrate(con, 0, b"a key")
        for name, frame in _references().items():
            create_from_frame(con, name, frame, temporary=False)
        stored = con.execute("select table_name, column_name, data_type from duckdb_columns() where not internal")
        columns = stored.fetchall()
    types: dict[str, dict[str, str]] = {}
    for table, column, data_type in columns:
        types.setdefault(table, {})[column] = data_type
    described = {name: {column.name: column.type for column in file.columns} for name, file in sql_files().items()}
    return types | described


def make_table(con: duckdb.DuckDBPyConnection, name: str, table: TextTable, types: Mapping[str, str]) -> None:
    """Make a temporary table of these types and fill in a text table's rows."""
    unknown = set(table.columns) - set(types)
    if unknown:
        raise ValueError(f"{name} has no column {', '.join(sorted(unknown))}")
    con.execute(f"create temp table {name} ({', '.join(f'{column} {kind}' for column, kind in types.items())})")
    if table.rows:
        holders = ", ".join(f"cast(? as {types[column]})" for column in table.columns)
        con.executemany(f"insert into {name} ({', '.join(table.columns)}) values ({holders})", table.rows)


def make_reads(con: duckdb.DuckDBPyConnection, name: str, tables: Mapping[str, str]) -> None:
    """Make every table that a SQL file reads: from a text table, else as in production (ref_), else empty."""
    reads = sql_files()[name].reads
    if unread := set(tables) - set(reads):
        raise ValueError(f"{name} does not read {', '.join(sorted(unread))}")
    for read in reads:
        if read in tables:
            make_table(con, read, read_text_table(tables[read]), column_types()[read])
        elif read in _references():
            create_from_frame(con, read, _references()[read], temporary=True)
        else:
            make_table(con, read, TextTable((), ()), column_types()[read])


def make_result(con: duckdb.DuckDBPyConnection, name: str, params: Mapping[str, object]) -> None:
    """Run a SQL file over the tables that stand, into a temporary table of its name, as production does."""
    known: dict[str, object] = {**CONTRACT, **params}
    known["as_of"] = date.fromisoformat(str(known["as_of"]))
    run_files(con, [name], known)


def run_file(
    name: str,
    columns: tuple[str, ...],
    tables: Mapping[str, str],
    *,
    params: Mapping[str, object] | None = None,
    where: str = "true",
) -> list[tuple[str, ...]]:
    """Run a SQL file alone on text tables: these columns of its rows that meet the condition, as text, sorted."""
    with empty_database() as con:
        make_reads(con, name, tables)
        make_result(con, name, params or {})
        return _as_text(con, name, columns, where)


def check_file(
    name: str, *, gives: str, where: str = "true", params: Mapping[str, object] | None = None, **tables: str
) -> None:
    """Run a SQL file alone on text tables; its rows must be those of `gives`, in the columns that `gives` names.

    Of the file's rows only those count that meet the condition `where`. Their order does not matter, their number does.
    """
    expected = read_text_table(gives)
    with empty_database() as con:
        make_table(con, "expected", expected, column_types()[name])
        wanted = _as_text(con, "expected", expected.columns, "true")
    found = run_file(name, expected.columns, tables, params=params, where=where)
    assert Counter(found) == Counter(wanted), _difference(name, expected.columns, wanted, found)


def _as_text(con: duckdb.DuckDBPyConnection, table: str, columns: tuple[str, ...], where: str) -> list[tuple[str, ...]]:
    cells = ", ".join(f"coalesce(cast({column} as varchar), '')" for column in columns)
    return sorted(con.execute(f"select {cells} from {table} where {where}").fetchall())


def _difference(
    name: str, columns: tuple[str, ...], wanted: list[tuple[str, ...]], found: list[tuple[str, ...]]
) -> str:
    lines = ndiff([" | ".join(row) for row in wanted], [" | ".join(row) for row in found])
    return "\n".join([f"{name}: - expected, + found", f"  {' | '.join(columns)}", *lines])
