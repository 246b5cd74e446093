"""Read a table's files into the temporary table `incoming`: text rows with their file, line and part."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, TypeAlias

import duckdb
import polars as pl

from pipeline.contract.columns import Kind, Table
from pipeline.intake.arrivals import Arrival
from pipeline.intake.batches import Batch, batches, hash_clients, read_header, text_frame
from pipeline.intake.csvfile import Dialect, read_csv
from pipeline.intake.forgotten import Forgotten
from pipeline.intake.inbox import Export, KeptFile, check_unchanged, opened
from pipeline.intake.jsonlines import read_jsonlines
from pipeline.intake.mapping import as_declared
from pipeline.intake.parquet import read_parquet
from pipeline.intake.records import Records, Refused, UnreadableError
from pipeline.intake.xlsx import read_xlsx
from pipeline.store.database import insert_frame
from pipeline.store.originals import REFUSED, Originals

_TYPED = ("xlsx", "parquet")
"""Forms in which a date is a value of its own, which libraries write as a time at midnight."""
_MIDNIGHT = "T00:00:00$"

Rows: TypeAlias = tuple[pl.DataFrame, list[Refused]]
"""Rows of a file as text, and records of it that were refused before their values were looked at."""

_MOST_REFUSED = 500_000
"""Records of a file refused before their values are looked at: all are held until the files of a table are read."""
_FLUSH_RECORDS = 200_000
"""Records held before they are inserted: few inserts for many small files, little memory for a large one."""


@dataclass(frozen=True)
class Reading:
    """What reading a file gave: its rows, those refused before their values were looked at, and undeclared columns.

    `may_misfit` tells whether cells may bear the marks of broken and misfit values, `is_split` whether a record became
    several rows; `failure` is why the file could not be read at all.
    """

    arrival: Arrival
    n_rows: int = 0
    undeclared: tuple[str, ...] = ()
    refused: tuple[Refused, ...] = ()
    failure: UnreadableError | None = None
    is_split: bool = False

    @property
    def may_misfit(self) -> bool:
        """Whether the file's form or its source lets a cell be no value at all."""
        export = self.arrival.export
        return export.form != "csv" or export.mapping != ""


class _Incoming:
    """The temporary table `incoming`, filled in large inserts, from which a file can be taken back."""

    def __init__(self, con: duckdb.DuckDBPyConnection, table: Table) -> None:
        self._con = con
        self._pending: list[pl.DataFrame] = []
        columns = ", ".join(f"{name} varchar" for name in table.column_names)
        con.execute(f"create or replace temp table incoming (file_id bigint, line bigint, part smallint, {columns})")

    def add(self, file_id: int, frame: pl.DataFrame) -> None:
        if frame.is_empty():  # of records all refused an original knows no columns
            return
        self._pending.append(frame.with_columns(pl.lit(file_id, dtype=pl.Int64).alias("file_id")))
        if sum(frame.height for frame in self._pending) >= _FLUSH_RECORDS:
            self.flush()

    def take_back(self, file_id: int) -> None:
        self._pending = [frame.filter(pl.col("file_id") != file_id) for frame in self._pending]
        self._con.execute("delete from incoming where file_id = ?", [file_id])

    def flush(self) -> None:
        if self._pending:
            insert_frame(self._con, "incoming", pl.concat(self._pending))
            self._pending = []


@dataclass(frozen=True)
class Door:
    """What every row passes on its way in: clients are hashed, the forgotten refused, and the original is kept.

    Without `originals` nothing is kept, and files of the ledger cannot be read from there.
    """

    hash_text: Callable[[str], str]
    forgotten: Forgotten
    originals: Originals | None


def read_arrivals(con: duckdb.DuckDBPyConnection, table: Table, arrivals: list[Arrival], door: Door) -> list[Reading]:
    """Fill `incoming` with the rows to check of a table's files, and say what each file gave."""
    incoming = _Incoming(con, table)
    readings = []
    for arrival in arrivals:
        try:
            readings.append(_read_arrival(arrival, incoming, door))
        except UnreadableError as failure:
            incoming.take_back(arrival.file_id)
            readings.append(Reading(arrival, failure=failure))
        check_unchanged(arrival.export, arrival.stamp)
    incoming.flush()
    return readings


