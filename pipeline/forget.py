"""Forget clients: every row of theirs is removed from the store and the originals, and a tombstone keeps it so.

The store is first: it is committed with the tombstones, and by them a run after one that died among the originals still
knows the visits and piercings of rows that name no client.
"""

import glob
import hashlib
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline import __version__
from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from pipeline.errors import StoreError, UsageError
from pipeline.intake.forgotten import CLIENT, KINDS, Forgotten, grave, read_tombstones
from pipeline.intake.pseudonyms import Pseudonyms, read_key
from pipeline.places import disk_told, owner_only
from pipeline.rejudge import rejudge
from pipeline.store.database import fetch, hold_lock, insert_frame, open_store, rewrite_store
from pipeline.store.journal import catch_up, undone_on_failure
from pipeline.store.originals import Originals, read_part, write_parquet

Progress = Callable[[str], None]
TABLES_OF_CLIENTS = tuple(table for table in TABLES if CLIENT in table.column_names)


@dataclass(frozen=True)
class Certificate:
    """What was removed: rows of the store and of the originals by table, and what a search for them found after.

    `hashes_found` and `hashes_left` count cells of the store and the originals that hold a client's hash, before and
    after: the first shows that the search finds what is there.
    """

    forgotten_at: str
    version: str
    keys: int
    keys_found: int
    rows_removed: dict[str, int]
    rows_removed_from_originals: dict[str, int]
    originals_rewritten: int
    tombstones: int
    hashes_found: int
    hashes_left: int
    store_sha256: str

    def as_dict(self) -> dict[str, Any]:
        """The certificate as plain values for JSON."""
        return asdict(self)

    def lines(self) -> list[str]:
        """The certificate in words."""
        removed = ", ".join(f"{n:,} of {table}" for table, n in self.rows_removed.items() if n) or "none"
        originals = ", ".join(f"{n:,} of {table}" for table, n in self.rows_removed_from_originals.items() if n)
        return [
            f"Certificate of {self.forgotten_at} UTC, Scapha {self.version}.",
            f"Keys asked for: {self.keys}; known here: {self.keys_found}.",
            f"Rows removed from the store, every version of them: {removed}.",
            f"Rows removed from the originals: {originals or 'none'}; originals written again: "
            f"{self.originals_rewritten}.",
            f"Cells with a hash of theirs: {self.hashes_found:,} before, {self.hashes_left:,} after.",
            f"The store's file was written anew, so nothing is left in free pages; its SHA-256: {self.store_sha256}.",
            f"Tombstones kept, as keyed hashes: {self.tombstones}. A row of theirs that is sent again is refused.",
            "Counts already published stay; the next night counts without them. Exports and backups kept elsewhere are "
            "not reached: remove their rows there too.",
        ]


@disk_told()
def forget(keys: Sequence[str], store: Path, *, now: datetime, progress: Progress) -> Certificate:
    """Erase the clients whose keys, as exported, are given. `now` is UTC without offset.

    `UsageError` where there is no key. Run again after a failure, it ends what was begun.
    """
    keys = sorted({key.removeprefix("\ufeff").strip() for key in keys} - {""})  # some editors' mark at a file's start
    if not keys:
        raise UsageError("No key of a client was given.", remedy="Write the keys on stdin, one a line.")
    if not store.is_file():
        raise StoreError(f"There is no store at {store}.", remedy="Name the store with --store.")
    with owner_only(), hold_lock(store):
        key = read_key(store)
        _clear_leftovers(store)
        with open_store(store, key) as con:
            with undone_on_failure(store) as (originals, settle):
                theirs = _gather(con, originals, keys, key)
                hashes_found = _cells(con, originals, theirs.clients)
                known = len(_known(con, originals, theirs.clients))
                progress("removing rows")
                _clear_rejections(con, originals, theirs)
                removed = {table.name: _delete(con, table, theirs) for table in TABLES_OF_CLIENTS}
                n_graves = _bury(con, theirs, key)
                rejudge(con)
                catch_up(con, store)
                con.execute("commit")
                settle()
            progress("writing the originals again")
            from_originals, n_rewritten = _clear_originals(originals, theirs)
            hashes_left = _cells(con, originals, theirs.clients)
        progress("writing the store anew")
        rewrite_store(store)
    return Certificate(
        forgotten_at=now.isoformat(timespec="seconds"),
        version=__version__,
        keys=len(keys),
        keys_found=known,
        rows_removed=removed,
        rows_removed_from_originals=from_originals,
        originals_rewritten=n_rewritten,
        tombstones=n_graves,
        hashes_found=hashes_found,
        hashes_left=hashes_left,
        store_sha256=hashlib.sha256(store.read_bytes()).hexdigest(),
    )


