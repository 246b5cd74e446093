"""The inbox: which files lie in it, which tables each holds and by which source, and the fingerprint of its bytes."""

import gzip
import hashlib
import os
import stat
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from pipeline.errors import UsageError, UserError
from pipeline.intake.records import UnreadableError
from pipeline.intake.xlsx import sheet_names
from pipeline.settings import Settings, source_for
from pipeline.sources import Source

_FORMATS = ("csv", "xlsx", "parquet", "jsonl")
_CHUNK = 1 << 20
_IN_MEMORY = 32 << 20
"""Bytes of an unpacked file that are held in memory before they go to a file without a name."""
_MOST_UNPACKED = 2 << 30
PLAIN_SOURCE = Source()
PLAIN_SETTINGS = Settings()


@dataclass(frozen=True)
class Export:
    """A file of the inbox that is an export of a table, or a sheet of one that holds several.

    `name` is its path relative to the inbox, with slashes; `form` csv, xlsx, parquet or jsonl.
    """

    path: Path
    name: str
    table: Table
    form: str
    gzipped: bool
    source: Source = PLAIN_SOURCE
    sheet: str | None = None
    kept: "KeptFile | None" = None

    @property
    def mapping(self) -> str:
        """A name for how the file is read: empty for the plain case, else a digest of what its source declares."""
        if self.kept:
            return self.kept.mapping
        declared = self.source.model_dump_json(exclude={"files", "table", "sheet"}, exclude_defaults=True)
        if declared == "{}" and self.sheet is None:
            return ""
        return hashlib.sha256(f"{declared}\n{self.sheet}".encode()).hexdigest()[:16]


@dataclass(frozen=True)
class KeptFile:
    """What the ledger tells of a file that is read from its original: its undeclared columns, or its failure."""

    sha256: str
    size: int
    mapping: str
    undeclared: tuple[str, ...]
    failure: tuple[str, str] | None  # the rule it broke, and the detail


@dataclass(frozen=True)
class Inbox:
    """What lies in an inbox: its exports in path order, and the files of no table, which are passed over."""

    exports: tuple[Export, ...]
    strangers: tuple[Path, ...] = ()


Stamp = tuple[int, int, int]
"""A file's inode, size and time of change in nanoseconds: what tells that it was written to meanwhile."""


def table_of(name: str) -> Table | None:
    """The table a file is of: its name up to the first `_`, `-` or `.` after the table's name."""
    for table in TABLES:
        if name.startswith(table.name) and name[len(table.name) : len(table.name) + 1] in ("_", "-", "."):
            return table
    return None


def form_of(name: str) -> tuple[str, bool] | None:
    """A file's form and whether it is gzipped, by its endings; None where it is no form of an export."""
    plain = name.removesuffix(".gz")
    form = plain.rpartition(".")[2]
    return (form, plain != name) if form in _FORMATS and "." in plain else None


def look_into(folder: Path, settings: Settings = PLAIN_SETTINGS) -> Inbox:
    """Find a folder's exports, in order of their path by code point; of a workbook, a sheet for each table.

    Links, pipes and names that start with `.` or `~` are not opened. `UsageError` where the folder is missing, no
    folder, or cannot be read.
    """
    exports: list[Export] = []
    strangers: list[Path] = []
    pending = [folder]
    while pending:
        here = pending.pop()
        try:
            entries = list(os.scandir(here))
        except OSError as error:
            raise UsageError(
                f"The inbox {here} cannot be read: {error.strerror}.", remedy="Name the folder that holds the exports."
            ) from None
        for entry in entries:
            if entry.name.startswith((".", "~")) or entry.is_symlink():
                continue
            if entry.is_dir(follow_symlinks=False):
                pending.append(Path(entry.path))
            elif entry.is_file(follow_symlinks=False):
                found = exports_of(Path(entry.path), folder, settings)
                exports += found
                strangers += [] if found else [Path(entry.path)]
    return Inbox(tuple(sorted(exports, key=lambda export: (export.name, export.table.name))), tuple(sorted(strangers)))


