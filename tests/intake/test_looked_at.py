"""What the reader sees of ids and times at once spares the rules a look, and changes nothing that they say."""

from typing import Any

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.contract.checks import read_query
from pipeline.contract.columns import ID_LENGTH, Kind
from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.intake.reading import _looked_at
from pipeline.store.database import fetch, registered

TABLE = TABLE_BY_NAME["follow_ups"]
IDS = st.one_of(
    st.none(), st.sampled_from(["F1", "a:b", "a\tb", "a\x85b", "é" * ID_LENGTH, "x" * (ID_LENGTH + 1), "\x7f"])
)
TIMES = st.one_of(
    st.none(),
    st.sampled_from(
        [
            *(
                "2031-05-04T10:00",
                "2031-05-04T10:00:59",
                "2031-05-04T10:00:00Z",
                "2031-05-04T10:00+02",
                "2031-02-30T10:00",
            ),
            *("0000-01-01T10:00", "0001-01-01T00:00", "0010-01-01T00:00", "9999-12-31T23:59", "2031-05-04T24:00"),
            *(
                "2031-05-04T10:00:60",
                "2031-05-04T10:00:00.5",
                "2031-05-04 10:00",
                "2031-05-04T10:00\n",
                "31-05-04T10:00",
            ),
        ]
    ),
)
ROWS = st.lists(st.tuples(IDS, IDS, TIMES, TIMES), min_size=1, max_size=6)


@settings(deadline=None, max_examples=300)
@given(ROWS)
def test_rows_read_alike_whether_they_were_looked_at_or_not(
    shared_store: duckdb.DuckDBPyConnection, rows: list[tuple[str | None, ...]]
) -> None:
    names = ("follow_up_id", "visit_id", "contacted_at", "recorded_at")
    frame = pl.DataFrame(rows, schema=dict.fromkeys(names, pl.String), orient="row")
    numbers = pl.int_range(pl.len(), dtype=pl.Int64)
    others = [pl.lit(None, pl.String).alias(name) for name in TABLE.column_names if name not in names]
    frame = frame.with_columns(numbers.alias("seq"), numbers.alias("file_id"), numbers.alias("line"), *others)
    unknown = frame.with_columns(ids_are_sound=False, times_are_plain=False)
    assert read(shared_store, _looked_at(frame, TABLE)) == read(shared_store, unknown)


def read(con: duckdb.DuckDBPyConnection, frame: pl.DataFrame) -> list[tuple[Any, ...]]:
    with registered(con, "text_rows", frame):
        return fetch(con, f"from ({read_query(TABLE, 'text_rows')}) order by seq").rows()


@pytest.mark.parametrize(
    ("column", "value", "seen"),
    [
        ("follow_up_id", "F-1", (True, True)),
        ("follow_up_id", "é" * ID_LENGTH, (True, True)),
        ("visit_id", "a:b", (False, True)),
        ("visit_id", "x" * (ID_LENGTH + 1), (False, True)),
        ("contacted_at", "2031-05-04T10:00", (True, True)),
        ("recorded_at", "2031-05-04T10:00Z", (True, False)),
        ("contacted_at", "0000-05-04T10:00", (True, False)),
        ("outcome", "a:b", (True, True)),
    ],
)
def test_what_is_seen_of_all_rows_at_once(column: str, value: str, seen: tuple[bool, bool]) -> None:
    names = [one.name for one in TABLE.columns if one.kind is not Kind.CLIENT]
    frame = pl.DataFrame(
        {name: [value if name == column else None, None] for name in names},
        schema_overrides=dict.fromkeys(names, pl.String),
    )
    found = _looked_at(frame, TABLE)
    assert found.select("ids_are_sound", "times_are_plain").rows() == [seen, seen]