@dataclass(frozen=True)
class _Theirs:
    """By what rows are these clients': their hashed keys, and the visits and piercings that rows of theirs name."""

    clients: set[str]
    ids: dict[str, set[str]]  # by visit_id and procedure_id

    def rows(self, table: Table) -> pl.Expr:
        """Rows of a frame of a table's text that are theirs: a row that names another client is not."""
        named = pl.lit(value=False)
        for kind in (kind for kind in self.ids if kind in table.column_names):
            named = named | pl.col(kind).is_in(list(self.ids[kind]))
        is_client = pl.col(CLIENT).is_in(list(self.clients))
        return (is_client.fill_null(value=False) | (pl.col(CLIENT).is_null() & named)).fill_null(value=False)

    def graves(self, hash_text: Callable[[str], str]) -> set[tuple[str, str]]:
        """Tombstones: kind and keyed hash."""
        named = {CLIENT: self.clients, **self.ids}
        return {(kind, grave(kind, value, hash_text)) for kind, values in named.items() for value in values}


def _clear_leftovers(store: Path) -> None:
    """Remove what a run that was killed left of a store: rows lie in it too."""
    for doing in ("rebuilding", "rewriting"):
        for path in store.parent.glob(f"{glob.escape(store.name)}.{doing}*"):
            shutil.rmtree(path) if path.is_dir() else path.unlink()


def _frames(con: duckdb.DuckDBPyConnection, originals: Originals, table: Table) -> Iterator[pl.DataFrame]:
    """The ids of every row of a table that is kept anywhere."""
    names = [kind for kind in KINDS if kind in table.column_names]
    yield fetch(con, f"select distinct {', '.join(names)} from raw_{table.name}")
    for path in originals.all_parts(table.name):
        frame = read_part(path)
        if CLIENT in frame.columns:
            yield frame.select(names).unique()


def _gather(con: duckdb.DuckDBPyConnection, originals: Originals, keys: Sequence[str], key: bytes) -> _Theirs:
    """Find the visits and piercings of clients: those their rows name, and the piercings of these visits."""
    forgotten = read_tombstones(con, Pseudonyms(key).of)
    theirs = _Theirs(set(map(Pseudonyms(key).of, keys)), _buried(con, originals, forgotten))
    for table in (*TABLES_OF_CLIENTS, TABLE_BY_NAME["procedures"]):  # once more, for rows that name the visit alone
        for frame in _frames(con, originals, table):
            own = frame.filter(theirs.rows(table))
            for kind in (kind for kind in theirs.ids if kind in frame.columns):
                theirs.ids[kind].update(own[kind].drop_nulls())
    return theirs


def _buried(con: duckdb.DuckDBPyConnection, originals: Originals, forgotten: Forgotten) -> dict[str, set[str]]:
    """Visits and piercings with a tombstone in rows that name no client: a run that was stopped left them."""
    found: dict[str, set[str]] = {kind: set() for kind in KINDS if kind != CLIENT}
    for table in TABLES_OF_CLIENTS:
        for frame in _frames(con, originals, table):
            nameless = frame.filter(pl.col(CLIENT).is_null())
            for kind in (kind for kind in found if kind in frame.columns):
                found[kind].update(nameless[kind].drop_nulls())
    return {kind: set(forgotten.among(kind, values)) for kind, values in found.items()}


