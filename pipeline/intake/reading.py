"""Read a table's files: their rows go to be checked as frames of text with line and part."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, TypeAlias

import polars as pl

from pipeline.contract.columns import Kind
from pipeline.intake.arrivals import Arrival
from pipeline.intake.batches import Batch, batches, hash_clients, read_header, text_frame
from pipeline.intake.checking import Checking
from pipeline.intake.csvfile import Dialect, read_csv
from pipeline.intake.forgotten import Forgotten
from pipeline.intake.inbox import Export, KeptFile, check_unchanged, opened
from pipeline.intake.jsonlines import read_jsonlines
from pipeline.intake.mapping import as_declared
from pipeline.intake.parquet import read_parquet
from pipeline.intake.records import Records, Refused, UnreadableError
from pipeline.intake.xlsx import read_xlsx
from pipeline.store.originals import REFUSED, Originals

_TYPED = ("xlsx", "parquet")
"""Forms in which a date is a value of its own, which libraries write as a time at midnight."""
_MIDNIGHT = "T00:00:00$"

Rows: TypeAlias = tuple[pl.DataFrame, list[Refused]]
"""Rows of a file as text, and records of it that were refused before their values were looked at."""


@dataclass(frozen=True)
class Reading:
    """What reading a file gave: how many rows, and how many of them were refused before their values were looked at.

    `is_split` tells whether a record became several rows; `failure` is why the file could not be read at all.
    """

    arrival: Arrival
    n_rows: int = 0
    undeclared: tuple[str, ...] = ()
    n_refused: int = 0
    failure: UnreadableError | None = None
    is_split: bool = False


@dataclass(frozen=True)
class Door:
    """What every row passes on its way in: clients are hashed, the forgotten refused, and the original is kept.

    Without `originals` nothing is kept, and files of the ledger cannot be read from there.
    """

    hash_text: Callable[[str], str]
    forgotten: Forgotten
    originals: Originals | None


def read_arrivals(arrivals: list[Arrival], door: Door, checking: Checking) -> list[Reading]:
    """Have the rows of a table's files checked, and say what each file gave."""
    readings = []
    for arrival in arrivals:
        try:
            readings.append(_read_arrival(arrival, checking, door))
        except UnreadableError as failure:
            checking.take_back(arrival.file_id)
            checking.refuse([(arrival.file_id, 0, failure.rule, failure.detail)])
            readings.append(Reading(arrival, failure=failure))
        check_unchanged(arrival.export, arrival.stamp)
    checking.flush()
    return readings


def _read_arrival(arrival: Arrival, checking: Checking, door: Door) -> Reading:
    n_rows = n_refused = 0
    is_split = False
    with _rows_of(arrival.export, door) as (undeclared, rows), _keeping(arrival, door) as keep:
        for frame, refused in rows:
            keep(frame, refused)
            n_rows += frame.height + len(refused)
            is_split = is_split or ("part" in frame.columns and bool((frame["part"] > 0).any()))
            to_refuse = [one for one in refused if arrival.recheck is None or one.line in arrival.recheck]
            checking.refuse([(arrival.file_id, one.line, one.rule, one.detail) for one in to_refuse])
            n_refused += len(to_refuse)
            checking.add(arrival.file_id, frame if arrival.recheck is None else _only(frame, arrival.recheck))
    return Reading(arrival, n_rows, undeclared, n_refused, is_split=is_split)


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
