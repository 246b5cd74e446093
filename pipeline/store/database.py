"""The DuckDB store: opened, locked, brought to the current schema, and changed in one transaction a night."""

import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from filelock import FileLock, Timeout

from pipeline.contract.checks import instant_expression
from pipeline.errors import LockedError, StoreError, UsageError
from pipeline.places import MEND_DISK, make_parent, owner_only, tells_of_disk

APPLICATION = "scapha"

_CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}
_MACROS = (
    f"create temp macro instant(time_text, zone) as {instant_expression('time_text', 'zone')}",
    "create temp macro local_day(utc, zone) as cast(timezone(zone, timezone('UTC', utc)) as date)",
)


class Frame:
    """A Polars frame as DuckDB takes it: an Arrow stream, which needs no pyarrow."""

    def __init__(self, frame: pl.DataFrame) -> None:
        self._frame = frame

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The frame's Arrow C stream."""
        return self._frame.__arrow_c_stream__(requested_schema)


def fetch(con: duckdb.DuckDBPyConnection, query: str, params: dict[str, Any] | None = None) -> pl.DataFrame:
    """The result of a query as a Polars frame."""
    return pl.DataFrame(con.sql(query, params=params or {}))


@contextmanager
def registered(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> Iterator[None]:
    """A frame under a name for SQL: with external access off DuckDB finds no Python variables by itself."""
    con.register(name, Frame(frame))
    try:
        yield
    finally:
        con.unregister(name)


def insert_frame(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Append a frame to a table, matching columns by name."""
    columns = ", ".join(frame.columns)
    with registered(con, "python_frame", frame):
        con.execute(f"insert into {table} ({columns}) select {columns} from python_frame")


def create_from_frame(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame, *, temporary: bool) -> None:
    """Create a table, or replace it, with a frame's columns and rows."""
    with registered(con, "python_frame", frame):
        con.execute(f"create or replace {'temp ' if temporary else ''}table {table} as from python_frame")


def key_fingerprint(key: bytes) -> str:
    """A name for the pseudonym key that does not tell the key."""
    return hashlib.sha256(b"scapha key fingerprint" + key).hexdigest()[:16]


def check_store_path(store: Path) -> None:
    """`UsageError` where a store cannot lie at a path."""
    if not store.name or store.is_dir():
        raise UsageError(f"{store} is a folder, no store.", remedy="Name a file with --store.")


@contextmanager
def hold_lock(store: Path) -> Iterator[None]:
    """Hold the store for one run; a second run ends at once with `LockedError`."""
    make_parent(store)
    path = store.with_name(store.name + ".lock")
    lock = FileLock(path, timeout=0, mode=0o600)
    try:
        lock.acquire()
    except Timeout:
        raise LockedError(
            f"Another run holds the store {store}.", remedy="Wait until it is done, then start again."
        ) from None
    try:
        yield
    finally:
        lock.release()


def _connect(store: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    config = {**_CONFIG, "temp_directory": f"{store}.spill"}
    try:
        with owner_only():
            con = duckdb.connect(str(store), read_only=read_only, config=config)
    except duckdb.IOException as error:
        if "Conflicting lock" in str(error):
            raise LockedError(
                f"Another program has the store {store} open.", remedy="Close it, then start again."
            ) from None
        _tell_of_disk(store, error)
        raise StoreError(
            f"{store} cannot be opened as a store: {_first_line(error)}",
            remedy="Name another file with --store, or restore this one from a backup.",
        ) from None
    except duckdb.Error as error:
        raise StoreError(
            f"{store} is damaged or no store: {_first_line(error)}",
            remedy="Name another file with --store, or restore this one from a backup.",
        ) from None
    con.execute("set TimeZone = 'UTC'")
    con.execute("set enable_progress_bar = false")  # stdout is for what was asked for
    con.execute("set enable_external_access = false")
    for macro in _MACROS:
        con.execute(macro)
    con.execute("set lock_configuration = true")
    return con


@contextmanager
def _damage_told(store: Path) -> Iterator[None]:
    """A store whose blocks do not read is damaged: the user's to mend, no bug of ours."""
    try:
        yield
    except duckdb.Error as error:
        _tell_of_disk(store, error)
        if "corrupt" in str(error).lower() or isinstance(error, duckdb.IOException | duckdb.SerializationException):
            raise StoreError(
                f"{store} is damaged: {_first_line(error)}", remedy="Restore it from a backup, with its key."
            ) from None
        raise


def _tell_of_disk(store: Path, error: duckdb.Error) -> None:
    """`StoreError` where a disk is full, broken or closed to us: nothing is damaged."""
    if tells_of_disk(error):
        raise StoreError(f"{store} could not be used: {_first_line(error)}.", remedy=MEND_DISK) from None


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]


def _migrations() -> list[tuple[int, str]]:
    """Every migration: its number and its SQL, in order."""
    folder = files("pipeline.store") / "migrations"
    names = sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(".sql"))
    return [(int(name.removesuffix(".sql")), (folder / name).read_text(encoding="utf-8")) for name in names]


SCHEMA_VERSION = max(number for number, _ in _migrations())


def _schema_version(con: duckdb.DuckDBPyConnection, store: Path) -> int:
    """The store's schema version; 0 for a new, empty database."""
    query = "select table_name from duckdb_tables() union all select view_name from duckdb_views() where not internal"
    tables = {name for (name,) in con.execute(query).fetchall()}
    if not tables:
        return 0
    no_store = StoreError(f"{store} is a database, but no store of Scapha.", remedy="Name another file with --store.")
    if "store" not in tables:
        raise no_store
    try:
        rows = con.execute("select application, schema_version from store").fetchall()
    except duckdb.Error:
        raise no_store from None
    if len(rows) != 1 or rows[0][0] != APPLICATION:
        raise no_store
    version = int(rows[0][1])
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{store} was written by a newer Scapha (schema {version}; this one knows {SCHEMA_VERSION}).",
            remedy="Install the newer Scapha.",
        )
    return version


