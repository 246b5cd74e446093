"""Files of an inbox: which are opened, and their bytes as records."""

import csv
import gzip
import hashlib
import io
import os
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from .words import TABLES

FORMATS = (".csv", ".xlsx", ".parquet", ".jsonl")
END = "\x00end of file\x00"


class UnreadableError(Exception):
    """A file that cannot be read at all; the only argument is the rule's name."""


@dataclass(frozen=True)
class Delivery:
    """One file of the inbox: its path relative to the inbox, its table, its bytes."""

    file: str
    table: str
    content: bytes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()


@dataclass(frozen=True)
class Record:
    """One record: the line it begins on, and its fields as written."""

    line: int
    fields: list[str]


def deliveries(inbox: Path) -> list[Delivery]:
    """Give the files of known tables below the inbox, in path order by code point."""
    found = []
    for path in plain_files(inbox):
        table = table_of(path.name)
        if table is not None and format_of(path.name) in FORMATS:
            found.append(Delivery(path.relative_to(inbox).as_posix(), table, path.read_bytes()))
    return sorted(found, key=lambda delivery: delivery.file)


def plain_files(folder: Path) -> Iterator[Path]:
    """Walk real folders and real files; links, pipes and names that start with `.` or `~` are passed over."""
    for root, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if name[0] not in ".~"]
        for name in names:
            path = Path(root) / name
            if name[0] not in ".~" and path.is_file() and not path.is_symlink():
                yield path


def table_of(name: str) -> str | None:
    for table in TABLES:
        if name.startswith(table) and name[len(table) : len(table) + 1] in ("_", "-", "."):
            return table
    return None


def format_of(name: str) -> str:
    return Path(name.removesuffix(".gz")).suffix


def read_records(delivery: Delivery) -> tuple[list[str], list[Record]]:
    """Give a file's header, stripped, and its records; raises UnreadableError."""
    if format_of(delivery.file) != ".csv":
        raise UnreadableError("file.format")
    records = split_records(decode(delivery))
    if not records:
        raise UnreadableError("file.header")
    header = [name.strip() for name in records[0].fields]
    table = TABLES[delivery.table]
    if any(header.count(column) > 1 for column in table.columns):
        raise UnreadableError("file.column_twice")
    if any(column not in header for column in table.required):
        raise UnreadableError("file.column_missing")
    return header, records[1:]


def decode(delivery: Delivery) -> str:
    content = delivery.content
    if not content:
        raise UnreadableError("file.empty")
    if delivery.file.endswith(".gz"):
        try:
            content = gzip.decompress(content)
        except (OSError, EOFError, zlib.error):
            raise UnreadableError("file.container") from None
        if not content:
            raise UnreadableError("file.empty")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableError("file.encoding") from None


def split_records(text: str) -> list[Record]:
    """Split CSV text into records, without blank lines; raises UnreadableError where a quote never closes.

    A line of our own is put behind the text: where it does not come back as a record of its own, a quote has
    swallowed it.
    """
    csv.field_size_limit(2**31 - 1)
    closed = text if text.endswith(("\n", "\r")) or not text else text + "\n"
    lines = list(io.StringIO(closed + END, newline=""))
    reader = csv.reader(iter(lines))
    records = []
    before = 0
    for fields in reader:
        blank = reader.line_num == before + 1 and not lines[before].strip()
        if not blank:
            records.append(Record(before + 1, fields))
        before = reader.line_num
    if records.pop().fields != [END]:
        raise UnreadableError("file.quote_open")
    return records
