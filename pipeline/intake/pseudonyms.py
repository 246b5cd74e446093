"""Client keys become keyed hashes here, and the key that hashes them is kept here.

HMAC-SHA-256 (RFC 2104) with a 256-bit random key in a file of its own: without it, a hash cannot be tried against a
list of telephone numbers.
"""

import hmac
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl

from pipeline.contract.columns import BROKEN
from pipeline.errors import StoreError

KEY_NAME = "scapha.key"
_KEY_BYTES = 32
_MOST_KNOWN = 200_000
"""Clients whose hashes are kept at hand: more would take memory without end."""


class Pseudonyms:
    """The hashes of clients' keys under one key."""

    def __init__(self, key: bytes) -> None:
        self._hmac = hmac.new(key, digestmod="sha256")
        self._know_nobody()

    def _know_nobody(self) -> None:
        """Begin anew to number the keys that are met, and to keep each one's hash at its number."""
        self._numbered = pl.Categorical(pl.Categories.random())
        self._kept = pl.Series(dtype=self._numbered)  # numbers last as long as a series of their kind
        self._hashes = pl.Series(dtype=pl.String)

    def of(self, client_key: str) -> str:
        """The hash of one client's key: 64 hexadecimal digits."""
        made = self._hmac.copy()  # which spares working out what the key alone decides
        made.update(client_key.encode("utf-8", "surrogatepass"))
        return made.hexdigest()

    def of_all(self, client_keys: pl.Series) -> pl.Series:
        """The hashes of a column of keys; NULL where there is none, and of a broken one only the mark."""
        if len(self._hashes) > _MOST_KNOWN:
            self._know_nobody()
        numbers = client_keys.cast(self._numbered).to_physical()  # most clients are met in several rows
        met = pl.DataFrame({"number": numbers, "key": client_keys}).filter(pl.col("number") >= len(self._hashes))
        new = met.unique("number").sort("number")["key"]
        self._hashes.append(pl.Series(map(self._of_cell, new.to_list()), dtype=pl.String))
        return self._hashes.gather(numbers).alias(client_keys.name)

    def _of_cell(self, client_key: str) -> str:
        return BROKEN if client_key.startswith(BROKEN) else self.of(client_key)


def key_path(store: Path) -> Path:
    """Where the key of a store lies."""
    return store.with_name(KEY_NAME)


def read_key(store: Path) -> bytes:
    """The key of an existing store; `StoreError` where it is missing, malformed or readable by others."""
    path = key_path(store)
    if not path.is_file():
        raise StoreError(
            f"The key {path} is missing beside the store.",
            remedy="Put it back from its backup; without it no client would be recognised.",
        )
    if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise StoreError(f"Others can read the key {path}.", remedy=f"Run: chmod 600 {path}")
    try:
        key = bytes.fromhex(path.read_text(encoding="ascii"))
    except ValueError:
        key = b""
    if len(key) != _KEY_BYTES:
        raise StoreError(f"The key {path} is not a key.", remedy="Put it back from its backup.")
    return key


def make_key(store: Path) -> bytes:
    """A new random key in a new file that only its owner can read: whole on the disk, or not there at all."""
    key = secrets.token_bytes(_KEY_BYTES)
    making = _half_made(store)
    handle = os.open(making, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(key.hex() + "\n")
            file.flush()
            os.fsync(handle)
        os.link(making, key_path(store))  # unlike a rename, it takes no other store's key away
    finally:
        making.unlink()
    return key


def _half_made(store: Path) -> Path:
    """Where a store's key is written before it is put in its place."""
    return store.with_name(f".{store.name}.key")


@contextmanager
def key_for(store: Path) -> Iterator[bytes]:
    """The key of a store for one run; made with a new store, and taken away again if that store does not come about."""
    _half_made(store).unlink(missing_ok=True)  # of a run that was killed
    is_new = not store.exists() and not key_path(store).exists()
    key = make_key(store) if is_new else read_key(store)
    try:
        yield key
    finally:
        if is_new and not store.exists():
            key_path(store).unlink(missing_ok=True)