def _migrate(con: duckdb.DuckDBPyConnection, version: int, key: bytes) -> None:
    """Bring the schema forward to the current version, inside the caller's transaction."""
    for number, statements in _migrations():
        if number > version:
            for statement in duckdb.extract_statements(re.sub(r"^--.*$", "", statements, flags=re.MULTILINE)):
                con.execute(statement)
    if version == 0:
        con.execute("insert into store values (?, ?, ?)", [APPLICATION, SCHEMA_VERSION, key_fingerprint(key)])
    elif version < SCHEMA_VERSION:
        con.execute("update store set schema_version = ?", [SCHEMA_VERSION])


def check_key(con: duckdb.DuckDBPyConnection, store: Path, key: bytes) -> None:
    """`StoreError` where a key is not the one the store's clients were hashed with."""
    if con.execute("select key_fingerprint from store").fetchall() != [(key_fingerprint(key),)]:
        raise StoreError(
            f"The key beside {store} is not the one its clients were hashed with.",
            remedy="Put the right scapha.key back; with another key no client would be recognised.",
        )


@contextmanager
def open_store(store: Path, key: bytes) -> Iterator[duckdb.DuckDBPyConnection]:
    """The store open for one night's writing, in one transaction.

    The transaction is left open: the caller commits. Whatever is not committed is undone, and a store file that this
    call created is taken away again, so that a failed first night leaves nothing.
    """
    is_new = not store.exists()
    try:
        con = _connect(store, read_only=False)
        try:
            with _damage_told(store):
                version = _schema_version(con, store)
                con.execute("begin transaction")
                _migrate(con, version, key)
                check_key(con, store, key)
                yield con
        finally:
            con.close()
    except BaseException:
        if is_new:
            for path in (store, store.with_name(store.name + ".wal")):
                path.unlink(missing_ok=True)
        raise
    finally:
        _remove_spill(store)


def rewrite_store(store: Path) -> None:
    """Write a store that nobody has open into a new file in its place: in a database's free pages old rows lie on."""
    aside = store.with_name(f"{store.name}.rewriting")
    for path in (aside, aside.with_name(f"{aside.name}.wal")):  # of a run that was killed
        path.unlink(missing_ok=True)
    con = duckdb.connect(config={**_CONFIG, "temp_directory": f"{store}.spill"})
    try:
        con.execute(f"attach {_quoted(store)} as old (read_only)")
        con.execute(f"attach {_quoted(aside)} as new")
        con.execute("copy from database old to new")
    finally:
        con.close()
    aside.replace(store)


def _quoted(path: Path) -> str:
    text = str(path).replace("'", "''")
    return f"'{text}'"


@contextmanager
def read_store(store: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The store open for reading only; temporary tables may be made."""
    if not store.is_file():
        raise StoreError(f"There is no store at {store}.", remedy="Run `scapha nightly` first.")
    con = _connect(store, read_only=True)
    try:
        with _damage_told(store):
            version = _schema_version(con, store)
            if version < SCHEMA_VERSION:
                raise StoreError(
                    f"{store} was written by an older Scapha (schema {version}).", remedy="Run `scapha nightly` once."
                )
            yield con
    finally:
        con.close()
        _remove_spill(store)


def _remove_spill(store: Path) -> None:
    spill = Path(f"{store}.spill")
    if spill.is_dir():
        for path in spill.iterdir():
            path.unlink()
        spill.rmdir()
