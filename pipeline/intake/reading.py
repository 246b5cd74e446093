"""Read files: their rows as frames of text with line and part, to be checked."""

from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, TypeAlias

import polars as pl

from pipeline.contract.columns import ID_LENGTH, ODD_IN_ID, PLAIN_TIME, Kind, Table
from pipeline.intake.arrivals import Arrival
from pipeline.intake.batches import Batch, batches, hash_clients, read_header, text_frame
from pipeline.intake.csvfile import Dialect, read_csv
from pipeline.intake.forgotten import Forgotten
from pipeline.intake.inbox import Export, KeptFile, check_unchanged, opened
from pipeline.intake.jsonlines import read_jsonlines
from pipeline.intake.mapping import as_declared
from pipeline.intake.parquet import read_parquet
from pipeline.intake.pseudonyms import Pseudonyms
from pipeline.intake.records import Records, Refused, UnreadableError
from pipeline.intake.xlsx import read_xlsx
from pipeline.store.originals import REFUSED, Originals

_TYPED = ("xlsx", "parquet")
"""Forms in which a date is a value of its own, which libraries write as a time at midnight."""
_MIDNIGHT = "T00:00:00$"

Rows: TypeAlias = tuple[pl.DataFrame, list[Refused]]
"""Rows of a file as text, and records of it that were refused before their values were looked at."""


@dataclass(frozen=True)
class Piece:
    """Some rows of a file to check, and some records refused before their values were looked at."""

    file_id: int
    frame: pl.DataFrame
    refused: list[Refused]


@dataclass(frozen=True)
class Reading:
    """What reading a file gave: how many rows, and which columns that are not declared.

    `failure` is why it could not be read at all.
    """

    arrival: Arrival
    n_rows: int = 0
    undeclared: tuple[str, ...] = ()
    failure: UnreadableError | None = None


@dataclass(frozen=True)
class Door:
    """What every row passes on its way in: clients are hashed, the forgotten refused, and the original is kept.

    Without `originals` nothing is kept, and files of the ledger cannot be read from there.
    """

    pseudonyms: Pseudonyms
    forgotten: Forgotten
    originals: Originals | None


def read_arrivals(arrivals: list[Arrival], door: Door) -> Generator[Piece | Reading, None, None]:
    """Read files one after another: the pieces of each that are to be checked, then what it gave.

    Nothing of a file counts before that, and nothing at all of one that could not be read whole.
    """
    for arrival in arrivals:
        try:
            reading = yield from _read_arrival(arrival, door)
        except UnreadableError as failure:
            reading = Reading(arrival, failure=failure)
        check_unchanged(arrival.export, arrival.stamp)
        yield reading


def _read_arrival(arrival: Arrival, door: Door) -> Generator[Piece, None, Reading]:
    n_rows = 0
    with _rows_of(arrival.export, door) as (undeclared, rows), _keeping(arrival, door) as keep:
        for frame, refused in rows:
            keep(frame, refused)
            n_rows += frame.height + len(refused)
            yield _piece(arrival, frame, refused)
    return Reading(arrival, n_rows, undeclared)


def _piece(arrival: Arrival, frame: pl.DataFrame, refused: list[Refused]) -> Piece:
    """What of some rows is to be checked: all, or the lines that stood rejected before."""
    if arrival.recheck is not None:
        refused = [one for one in refused if one.line in arrival.recheck]
        frame = frame.filter(pl.col("line").is_in(list(arrival.recheck)))
    return Piece(arrival.file_id, _looked_at(frame, arrival.export.table), refused)


def _looked_at(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """The frame with `ids_are_sound` and `times_are_plain`, of all its rows alike: whether all their ids and times are.

    Nearly always they are; then the rules need not look at each row's.
    """
    if frame.is_empty():  # of records all refused an original knows no columns
        return frame
    ids, times = (
        pl.col([column.name for column in table.columns if column.kind in kinds])
        for kinds in ((Kind.ID, Kind.CODE), (Kind.TIME,))
    )
    is_odd = pl.any_horizontal(ids.str.contains(ODD_IN_ID).any(), (ids.str.len_chars() > ID_LENGTH).any())
    return frame.with_columns(
        ids_are_sound=~is_odd, times_are_plain=pl.all_horizontal(times.str.contains(PLAIN_TIME).all(), pl.lit(True))
    )


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
    frame = text_frame(batch, table)
    if export.form in _TYPED:
        days = [column.name for column in table.columns if column.kind is Kind.DATE]
        frame = frame.with_columns(pl.col(days).str.replace(_MIDNIGHT, ""))
    frame = as_declared(frame, table, export.source)
    frame = hash_clients(frame, table, door.pseudonyms)
    is_forgotten = door.forgotten.is_theirs(frame, table)
    if not is_forgotten.any():
        return frame, list(batch.refused)
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
        adding.add(frame)
        if refused:
            told = [(one.line, one.rule, one.detail) for one in refused]
            adding.add(pl.DataFrame(told, schema={"line": pl.Int64, **REFUSED}, orient="row"))

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
            return read_xlsx(file, export.sheet or "", source.skip_lines)
        case "parquet":
            return read_parquet(file)
        case _:
            return read_jsonlines(file, "utf-8-sig" if source.encoding == "utf-8" else source.encoding)
