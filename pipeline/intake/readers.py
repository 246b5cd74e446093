"""Readers: an export's bytes become text rows with the line each began on, whatever their form.

A reader yields batches of good records, column by column, and the lines of records whose number of fields is wrong.
`text_frame` makes them a frame of text: surrounding space removed, NULL where empty, client keys hashed. A file that
cannot be read as a whole raises `UnreadableError`, and nothing of it counts.
"""

import csv
import gzip
import io
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain, islice
from typing import BinaryIO

import polars as pl

from pipeline.contract.columns import Kind, Table

BATCH_RECORDS = 20_000
_TEXT_LIMIT = 2 << 30
"""Characters of text a single file may unpack to."""
csv.field_size_limit(_TEXT_LIMIT)


class UnreadableError(Exception):
    """A file cannot be read at all: the `file.` rule it breaks and a detail for the remedy."""

    def __init__(self, rule: str, detail: str = "") -> None:
        super().__init__(rule, detail)
        self.rule = rule
        self.detail = detail


@dataclass(frozen=True)
class Header:
    """A file's header: where each declared column stands, how many fields there are, and undeclared names."""

    positions: dict[str, int]
    n_fields: int
    undeclared: tuple[str, ...]


@dataclass(frozen=True)
class Batch:
    """Some records of a file: lines and declared columns of the good ones, and lines with a wrong number of fields."""

    lines: list[int]
    columns: dict[str, tuple[str, ...]]
    misshapen: tuple[int, ...]


def read_header(names: list[str], table: Table) -> Header:
    """Match a header with the contract by name; `UnreadableError` where one is missing or twice."""
    names = [name.strip() for name in names]
    missing = [name for name in table.required_columns if name not in names]
    if missing:
        raise UnreadableError("file.column_missing", ", ".join(missing))
    twice = [name for name in table.column_names if names.count(name) > 1]
    if twice:
        raise UnreadableError("file.column_twice", ", ".join(twice))
    undeclared = tuple(dict.fromkeys(name for name in names if name and name not in table.column_names))
    positions = {name: names.index(name) for name in table.column_names if name in names}
    return Header(positions, len(names), undeclared)


def text_frame(batches: list[Batch], table: Table, hash_client: Callable[[str], str]) -> pl.DataFrame:
    """Batches as one frame of text: `line` and the table's columns, those a file lacks NULL.

    Surrounding space is removed, empty becomes NULL, lot and batch numbers are in upper case, client keys hashed.
    """
    frame = pl.DataFrame(
        {"line": pl.Series(chain.from_iterable(batch.lines for batch in batches), dtype=pl.Int64)}
        | {name: pl.Series(_cells(batches, name), dtype=pl.String) for name in table.column_names}
    )
    frame = frame.with_columns(pl.col(table.column_names).str.strip_chars().replace("", None))
    codes = [column.name for column in table.columns if column.kind is Kind.CODE]
    clients = [column.name for column in table.columns if column.kind is Kind.CLIENT]
    return frame.with_columns(pl.col(codes).str.to_uppercase()).with_columns(
        pl.Series(name, [None if key is None else hash_client(key) for key in frame[name]], dtype=pl.String)
        for name in clients
    )


def _cells(batches: list[Batch], name: str) -> list[str | None]:
    """A column's cells over several batches."""
    cells: list[str | None] = []
    for batch in batches:
        cells += batch.columns.get(name) or [None] * len(batch.lines)
    return cells


def read_csv(file: BinaryIO, table: Table, *, gzipped: bool) -> tuple[Header, Iterator[Batch]]:
    """Read CSV (RFC 4180, UTF-8, with or without a byte order mark), gzipped or not.

    Returns the header and an iterator of batches. Both may raise `UnreadableError`; the iterator must be run to its
    end before anything of the file counts.
    """
    records = _records(file, gzipped=gzipped)
    try:
        names = next(records)[1]
    except StopIteration:
        raise UnreadableError("file.header", "the file has no record.") from None
    header = read_header(names, table)
    return header, _batches(records, header)


class _Lines:
    """A text's lines and then one of our own, with the line given last and whether it was ours."""

    def __init__(self, text: Iterable[str]) -> None:
        self._text = text
        self.last = ""
        self.is_over = False

    def __iter__(self) -> Iterator[str]:
        size = 0
        for line in self._text:
            size += len(line)
            if size > _TEXT_LIMIT:
                raise UnreadableError("file.size", f"its text is over {_TEXT_LIMIT >> 20} MiB.")
            self.last = line
            yield line
        if size == 0:
            raise UnreadableError("file.empty")
        self.is_over = True
        yield "end"


@contextmanager
def _text_of(file: BinaryIO, *, gzipped: bool) -> Iterator[Iterable[str]]:
    """A file's lines of text; within, bad bytes and a broken container raise `UnreadableError`."""
    source = gzip.GzipFile(fileobj=file) if gzipped else file
    text = io.TextIOWrapper(source, encoding="utf-8-sig", newline="")
    try:
        yield text
    except UnicodeDecodeError as error:
        byte = error.object[error.start]
        raise UnreadableError("file.encoding", f"byte 0x{byte:02x} does not fit.") from None
    except (gzip.BadGzipFile, EOFError, zlib.error):
        raise UnreadableError("file.container", "its compression is broken or cut short.") from None
    finally:
        text.close()


def _records(file: BinaryIO, *, gzipped: bool) -> Iterator[tuple[int, list[str]]]:
    """Records with the line each began on, blank lines left out; `UnreadableError` where the file cannot be read whole.

    The line of our own behind the last comes back as a record that begins on it unless a quote stands open.
    """
    with _text_of(file, gzipped=gzipped) as text:
        lines = _Lines(text)
        reader = csv.reader(lines)
        begins = 1
        for record in reader:
            ends = reader.line_num
            if lines.is_over:
                if ends > begins:
                    raise UnreadableError("file.quote_open", str(begins))
                return
            if ends > begins or lines.last.strip():
                yield begins, record
            begins = ends + 1


def _batches(records: Iterator[tuple[int, list[str]]], header: Header) -> Iterator[Batch]:
    while chunk := list(islice(records, BATCH_RECORDS)):
        good = [pair for pair in chunk if len(pair[1]) == header.n_fields]
        lines, rows = zip(*good, strict=True) if good else ((), ())
        cells = list(zip(*rows, strict=True))  # turned on its side at once: a loop over columns is much slower
        yield Batch(
            lines=list(lines),
            columns={name: cells[at] for name, at in header.positions.items()} if cells else {},
            misshapen=tuple(line for line, record in chunk if len(record) != header.n_fields),
        )
