"""Clients who asked to be forgotten: what of theirs comes again is refused at the door.

A tombstone is a keyed hash of what stands for the client, or of a visit or piercing of theirs, since some rows name
only these. A row that names another client stands.
"""

from collections.abc import Callable, Iterable

import duckdb
import polars as pl

from pipeline.contract.columns import Table

CLIENT = "client_key"
KINDS = (CLIENT, "visit_id", "procedure_id")
"""Columns by which a row is a client's."""

Hash = Callable[[str], str]


def grave(kind: str, value: str, hash_text: Hash) -> str:
    """The hash in a tombstone, of a value with its kind: another hash than the one that stands for a client in rows."""
    return hash_text(f"{kind} {value}")


class Forgotten:
    """The tombstones of a store, and what they refuse."""

    def __init__(self, tombstones: Iterable[tuple[str, str]], hash_text: Hash) -> None:
        self._hash_text = hash_text
        self._hashes: dict[str, set[str]] = {kind: set() for kind in KINDS}
        for kind, hashed in tombstones:
            self._hashes[kind].add(hashed)

    def is_theirs(self, frame: pl.DataFrame, table: Table) -> pl.Series:
        """Which rows of a frame of text, client keys hashed, are of a client who was forgotten."""
        found = pl.Series([False], dtype=pl.Boolean).new_from_index(0, frame.height)
        if CLIENT not in table.column_names or not any(self._hashes.values()):
            return found
        for kind in KINDS:
            if kind in table.column_names:
                found |= self._matches(frame, kind)
        return found

    def among(self, kind: str, values: Iterable[str]) -> list[str]:
        """Those of a column's values that have a tombstone."""
        hashes = self._hashes[kind]
        return [value for value in values if grave(kind, value, self._hash_text) in hashes] if hashes else []

    def _matches(self, frame: pl.DataFrame, kind: str) -> pl.Series:
        theirs = self.among(kind, frame[kind].drop_nulls().unique())
        matches = frame[kind].is_in(theirs).fill_null(value=False)
        return matches if kind == CLIENT else matches & frame[CLIENT].is_null()


def read_tombstones(con: duckdb.DuckDBPyConnection, hash_text: Hash) -> Forgotten:
    """The tombstones of an open store."""
    return Forgotten(con.execute("select kind, hash from tombstone").fetchall(), hash_text)