def _read_arrival(arrival: Arrival, incoming: _Incoming, door: Door) -> Reading:
    n_rows = 0
    is_split = False
    refused: list[Refused] = []
    with _rows_of(arrival.export, door) as (undeclared, rows), _keeping(arrival, door) as keep:
        for frame, refused_here in rows:
            keep(frame, refused_here)
            n_rows += frame.height + len(refused_here)
            refused += [one for one in refused_here if arrival.recheck is None or one.line in arrival.recheck]
            is_split = is_split or ("part" in frame.columns and bool((frame["part"] > 0).any()))
            if len(refused) > _MOST_REFUSED:
                raise UnreadableError("file.size", f"over {_MOST_REFUSED:,} of its records are not as the header is.")
            to_check = frame if arrival.recheck is None else _only(frame, arrival.recheck)
            incoming.add(arrival.file_id, to_check)
    return Reading(arrival, n_rows, undeclared, tuple(refused), is_split=is_split)


def _only(frame: pl.DataFrame, lines: frozenset[int]) -> pl.DataFrame:
    return frame.filter(pl.col("line").is_in(list(lines)))


@contextmanager
def _rows_of(export: Export, door: Door) -> Iterator[tuple[tuple[str, ...], Iterator[Rows]]]:
    """A file's undeclared columns and its rows; `UnreadableError` on the way where it cannot be read whole."""
    if export.kept:
        if export.kept.failure:
            raise UnreadableError(*export.kept.failure)
        yield export.kept.undeclared, _from_original(export, export.kept, door)
        return
    with opened(export) as file:
        records = records_of(file, export)
        header = read_header(records, export.table, export.source)
        yield header.undeclared, (_through(batch, export, door) for batch in batches(records, header))


def _through(batch: Batch, export: Export, door: Door) -> Rows:
    """A batch as the contract has it: clients hashed, the forgotten refused."""
    table = export.table
    frame = text_frame(batch.cells, table)
    if export.form in _TYPED:
        days = [column.name for column in table.columns if column.kind is Kind.DATE]
        frame = frame.with_columns(pl.col(days).str.replace(_MIDNIGHT, ""))
    frame = as_declared(frame, table, export.source)
    frame = hash_clients(frame, table, door.hash_text)
    is_forgotten = door.forgotten.is_theirs(frame, table)
    lines = frame.filter(is_forgotten)["line"].unique(maintain_order=True)
    forgotten = [Refused(line, "row.forgotten") for line in lines]
    return frame.filter(~is_forgotten), [*batch.refused, *forgotten]


def _from_original(export: Export, kept: KeptFile, door: Door) -> Iterator[Rows]:
    """A file's rows from its original."""
    if door.originals is None:
        raise ValueError("a file of the ledger is read from its original")
    for frame in door.originals.read(kept.sha256, export.table.name, kept.mapping):
        is_refused = pl.col("refused_rule").is_not_null()
        refused = frame.filter(is_refused).select("line", "refused_rule", "refused_detail").rows()
        rows = frame.filter(~is_refused).drop(*REFUSED)
        if not rows.is_empty():  # else the original may know no columns
            rows = rows.filter(~door.forgotten.is_theirs(rows, export.table))
        yield rows, [Refused(line, rule, detail) for line, rule, detail in refused]


@contextmanager
def _keeping(arrival: Arrival, door: Door) -> Iterator[Callable[[pl.DataFrame, list[Refused]], None]]:
    """Takes rows, and keeps them as the file's original when it is read whole, unless it is kept already."""
    export = arrival.export
    name = (arrival.sha256, export.table.name, export.mapping)
    if door.originals is None or export.kept or door.originals.parts(*name):
        yield lambda *_: None
        return
    adding = door.originals.adding(*name)

    def keep(frame: pl.DataFrame, refused: list[Refused]) -> None:
        marks = [pl.lit(None, dtype=dtype).alias(mark) for mark, dtype in REFUSED.items()]
        told = [(one.line, one.rule, one.detail) for one in refused]
        lines = pl.DataFrame(told, schema={"line": pl.Int64, **REFUSED}, orient="row")
        adding.add(pl.concat([frame.with_columns(marks), lines], how="diagonal"))

    try:
        yield keep
    except BaseException:
        adding.drop()
        raise
    adding.close()


def records_of(file: BinaryIO, export: Export) -> Records:
    """The records of an export by its form; `UnreadableError` before its end where it cannot be read whole."""
    source = export.source
    match export.form:
        case "csv":
            return read_csv(file, Dialect(source.encoding, source.delimiter, source.quote, source.skip_lines))
        case "xlsx":
            return read_xlsx(file, export.sheet or "")
        case "parquet":
            return read_parquet(file)
        case _:
            return read_jsonlines(file, "utf-8-sig" if source.encoding == "utf-8" else source.encoding)