def _known(con: duckdb.DuckDBPyConnection, originals: Originals, clients: set[str]) -> set[str]:
    """Which of the clients are met anywhere."""
    found: set[str] = set()
    for table in TABLES_OF_CLIENTS:
        for frame in _frames(con, originals, table):
            found |= clients & set(frame[CLIENT].drop_nulls())
    return found


def _cells(con: duckdb.DuckDBPyConnection, originals: Originals, clients: set[str]) -> int:
    """How many cells of any text column of the store, tombstones left out, and of the originals hold a hash."""
    n_found = 0
    columns = con.execute(
        "select table_name, column_name from duckdb_columns() where not internal and data_type = 'VARCHAR' "
        "and table_name <> 'tombstone' and database_name = current_database()"
    ).fetchall()
    for table, column in columns:
        query = f'select count(*) from "{table}" where "{column}" in (select unnest($clients))'  # one is called table
        n_found += con.execute(query, {"clients": sorted(clients)}).fetchall()[0][0]
    for table_of_clients in TABLES_OF_CLIENTS:
        for path in originals.all_parts(table_of_clients.name):
            texts = read_part(path).select(pl.col(pl.String).is_in(list(clients)).sum())
            n_found += sum(texts.row(0))
    return n_found


def _in_originals(originals: Originals, theirs: _Theirs) -> Iterator[tuple[Table, Path, pl.DataFrame, pl.DataFrame]]:
    """Every part of an original with rows of clients: its table, its path, its rows, and which are theirs."""
    for table in TABLES_OF_CLIENTS:
        for path in originals.all_parts(table.name):
            frame = read_part(path)
            own = frame.filter(theirs.rows(table)) if CLIENT in frame.columns else frame.clear()
            if not own.is_empty():
                yield table, path, frame, own


def _clear_rejections(con: duckdb.DuckDBPyConnection, originals: Originals, theirs: _Theirs) -> None:
    """Take clients' refused rows out of the ledger: it knows their lines alone, the originals whose they are."""
    for table, path, _, own in _in_originals(originals, theirs):
        con.execute(
            """
            delete from rejection
            where line in (select unnest($lines))
              and file_id in (select file_id from file where sha256 = $sha256 and table_name = $name)
            """,
            {"lines": own["line"].to_list(), "sha256": path.name.split(".")[0], "name": table.name},
        )


def _clear_originals(originals: Originals, theirs: _Theirs) -> tuple[dict[str, int], int]:
    """Take clients' rows out of every original; rows removed by table, and parts of originals written again."""
    removed = dict.fromkeys((table.name for table in TABLES_OF_CLIENTS), 0)
    n_rewritten = 0
    for table, path, frame, own in _in_originals(originals, theirs):
        write_parquet(frame.join(own, on=["line", "part"], how="anti", nulls_equal=True), path)
        removed[table.name] += own.height
        n_rewritten += 1
    return removed, n_rewritten


def _bury(con: duckdb.DuckDBPyConnection, theirs: _Theirs, key: bytes) -> int:
    """Set clients' tombstones, and say how many they have."""
    graves = theirs.graves(Pseudonyms(key).of)
    new = sorted(graves - set(con.execute("select kind, hash from tombstone").fetchall()))
    insert_frame(con, "tombstone", pl.DataFrame(new, schema={"kind": pl.String, "hash": pl.String}, orient="row"))
    return len(graves)


def _delete(con: duckdb.DuckDBPyConnection, table: Table, theirs: _Theirs) -> int:
    """Delete every version of clients' rows of a table; how many there were."""
    rows = fetch(
        con, f"select seq, {', '.join(kind for kind in KINDS if kind in table.column_names)} from raw_{table.name}"
    )
    own = rows.filter(theirs.rows(table))["seq"].to_list()
    con.execute(f"delete from raw_{table.name} where seq in (select unnest($own))", {"own": own})
    return len(own)
