"""Redacted originals: every file's declared columns, clients hashed, kept compressed under the hash of its bytes.

They lie in a folder beside the store, in parts of Parquet, rejected rows too. A record refused before its values could
be told apart is kept as its line and the rule alone.
"""

import io
import os
from collections.abc import Iterator
from pathlib import Path

import polars as pl

_ROWS_PER_PART = 200_000
REFUSED = {"refused_rule": pl.String, "refused_detail": pl.String}
"""Columns of a part besides `line`, `part` and the table's: filled for a record that was refused at once."""


def originals_folder(store: Path) -> Path:
    """Where the originals of a store lie."""
    return store.with_name(f"{store.stem}.originals")


class Originals:
    """The originals of a store. What one run adds can be taken back until the run is over."""

    def __init__(self, store: Path) -> None:
        self.folder = originals_folder(store)
        self._added: list[Path] = []

    def parts(self, sha256: str, table: str, mapping: str) -> list[Path]:
        """The parts of a file as it was read in one way; none where it is not kept."""
        found = self.folder.glob(f"{_stem(sha256, table, mapping)}.*.parquet")
        return sorted(found, key=lambda path: int(path.name.split(".")[-2]))

    def all_parts(self, table: str) -> list[Path]:
        """Every part of every file of a table."""
        return sorted(self.folder.glob(f"*.{table}.*.parquet"))

    def read(self, sha256: str, table: str, mapping: str) -> Iterator[pl.DataFrame]:
        """A file's parts as frames, in the order of its records."""
        for path in self.parts(sha256, table, mapping):
            yield pl.read_parquet(path)

    def adding(self, sha256: str, table: str, mapping: str) -> "Adding":
        """An original to be written frame by frame."""
        self.folder.mkdir(mode=0o700, exist_ok=True)
        return Adding(self, _stem(sha256, table, mapping))

    def write_part(self, name: str, frame: pl.DataFrame) -> None:
        """Write one part in place of any of its name, whole or not at all."""
        path = self.folder / name
        self._added += [] if path.exists() else [path]
        write_parquet(frame, path)

    def sweep(self) -> None:
        """Remove what a run that was killed left half written."""
        for path in self.folder.glob("*.aside"):
            path.unlink()

    def take_back(self) -> None:
        """Remove what was added since this object was made."""
        for path in self._added:
            path.unlink(missing_ok=True)
        self._added = []
        if self.folder.is_dir() and not any(self.folder.iterdir()):
            self.folder.rmdir()


class Adding:
    """An original while it is written: frames are gathered into parts."""

    def __init__(self, originals: Originals, stem: str) -> None:
        self._originals = originals
        self._stem = stem
        self._waiting: list[pl.DataFrame] = []
        self._n_parts = 0

    def add(self, frame: pl.DataFrame) -> None:
        """Append some rows."""
        self._waiting.append(frame)
        if sum(frame.height for frame in self._waiting) >= _ROWS_PER_PART:
            self._write()

    def close(self) -> None:
        """Write what is left: at least one part, so that a file without rows is kept too."""
        if self._waiting or not self._n_parts:
            self._write()

    def drop(self) -> None:
        """Write nothing, and remove what was written: the file could not be read whole."""
        for number in range(self._n_parts):
            (self._originals.folder / f"{self._stem}.{number}.parquet").unlink(missing_ok=True)
        self._waiting = []

    def _write(self) -> None:
        frame = (
            pl.concat(self._waiting, how="diagonal")
            if self._waiting
            else pl.DataFrame(schema={"line": pl.Int64, **REFUSED})
        )
        self._originals.write_part(f"{self._stem}.{self._n_parts}.parquet", frame)
        self._n_parts += 1
        self._waiting = []


def write_parquet(frame: pl.DataFrame, path: Path) -> None:
    """Write a frame's file by one rename, its bytes on the disk before."""
    aside = path.with_name(path.name + ".aside")
    buffer = io.BytesIO()  # so that a full disk is the system's error, not the library's
    frame.write_parquet(buffer, compression="zstd", compression_level=1)
    try:
        with aside.open("wb") as file:
            file.write(buffer.getbuffer())
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except OSError:
        aside.unlink(missing_ok=True)
        raise


def _stem(sha256: str, table: str, mapping: str) -> str:
    return f"{sha256}.{table}.{mapping or 'plain'}"
