"""Redacted originals: every file's declared columns, clients hashed, kept compressed under the hash of its bytes.

They lie in a folder beside the store, in parts of Parquet, rejected rows too. A record refused before its values could
be told apart is kept as its line and the rule alone. Every part's name tells how many there are, so that an original of
which one is missing, be it that a run was killed, is none.
"""

import io
import os
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from pipeline.errors import StoreError

_ROWS_PER_PART = 200_000
REFUSED = {"refused_rule": pl.String, "refused_detail": pl.String}
"""Columns of a part besides `line`, `part` and the table's: filled for a record that was refused at once, and not
written where there is none."""


def originals_folder(store: Path) -> Path:
    """Where the originals of a store lie."""
    return store.with_name(f"{store.stem}.originals")


class Originals:
    """The originals of a store. What one run adds can be taken back until the run is over."""

    def __init__(self, store: Path) -> None:
        self.folder = originals_folder(store)
        self._added: list[Path] = []

    def parts(self, sha256: str, table: str, mapping: str) -> list[Path]:
        """The parts of a file as it was read in one way; none where it is not kept whole."""
        found = {_place(path): path for path in self.folder.glob(f"{_stem(sha256, table, mapping)}.*.parquet")}
        n_parts = max((total for _, total in found), default=0)
        wanted = [(number, n_parts) for number in range(1, n_parts + 1)]
        return [found[place] for place in wanted] if found.keys() >= set(wanted) else []

    def all_parts(self, table: str) -> list[Path]:
        """Every part of every file of a table."""
        return sorted(self.folder.glob(f"*.{table}.*.parquet"))

    def read(self, sha256: str, table: str, mapping: str) -> Iterator[pl.DataFrame]:
        """A file's parts as frames, in the order of its records."""
        for path in self.parts(sha256, table, mapping):
            yield read_part(path)

    def adding(self, sha256: str, table: str, mapping: str) -> "Adding":
        """An original to be written frame by frame, in place of what is there of it."""
        stem = _stem(sha256, table, mapping)
        for path in self.folder.glob(f"{stem}.*"):
            path.unlink()
        return Adding(self.folder / stem, self._added)

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
    """An original while it is written: frames are gathered into parts, which have no name before all are there."""

    def __init__(self, stem: Path, added: list[Path]) -> None:
        self._stem = stem
        self._added = added
        self._waiting: list[pl.DataFrame] = []
        self._written: list[Path] = []

    def add(self, frame: pl.DataFrame) -> None:
        """Append some rows."""
        self._waiting.append(frame)
        if sum(frame.height for frame in self._waiting) >= _ROWS_PER_PART:
            self._write()

    def close(self) -> None:
        """Write what is left: at least one part, so that a file without rows is kept too."""
        if self._waiting or not self._written:
            self._write()
        for number, path in enumerate(self._written, start=1):
            part = self._stem.with_name(f"{self._stem.name}.{number}-{len(self._written)}.parquet")
            self._added.append(part)
            path.replace(part)

    def drop(self) -> None:
        """Leave nothing of what was written: the file could not be read whole."""
        for path in self._written:
            path.unlink(missing_ok=True)

    def _write(self) -> None:
        frame = pl.concat(self._waiting or [pl.DataFrame(schema={"line": pl.Int64})], how="diagonal")
        path = self._stem.with_name(f"{self._stem.name}.{len(self._written) + 1}.aside")
        path.parent.mkdir(mode=0o700, exist_ok=True)
        self._written.append(path)
        _write_whole(frame, path)
        self._waiting = []


def read_part(path: Path) -> pl.DataFrame:
    """A part's rows; `StoreError` where its file is damaged."""
    try:
        frame = pl.read_parquet(path)
    except pl.exceptions.PolarsError:
        raise StoreError(f"The original {path} is damaged.", remedy="Put it back from its backup.") from None
    none = [pl.lit(None, dtype=kind).alias(name) for name, kind in REFUSED.items() if name not in frame.columns]
    return frame.with_columns(none)


def write_parquet(frame: pl.DataFrame, path: Path) -> None:
    """Write a frame's file by one rename, its bytes on the disk before."""
    aside = path.with_name(path.name + ".aside")
    _write_whole(frame, aside)
    aside.replace(path)


def _write_whole(frame: pl.DataFrame, path: Path) -> None:
    buffer = io.BytesIO()  # so that a full disk is the system's error, not the library's
    frame.write_parquet(buffer, compression="zstd", compression_level=1, statistics=False)
    try:
        with path.open("wb") as file:
            file.write(buffer.getbuffer())
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        path.unlink(missing_ok=True)
        raise


def _place(path: Path) -> tuple[int, int]:
    """Which part of how many a file is."""
    number, _, total = path.name.split(".")[-2].partition("-")
    return int(number), int(total)


def _stem(sha256: str, table: str, mapping: str) -> str:
    return f"{sha256}.{table}.{mapping or 'plain'}"