def exports_of(path: Path, folder: Path, settings: Settings) -> list[Export]:
    """What a file of a folder holds: one export, several where it is a workbook, none where it is of no table."""
    form = form_of(path.name)
    if form is None:
        return []
    name = os.fsencode(path.relative_to(folder).as_posix()).decode("utf-8", "backslashreplace")
    source = source_for(settings, name)
    table = TABLE_BY_NAME[source.table] if source.table else table_of(path.name)
    if form[0] == "xlsx":
        return _sheets_of(path, name, table, form[1], source)
    return [Export(path, name, table, *form, source)] if table else []


def _sheets_of(path: Path, name: str, table: Table | None, gzipped: bool, source: Source) -> list[Export]:
    """The sheets named like tables; a sheet the source names, or a single one, is of the file's own table."""
    file_itself = [Export(path, name, table, "xlsx", gzipped, source, source.sheet)] if table else []
    if source.sheet is not None:
        return file_itself
    try:
        with opened(Export(path, name, TABLES[0], "xlsx", gzipped)) as file:
            sheets = sheet_names(file)
    except UnreadableError:
        return file_itself  # reading it will say why
    named = [
        (sheet, TABLE_BY_NAME[sheet.strip().lower()]) for sheet in sheets if sheet.strip().lower() in TABLE_BY_NAME
    ]
    if not named and table:
        named = [(sheets[0], table)] if len(sheets) == 1 else [("", table)]
    return [Export(path, name, its, "xlsx", gzipped, source, sheet) for sheet, its in named]


def open_file(path: Path, name: str) -> BinaryIO:
    """Open a file for reading, without following a link that took its place meanwhile; `name` is for messages.

    `UserError` where it cannot be opened: the run ends before anything is changed.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        raise UserError(
            f"{name} cannot be opened: {error.strerror}.", remedy="Put it right or take it out of the inbox."
        ) from None
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise UserError(f"{name} is no longer a file.", remedy="Take it out of the inbox.")
    return os.fdopen(handle, "rb")


@contextmanager
def opened(export: Export) -> Iterator[BinaryIO]:
    """An export's bytes, unpacked if it is compressed; all but CSV can be read from any place.

    `UnreadableError` where it does not unpack, or to more than a file may hold; `UserError` as `open_file`.
    """
    with open_file(export.path, export.name) as file:
        if not export.gzipped:
            yield file
        elif export.form == "csv":
            with gzip.GzipFile(fileobj=file) as unpacked:
                yield cast("BinaryIO", unpacked)
        else:
            with tempfile.SpooledTemporaryFile(_IN_MEMORY) as copy:
                _unpack(file, cast("BinaryIO", copy))
                yield cast("BinaryIO", copy)


def _unpack(file: BinaryIO, copy: BinaryIO) -> None:
    try:
        with gzip.GzipFile(fileobj=file) as unpacked:
            while chunk := unpacked.read(_CHUNK):
                copy.write(chunk)
                if copy.tell() > _MOST_UNPACKED:
                    raise UnreadableError("file.size", f"it unpacks to over {_MOST_UNPACKED >> 20} MiB.")
    except (gzip.BadGzipFile, EOFError, zlib.error):
        raise UnreadableError("file.container", "its compression is broken or cut short.") from None
    copy.seek(0)


def fingerprint(export: Export) -> tuple[str, int, Stamp]:
    """SHA-256 of an export's bytes as delivered, their number, and the file's stamp as they were read."""
    if export.kept:
        return export.kept.sha256, export.kept.size, (0, 0, 0)
    digest = hashlib.sha256()
    size = 0
    with open_file(export.path, export.name) as file:
        stamp = _stamp(os.fstat(file.fileno()))
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
            size += len(chunk)
    return digest.hexdigest(), size, stamp


def check_unchanged(export: Export, stamp: Stamp) -> None:
    """`UserError` where a file is no longer the one a stamp was taken of: its rows would stand under other bytes."""
    if export.kept:
        return
    try:
        now = _stamp(export.path.lstat())
    except FileNotFoundError:
        now = None
    if now != stamp:
        raise UserError(
            f"{export.name} changed while it was read.",
            remedy="Run again once it is copied whole; nothing was taken in.",
        )


def _stamp(status: os.stat_result) -> Stamp:
    return status.st_ino, status.st_size, status.st_mtime_ns
