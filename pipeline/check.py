"""Check files before they are sent: all that a night would say of them, on a copy of the store that is thrown away."""

import secrets
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from pipeline.contract.columns import Table
from pipeline.contract.rules import remedy
from pipeline.errors import UsageError
from pipeline.intake.inbox import Export, Inbox, exports_of, fingerprint, look_into, open_file
from pipeline.intake.load import take_in
from pipeline.intake.pseudonyms import read_key
from pipeline.places import disk_told, owner_only
from pipeline.settings import Settings
from pipeline.store.database import fetch, hold_lock, open_store
from pipeline.suggest import HEAD_BYTES, suggest

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Problem:
    """A rule that rows of a file break: how often, where first, what such a value looks like, and what to do."""

    column: str
    rule: str
    times: int
    first_line: int
    value: str
    remedy: str


@dataclass(frozen=True)
class Checked:
    """What a night would make of a file; `suggestion` holds settings to add where it cannot be read as it is."""

    file: str
    table: str
    readable: bool
    rows: int
    accepted: int
    rejected: int
    duplicate: int
    superseded: int
    undeclared: tuple[str, ...]
    problems: tuple[Problem, ...]
    known: bool = False  # taken in on an earlier night, when the counts were these
    suggestion: str = ""


@dataclass(frozen=True)
class Check:
    """What a night would make of some files: those of a table, and settings to add for each of the others."""

    files: tuple[Checked, ...]
    others: tuple[tuple[str, str], ...]

    @property
    def n_rejected(self) -> int:
        """Rows and whole files that would stand rejected."""
        return sum(file.rejected + (not file.readable) for file in self.files)

    def as_dict(self) -> dict[str, Any]:
        """The check as plain values for JSON."""
        others = [{"file": file, "suggestion": suggestion} for file, suggestion in self.others]
        return {"files": [asdict(file) for file in self.files], "others": others, "rejected": self.n_rejected}

    def lines(self) -> Iterator[str]:
        """The check in words, a line each."""
        for file in self.files:
            yield f"{file.file} ({file.table}): {_fates(file)}."
            for problem in file.problems:
                yield f"  {_where(problem)} {problem.rule}. {problem.remedy}"
            if file.undeclared:
                yield f"  Dropped unread: {', '.join(file.undeclared)}."
            if file.suggestion:
                yield from _suggested(file.suggestion)
        for name, suggestion in self.others:
            yield f"{name}: of no table."
            yield from _suggested(suggestion)


def _fates(file: Checked) -> str:
    if not file.readable:
        return "cannot be read"
    fates = ("accepted", "rejected", "duplicate", "superseded")
    told = ", ".join(f"{getattr(file, fate):,} {fate}" for fate in fates)
    return f"{file.rows:,} rows: {told}{', on an earlier night' if file.known else ''}"


def _where(problem: Problem) -> str:
    lines = f"Line {problem.first_line}" if problem.first_line else "The file"
    more = f" and {problem.times - 1:,} more" if problem.times > 1 else ""
    value = f" ({problem.value})" if problem.value else ""
    return f"{lines}{more}{f', {problem.column}' if problem.column else ''}{value}:"


def _suggested(suggestion: str) -> Iterator[str]:
    yield "  Lines to add to scapha.toml:"
    yield from (f"    {line}" for line in suggestion.splitlines())


@disk_told()
def check_files(paths: Sequence[Path], *, store: Path, settings: Settings, now: datetime, progress: Progress) -> Check:
    """Take files and folders into a copy of the store, or into none where there is no store, and say what came of it.

    `now` is the run's clock in UTC without offset. Nothing is changed. `UsageError` where a path is not there.
    """
    inbox, others = _gathered(paths, settings)
    with owner_only(), _copy_of(store) as (copy, key), open_store(copy, key) as con:
        taken = take_in(con, inbox, now=now, zone=settings.timezone, key=key, progress=progress)
        files = tuple(_checked(con, export, taken.run_id) for export in inbox.exports)
    return Check(files, tuple((name, _suggestion(name, path)) for name, path in others))


def _gathered(paths: Sequence[Path], settings: Settings) -> tuple[Inbox, list[tuple[str, Path]]]:
    """The exports at some paths, and the files of no table whose form may be that of an export."""
    exports: list[Export] = []
    others: list[tuple[str, Path]] = []
    for path in paths:
        if path.is_dir():
            inbox = look_into(path, settings)
            exports += inbox.exports
            others += [(other.relative_to(path).as_posix(), other) for other in inbox.strangers]
        elif path.is_file():
            found = exports_of(path, path.parent, settings)
            exports += found
            others += [] if found else [(path.name, path)]
        else:
            raise UsageError(f"There is no file or folder {path}.", remedy="Name the exports to check.")
    return Inbox(tuple(_apart(exports))), others


def _apart(exports: list[Export]) -> Iterator[Export]:
    """Each export once, however often its file was named; of two with one name the second goes by its whole path."""
    seen: set[tuple[Path, str]] = set()
    names: set[tuple[str, str]] = set()
    for export in exports:
        table = export.table.name
        if (export.path.resolve(), table) not in seen:
            seen.add((export.path.resolve(), table))
            own = export if (export.name, table) not in names else replace(export, name=str(export.path))
            names.add((own.name, table))
            yield own


@contextmanager
def _copy_of(store: Path) -> Iterator[tuple[Path, bytes]]:
    """A copy of the store with its key; of none a new one, which no key is kept of."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "store.duckdb"
        if not store.is_file():
            yield copy, secrets.token_bytes(32)
            return
        with hold_lock(store):
            key = read_key(store)
            for path in (store, store.with_name(store.name + ".wal")):
                if path.is_file():
                    shutil.copyfile(path, copy.with_name(path.name.replace(store.name, copy.name)))
        yield copy, key


def _checked(con: duckdb.DuckDBPyConnection, export: Export, run_id: int) -> Checked:
    """What the ledger says of an export, once it is taken in."""
    key = {"path": export.name, "name": export.table.name, "sha256": fingerprint(export)[0]}
    query = "from file where path = $path and table_name = $name and sha256 = $sha256"
    [row] = fetch(con, query, key).to_dicts()
    return Checked(
        file=export.name,
        table=export.table.name,
        readable=row["is_readable"],
        **{fate: row[fate] for fate in ("rows", "accepted", "rejected", "duplicate", "superseded")},
        undeclared=tuple(row["undeclared"]),
        problems=tuple(_problems(con, export.table, row["file_id"])),
        known=row["run_id"] != run_id,
        suggestion="" if row["is_readable"] else _suggestion(export.name, export.path),
    )


def _problems(con: duckdb.DuckDBPyConnection, table: Table, file_id: int) -> Iterator[Problem]:
    """The rules that a file's rows break, in the order of the line they are first broken on."""
    query = """
        select column_name, rule, arg_min(value_shape, line) as value, arg_min(detail, line) as detail,
          count(*) as times, min(line) as first_line
        from rejection where file_id = $file_id
        group by column_name, rule
        order by first_line, column_name, rule
    """
    for row in fetch(con, query, {"file_id": file_id}).to_dicts():
        column, rule = row["column_name"], row["rule"]
        told = remedy(rule, table, column, row["detail"])
        yield Problem(column, rule, row["times"], row["first_line"], row["value"], told)


def _suggestion(name: str, path: Path) -> str:
    with open_file(path, name) as file:
        return suggest(name, file.read(HEAD_BYTES))
