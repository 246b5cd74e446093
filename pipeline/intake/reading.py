"""Read a table's files into the temporary table `incoming`: text rows with their file, line and part."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO

import duckdb
import polars as pl

from pipeline.contract.columns import Table
from pipeline.intake.arrivals import Arrival
from pipeline.intake.batches import batches, hash_clients, read_header, text_frame
from pipeline.intake.csvfile import Dialect, read_csv
from pipeline.intake.inbox import Export, opened
from pipeline.intake.jsonlines import read_jsonlines
from pipeline.intake.mapping import as_declared
from pipeline.intake.parquet import read_parquet
from pipeline.intake.records import Records, Refused, UnreadableError
from pipeline.intake.xlsx import read_xlsx
from pipeline.store.database import insert_frame

_FLUSH_RECORDS = 200_000
"""Records held before they are inserted: few inserts for many small files, little memory for a large one."""


@dataclass(frozen=True)
class Reading:
    """What reading a file gave: its rows, those refused before their values were looked at, and undeclared columns.

    `may_misfit` tells whether cells may bear the marks of broken and misfit values, `is_split` whether a record may be
    several rows; `failure` is why the file could not be read at all.
    """

    arrival: Arrival
    n_rows: int = 0
    undeclared: tuple[str, ...] = ()
    refused: tuple[Refused, ...] = ()
    failure: UnreadableError | None = None

    @property
    def may_misfit(self) -> bool:
        """Whether the file's form or its source lets a cell be no value at all."""
        export = self.arrival.export
        return export.form != "csv" or export.mapping != ""

    @property
    def is_split(self) -> bool:
        """Whether a record may have become several rows."""
        return self.arrival.export.source.split is not None


class _Incoming:
    """The temporary table `incoming`, filled in large inserts, from which a file can be taken back."""

    def __init__(self, con: duckdb.DuckDBPyConnection, table: Table, hash_client: Callable[[str], str]) -> None:
        self._con = con
        self._table = table
        self._hash_client = hash_client
        self._pending: list[pl.DataFrame] = []
        columns = ", ".join(f"{name} varchar" for name in table.column_names)
        con.execute(f"create or replace temp table incoming (file_id bigint, line bigint, part smallint, {columns})")

    def add(self, file_id: int, frame: pl.DataFrame) -> None:
        self._pending.append(frame.with_columns(pl.lit(file_id, dtype=pl.Int64).alias("file_id")))
        if sum(frame.height for frame in self._pending) >= _FLUSH_RECORDS:
            self.flush()

    def take_back(self, file_id: int) -> None:
        self._pending = [frame.filter(pl.col("file_id") != file_id) for frame in self._pending]
        self._con.execute("delete from incoming where file_id = ?", [file_id])

    def flush(self) -> None:
        if self._pending:
            frame = hash_clients(pl.concat(self._pending, how="diagonal"), self._table, self._hash_client)
            insert_frame(self._con, "incoming", frame)
            self._pending = []


def read_arrivals(
    con: duckdb.DuckDBPyConnection, table: Table, arrivals: list[Arrival], hash_client: Callable[[str], str]
) -> list[Reading]:
    """Fill `incoming` with the rows to check of a table's files, and say what each file gave."""
    incoming = _Incoming(con, table, hash_client)
    readings = []
    for arrival in arrivals:
        try:
            readings.append(_read_arrival(arrival, incoming))
        except UnreadableError as failure:
            incoming.take_back(arrival.file_id)
            readings.append(Reading(arrival, failure=failure))
    incoming.flush()
    return readings


def _read_arrival(arrival: Arrival, incoming: _Incoming) -> Reading:
    export = arrival.export
    n_rows = 0
    refused: list[Refused] = []
    with opened(export) as file:
        records = records_of(file, export)
        header = read_header(records, export.table, export.source)
        for batch in batches(records, header):
            frame = text_frame(batch.cells, export.table)
            frame = as_declared(frame, export.table, export.source)
            n_rows += frame.height + len(batch.refused)
            refused += batch.refused
            if arrival.recheck is not None:
                frame = frame.filter(pl.col("line").is_in(list(arrival.recheck)))
            incoming.add(arrival.file_id, frame)
    return Reading(arrival, n_rows, header.undeclared, tuple(refused))


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
