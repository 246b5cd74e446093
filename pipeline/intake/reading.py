"""Read a table's files into the temporary table `incoming`: text rows with their file and line."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import duckdb
import polars as pl

from pipeline.contract.columns import Table
from pipeline.intake.arrivals import Arrival
from pipeline.intake.inbox import open_export
from pipeline.intake.readers import Batch, Header, UnreadableError, read_csv, text_frame
from pipeline.store.database import insert_frame

_FLUSH_RECORDS = 20_000
"""Records held before they are inserted: few inserts for many small files, little memory for a large one."""


@dataclass(frozen=True)
class Reading:
    """What reading a file gave.

    `misshapen` names the lines of records with a wrong number of fields, and how many the header has; `failure` is why
    the file could not be read at all.
    """

    arrival: Arrival
    n_records: int = 0
    undeclared: tuple[str, ...] = ()
    misshapen: tuple[tuple[int, int], ...] = ()
    failure: UnreadableError | None = None


class _Incoming:
    """The temporary table `incoming`, filled in large inserts, from which a file can be taken back."""

    def __init__(self, con: duckdb.DuckDBPyConnection, table: Table, hash_client: Callable[[str], str]) -> None:
        self._con = con
        self._table = table
        self._hash_client = hash_client
        self._pending: list[tuple[int, Batch]] = []
        columns = ", ".join(f"{name} varchar" for name in table.column_names)
        con.execute(f"create or replace temp table incoming (file_id bigint, line bigint, {columns})")

    def add(self, file_id: int, batch: Batch) -> None:
        self._pending.append((file_id, batch))
        if sum(len(batch.lines) for _, batch in self._pending) >= _FLUSH_RECORDS:
            self.flush()

    def take_back(self, file_id: int) -> None:
        self._pending = [(id_, batch) for id_, batch in self._pending if id_ != file_id]
        self._con.execute("delete from incoming where file_id = ?", [file_id])

    def flush(self) -> None:
        if self._pending:
            frame = text_frame([batch for _, batch in self._pending], self._table, self._hash_client)
            file_ids = [file_id for file_id, batch in self._pending for _ in batch.lines]
            insert_frame(self._con, "incoming", frame.with_columns(pl.Series("file_id", file_ids, dtype=pl.Int64)))
            self._pending = []


def read_arrivals(
    con: duckdb.DuckDBPyConnection, table: Table, arrivals: list[Arrival], hash_client: Callable[[str], str]
) -> list[Reading]:
    """Fill `incoming` with the records to check of a table's files, and say what each file gave."""
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
    n_records = 0
    misshapen: list[tuple[int, int]] = []
    with open_export(arrival.export) as file:
        header, batches = _open_reader(file, arrival)
        for batch in batches:
            n_records += len(batch.lines) + len(batch.misshapen)
            misshapen += [(line, header.n_fields) for line in batch.misshapen]
            incoming.add(arrival.file_id, batch if arrival.recheck is None else _only(batch, arrival.recheck))
    return Reading(arrival, n_records, header.undeclared, tuple(misshapen))


def _only(batch: Batch, lines: frozenset[int]) -> Batch:
    """A batch's records of some lines."""
    kept = [at for at, line in enumerate(batch.lines) if line in lines]
    columns = {name: tuple(cells[at] for at in kept) for name, cells in batch.columns.items()}
    return Batch([batch.lines[at] for at in kept], columns, batch.misshapen)


def _open_reader(file: BinaryIO, arrival: Arrival) -> tuple[Header, Iterator[Batch]]:
    export = arrival.export
    if export.form != "csv":
        raise UnreadableError("file.format", f"{export.form} files are not read.")
    return read_csv(file, export.table, gzipped=export.gzipped)
