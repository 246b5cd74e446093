"""From records to frames of text: columns found by name, broken cells marked, clients hashed at once.

A frame of text has `line` and every column of the table: surrounding space removed, NULL where empty, lot and batch
numbers in upper case.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.contract.columns import BROKEN, Kind, Table
from pipeline.intake.pseudonyms import Pseudonyms
from pipeline.intake.records import Block, BrokenCell, NumberCell, Record, Records, Refused, UnreadableError
from pipeline.sources import Source

BATCH_RECORDS = 20_000
_BATCH_CHARACTERS = 16 << 20
"""Of text in a batch, about: records of long cells come in smaller batches."""
_NUMERIC = (Kind.WHOLE, Kind.DECIMAL, Kind.DATE, Kind.TIME)
"""Kinds that read a number, if only the serial number of a day."""


@dataclass(frozen=True)
class Header:
    """A file's header: where each declared column stands, how many fields there are, and undeclared names.

    `with_comma` names the columns in which the source writes a comma before decimals.
    """

    positions: dict[str, int]
    n_fields: int
    undeclared: tuple[str, ...]
    with_comma: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Batch:
    """Some records of a file: the declared columns of those that can be checked, and those refused at once."""

    cells: pl.DataFrame  # line and the declared columns the file has
    refused: tuple[Refused, ...]
    is_trim: bool = False  # as of a block


def match_header(names: list[str], table: Table, source: Source) -> Header:
    """Match a header with the contract by name, or by the name the source gives a column.

    `UnreadableError` where a required column is missing and no constant stands for it, or a declared one is twice.
    """
    names = [name.strip() for name in names]
    called = {column: source.columns.get(column, column) for column in table.column_names}
    missing = [
        called[column]
        for column in table.required_columns
        if called[column] not in names and column not in source.constants
    ]
    if missing:
        raise UnreadableError("file.column_missing", ", ".join(missing))
    twice = [name for name in called.values() if names.count(name) > 1]
    if twice:
        raise UnreadableError("file.column_twice", ", ".join(twice))
    undeclared = tuple(dict.fromkeys(name for name in names if name and name not in called.values()))
    positions = {column: names.index(name) for column, name in called.items() if name in names}
    numeric = [column.name for column in table.columns if column.kind in _NUMERIC]
    return Header(positions, len(names), undeclared, frozenset(numeric if source.decimal_mark == "," else ()))


def read_header(records: Records, table: Table, source: Source) -> Header:
    """Take the header off a file's records and match it; `UnreadableError` as `match_header`, or without a header."""
    first = next(records, None)
    if not isinstance(first, tuple):
        raise UnreadableError("file.header", "the file has no record.")
    return match_header(first[1], table, source)


def batches(records: Records, header: Header) -> Iterator[Batch]:
    """The records behind the header as frames, in their order."""
    waiting: list[Record | Refused] = []
    n_characters = 0
    for item in records:
        if isinstance(item, Block):
            if waiting:
                yield _gathered(waiting, header)
                waiting, n_characters = [], 0
            yield _of_block(item, header)
        else:
            waiting.append(item)
            n_characters += sum(map(len, item[1])) if isinstance(item, tuple) else 0
            if len(waiting) == BATCH_RECORDS or n_characters > _BATCH_CHARACTERS:
                yield _gathered(waiting, header)
                waiting, n_characters = [], 0
    if waiting:
        yield _gathered(waiting, header)


def _of_block(block: Block, header: Header) -> Batch:
    lines = pl.int_range(block.first_line, block.first_line + pl.len(), dtype=pl.Int64).alias("line")
    columns = [pl.col(str(at)).alias(name) for name, at in header.positions.items()]
    return Batch(block.cells.select(lines, *columns), (), block.is_trim)


def _gathered(items: list[Record | Refused], header: Header) -> Batch:
    """Records as a frame; those with more or fewer fields than the header are refused."""
    refused, lines, rows = [], [], []
    for item in items:
        if isinstance(item, Refused):
            refused.append(item)
        elif len(item[1]) != header.n_fields:
            refused.append(Refused(item[0], "row.fields", str(header.n_fields)))
        else:
            lines.append(item[0])
            rows.append(item[1])
    cells = list(zip(*rows, strict=True)) or [()] * header.n_fields  # turned on its side at once: a loop is slower
    columns = {
        name: pl.Series(_as_text(cells[at], with_comma=name in header.with_comma), dtype=pl.String)
        for name, at in header.positions.items()
    }
    return Batch(pl.DataFrame({"line": pl.Series(lines, dtype=pl.Int64)} | columns), tuple(refused))


def _as_text(cells: tuple[str, ...], *, with_comma: bool) -> tuple[str, ...]:
    """Cells in which the broken ones begin with the mark that the rules know, and numbers have their source's comma."""
    kinds = set(map(type, cells))
    if BrokenCell in kinds:
        cells = tuple(f"{BROKEN}{cell}" if isinstance(cell, BrokenCell) else cell for cell in cells)
    if with_comma and NumberCell in kinds:
        cells = tuple(cell.replace(".", ",") if isinstance(cell, NumberCell) else cell for cell in cells)
    return cells


def text_frame(batch: Batch, table: Table) -> pl.DataFrame:
    """A batch's cells as a frame of text; columns the file lacks are NULL, client keys still as they came."""
    cells = batch.cells
    present = [name for name in table.column_names if name in cells.columns]
    codes = [column.name for column in table.columns if column.kind is Kind.CODE and column.name in present]
    missing = [pl.lit(None, dtype=pl.String).alias(name) for name in table.column_names if name not in present]
    if not batch.is_trim:
        cells = cells.with_columns(pl.col(present).str.strip_chars().replace("", None))
    return cells.with_columns(pl.col(codes).str.to_uppercase(), *missing).select("line", *table.column_names)


def hash_clients(frame: pl.DataFrame, table: Table, pseudonyms: Pseudonyms) -> pl.DataFrame:
    """A frame of text with its client keys hashed; of a broken one only the mark stays."""
    names = [column.name for column in table.columns if column.kind is Kind.CLIENT]
    return frame.with_columns(pseudonyms.of_all(frame[name]).alias(name) for name in names)
