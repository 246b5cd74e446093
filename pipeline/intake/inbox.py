"""The inbox: which files lie in it, which table each is of, and the fingerprint of its bytes."""

import hashlib
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLES
from pipeline.errors import UsageError, UserError

_FORMATS = ("csv", "xlsx", "parquet", "jsonl")
_CHUNK = 1 << 20


@dataclass(frozen=True)
class Export:
    """A file of the inbox that is an export of a table. `name` is its path relative to the inbox, with slashes."""

    path: Path
    name: str
    table: Table
    form: str  # csv, xlsx, parquet or jsonl
    gzipped: bool


@dataclass(frozen=True)
class Inbox:
    """What lies in an inbox: its exports in path order, and how many other files were passed over."""

    exports: tuple[Export, ...]
    others: int


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


def look_into(folder: Path) -> Inbox:
    """Find a folder's exports, in order of their path by code point.

    Links, pipes and names that start with `.` or `~` are not opened. `UsageError` where the folder is missing, no
    folder, or cannot be read.
    """
    exports: list[Export] = []
    others = 0
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
                export = _as_export(Path(entry.path), folder)
                if export:
                    exports.append(export)
                else:
                    others += 1
    return Inbox(tuple(sorted(exports, key=lambda export: export.name)), others)


def _as_export(path: Path, folder: Path) -> Export | None:
    table, form = table_of(path.name), form_of(path.name)
    if table is None or form is None:
        return None
    name = os.fsencode(path.relative_to(folder).as_posix()).decode("utf-8", "backslashreplace")
    return Export(path, name, table, *form)


def open_export(export: Export) -> BinaryIO:
    """Open an export for reading, without following a link that took its place meanwhile.

    `UserError` where it cannot be opened: the run ends before anything is changed.
    """
    try:
        handle = os.open(export.path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        raise UserError(
            f"{export.name} cannot be opened: {error.strerror}.", remedy="Put it right or take it out of the inbox."
        ) from None
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise UserError(f"{export.name} is no longer a file.", remedy="Take it out of the inbox.")
    return os.fdopen(handle, "rb")


def fingerprint(export: Export) -> tuple[str, int]:
    """SHA-256 of an export's bytes as delivered, and their number."""
    digest = hashlib.sha256()
    size = 0
    with open_export(export) as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
            size += len(chunk)
    return digest.hexdigest(), size
