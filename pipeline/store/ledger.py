"""The ledger: every run, every file it took in with the fate of its rows, and every row refused with its rules."""

from dataclasses import asdict, dataclass
from datetime import datetime

import duckdb
import polars as pl

from pipeline.store.database import insert_frame


@dataclass(frozen=True)
class FileRow:
    """What the ledger knows of a file: its counts are those of its first load."""

    file_id: int
    path: str
    table_name: str
    sha256: str
    mapping: str
    is_readable: bool
    rows: int
    rejected: int


@dataclass(frozen=True)
class Counts:
    """The fates of rows: `rows` is the sum of the others."""

    rows: int = 0
    accepted: int = 0
    rejected: int = 0
    duplicate: int = 0
    superseded: int = 0

    def __add__(self, other: "Counts") -> "Counts":
        return Counts(
            self.rows + other.rows,
            self.accepted + other.accepted,
            self.rejected + other.rejected,
            self.duplicate + other.duplicate,
            self.superseded + other.superseded,
        )


@dataclass(frozen=True)
class Load:
    """A file's first load, as the ledger records it; `mapping` names how it was read."""

    file_id: int
    run_id: int
    path: str
    table_name: str
    sha256: str
    mapping: str
    bytes: int
    is_readable: bool
    undeclared: tuple[str, ...]
    counts: Counts
    loaded_at: datetime


@dataclass(frozen=True)
class Run:
    """A run that took something in: its times in UTC, and the zone of wall times whose branch has none."""

    run_id: int
    version: str
    started_at: datetime
    finished_at: datetime
    timezone: str


class Ledger:
    """The ledger of an open store. Reads the list of files once, when made."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        rows = con.execute(
            "select file_id, path, table_name, sha256, mapping, is_readable, rows, rejected from file order by file_id"
        ).fetchall()
        self.files = [FileRow(*row) for row in rows]
        self._by_name = {(file.path, file.table_name, file.sha256): file for file in self.files}
        self._by_bytes: dict[tuple[str, str, str], FileRow] = {}
        for file in self.files:
            self._by_bytes.setdefault((file.table_name, file.sha256, file.mapping), file)

    def next_file_id(self) -> int:
        """The number of the next file to come."""
        return max((file.file_id for file in self.files), default=0) + 1

    def next_run_id(self) -> int:
        """The number of the next run to be recorded."""
        return int(self._con.execute("select coalesce(max(run_id), 0) + 1 from run").fetchall()[0][0])

    def find(self, path: str, table_name: str, sha256: str) -> FileRow | None:
        """The file of this path, table and content, if it was ever taken in."""
        return self._by_name.get((path, table_name, sha256))

    def find_bytes(self, table_name: str, sha256: str, mapping: str) -> FileRow | None:
        """The first file of these bytes and table that was read in this way, whatever its path."""
        return self._by_bytes.get((table_name, sha256, mapping))

    def rejected_lines(self, file_id: int) -> frozenset[int]:
        """Lines of a file whose rejection stands."""
        rows = self._con.execute("select distinct line from rejection where file_id = ?", [file_id]).fetchall()
        return frozenset(line for (line,) in rows)

    def write_files(self, loads: list[Load]) -> None:
        """Record files' first loads, each in place of an earlier failed try to read it."""
        if not loads:
            return
        tried = {file.file_id for file in self.files}
        for load in loads:
            if load.file_id in tried:
                self._con.execute("delete from file where file_id = ?", [load.file_id])
        rows = [{**asdict(load), **asdict(load.counts)} for load in loads]
        frame = pl.DataFrame(rows, schema_overrides={"undeclared": pl.List(pl.String)}).drop("counts")
        insert_frame(self._con, "file", frame)

    def replace_rejections(self, file_ids: list[int]) -> set[int]:
        """Let what `broken_rule` says of some files be their standing rejections; gives those it changed any for.

        `broken_rule` is a temporary table with the columns of `rejection`, and says nothing of other files.
        """
        known = {"known": [file.file_id for file in self.files if file.file_id in file_ids]}
        told = "select * from broken_rule where list_contains($known, file_id)"
        standing = "select * from rejection where list_contains($known, file_id)"
        query = f"""
            select file_id from broken_rule where not list_contains($known, file_id)
            union (select file_id from (({told}) except all ({standing})))
            union (select file_id from (({standing}) except all ({told})))
        """
        changed = {file_id for (file_id,) in self._con.execute(query, known).fetchall()}
        self._con.execute("delete from rejection where list_contains(?, file_id)", [list(changed)])
        self._con.execute("insert into rejection from broken_rule where list_contains(?, file_id)", [list(changed)])
        return changed

    def write_recheck(self, run_id: int, file_id: int, mapping: str) -> None:
        """Record that a run looked at a known file again, and found something changed."""
        self._con.execute("insert into recheck values (?, ?, ?)", [run_id, file_id, mapping])

    def write_run(self, run: Run, files: int, counts: Counts) -> None:
        """Record a run that took something in."""
        self._con.execute(
            "insert into run values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [run.run_id, run.version, run.started_at, run.finished_at, files,
             counts.rows, counts.accepted, counts.rejected, counts.duplicate, counts.superseded, run.timezone],
        )  # fmt: skip
