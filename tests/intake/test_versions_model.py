"""Versions told apart by the pipeline's SQL and by a plain loop over files and rows, on any files of any nights.

The loop is written from CONTRACT section 4 alone: "A row is a duplicate when it equals in every value the version of
its key that counts, or an earlier row of the file, superseded when a newer version of its key is known or stands in the
same file"; and section 1: of two versions with equal or missing `recorded_at`, the one taken in later counts.
"""

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.intake.versions import tell_versions_apart
from pipeline.intake.zones import make_branch_zones
from pipeline.store.database import create_from_frame, insert_frame
from support.exports import undone

Schema = dict[str, pl.DataType | type[pl.DataType]]

EVENT = datetime(2024, 5, 3, 10)


@dataclass(frozen=True)
class Row:
    """A row of a file: its key, a value, and the hours from its event to its recording, if it says so."""

    key: str
    value: int
    hours: int | None = None
    is_broken: bool = False

    @property
    def recorded(self) -> datetime:
        return EVENT + timedelta(hours=self.hours or 0)


File = list[Row]
Fates = dict[tuple[int, int], str]
"""By number of the file and of the row in it."""


@dataclass
class Loop:
    """Files taken in one after another; `is_dated` tells whether versions have a time at all."""

    is_dated: bool
    kept: dict[str, list[Row]] = field(default_factory=dict)

    def is_newer(self, one: Row, other: Row) -> bool:
        """Whether a version taken in before another counts more than it."""
        return self.is_dated and one.recorded > other.recorded

    def counting(self, key: str) -> Row | None:
        found: Row | None = None
        for row in self.kept.get(key, []):
            if found is None or not self.is_newer(found, row):
                found = row
        return found

    def take(self, file: File) -> list[str]:
        fates, fresh = [""] * len(file), []
        for at, row in enumerate(file):
            if row.is_broken:
                fates[at] = "broken"
            elif row == self.counting(row.key) or row in file[:at]:
                fates[at] = "duplicate"
            else:
                fresh.append(at)
        for at in fresh:
            row = file[at]
            newer = [known for known in self.kept.get(row.key, []) if self.is_newer(known, row)]
            newer += [file[before] for before in fresh if before < at and self.rivals(file[before], row)]
            newer += [file[after] for after in fresh if after > at and self.gives_way(row, file[after])]
            fates[at] = "superseded" if newer else "accepted"
        for at in fresh:
            self.kept.setdefault(file[at].key, []).append(file[at])
        return fates

    def rivals(self, before: Row, row: Row) -> bool:
        return before.key == row.key and self.is_newer(before, row)

    def gives_way(self, row: Row, after: Row) -> bool:
        return after.key == row.key and not self.is_newer(row, after)


class Pipeline:
    """The same files through the pipeline: a night's rows as read, told apart, and kept for the next."""

    def __init__(self, con: duckdb.DuckDBPyConnection, table: Table) -> None:
        self.con = con
        self.table = table
        self.n_taken = 0
        make_branch_zones(con)

    def take(self, files: dict[int, File]) -> Fates:
        lines = [(number, line, row) for number, file in files.items() for line, row in enumerate(file)]
        good = [(number, line, *self.values(row)) for number, line, row in lines if not row.is_broken]
        order = pl.DataFrame({"file_id": list(files), "file_order": list(range(len(files)))})
        create_from_frame(self.con, "arrival", order, temporary=True)
        after, self.n_taken = self.n_taken, self.n_taken + len(good)
        seq = pl.Series("seq", range(after + 1, self.n_taken + 1), dtype=pl.Int64)
        rows = pl.DataFrame(good, self.schema(), orient="row").with_columns(seq, pl.lit(1).alias("run_id"))
        insert_frame(self.con, f"raw_{self.table.name}", rows)
        tell_versions_apart(self.con, self.table, "UTC", after)
        told = dict(self.con.execute("select seq, fate from fate").fetchall())
        kept = {number for (number,) in self.con.execute(f"select seq from raw_{self.table.name}").fetchall()}
        assert kept.isdisjoint(number for number, fate in told.items() if fate == "duplicate")
        assert kept.issuperset(set(range(after + 1, self.n_taken + 1)) - told.keys())
        found = {place[:2]: told.get(number, "accepted") for number, place in enumerate(good, start=after + 1)}
        return {(number, line): found.get((number, line), "broken") for number, line, _ in lines}

    def values(self, row: Row) -> list[object]:
        """The key in the first column, the value in `quantity`, times in their own; everything else is unknown."""
        recorded_at = None if row.hours is None else row.recorded.isoformat()
        known = {self.table.key[0]: row.key, "quantity": row.value, "recorded_at": recorded_at}
        known |= dict.fromkeys(self.table.event_times, EVENT.isoformat())
        return [known.get(name) for name in self.table.column_names]

    def schema(self) -> Schema:
        types: dict[str, type[pl.DataType]] = {"bigint": pl.Int64, "date": pl.Date}
        columns: Schema = {column.name: types.get(column.sql_type, pl.String) for column in self.table.columns}
        return {"file_id": pl.Int64, "line": pl.Int64, **columns}


def undated(file: File, table: Table) -> File:
    """A file's rows without a time where its table has no column for one."""
    return file if table.version_times else [replace(row, hours=None) for row in file]


ROW = st.builds(
    Row,
    key=st.sampled_from("AB"),
    value=st.integers(1, 3),
    hours=st.sampled_from([None, 0, 1, 2, 3, 4]),
    is_broken=st.sampled_from([False] * 9 + [True]),
)
NIGHT = st.lists(st.lists(ROW, max_size=5), min_size=1, max_size=4)


@settings(deadline=None, max_examples=25)
@given(nights=st.lists(NIGHT, min_size=1, max_size=3))
@pytest.mark.parametrize("name", ["sales", "lots"])
def test_any_rows_have_the_fates_a_plain_loop_gives_them(
    shared_store: duckdb.DuckDBPyConnection, name: str, nights: list[list[File]]
) -> None:
    table = TABLE_BY_NAME[name]
    number = 0
    with undone(shared_store) as con:
        loop, pipeline = Loop(bool(table.version_times)), Pipeline(con, table)
        for night in nights:
            files = {number + at: undated(file, table) for at, file in enumerate(night)}
            number += len(files)
            expected = {
                (file_number, line): fate
                for file_number, file in files.items()
                for line, fate in enumerate(loop.take(file))
            }
            assert pipeline.take(files) == expected


def test_the_loop_itself_does_what_the_contract_says() -> None:
    a, b, late = Row("A", 1), Row("A", 2), Row("A", 3, hours=2)
    loop = Loop(is_dated=True)
    assert loop.take([a, a, b]) == ["superseded", "duplicate", "accepted"]
    assert loop.take([b, a, b]) == ["duplicate", "accepted", "duplicate"]
    assert loop.take([late, b]) == ["accepted", "superseded"]
    assert loop.take([a, Row("B", 1), Row("A", 9, is_broken=True)]) == ["superseded", "accepted", "broken"]
    assert Loop(is_dated=False).take([late, a]) == ["superseded", "accepted"]
