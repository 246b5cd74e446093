"""History gives what the night of each day counts, of chains with late records and corrections of all kinds."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from oracle.chains import NOW, second_night, small_exports, write_exports
from pipeline import history
from pipeline.count import count
from pipeline.history import MEASURES, count_each
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.settings import Settings
from pipeline.store.database import open_store
from pipeline.store.sqlfiles import read_for, sql_files
from support.exports import KEY, Nights, Row, export

FIRST, PIERCED_ON, LAST = date(2024, 5, 1), date(2024, 5, 3), date(2024, 5, 31)
MAY = [FIRST + timedelta(days=at) for at in range(31)]


@contextmanager
def empty_store(folder: Path) -> Iterator[Nights]:
    with open_store(folder / "store.duckdb", KEY) as con:
        yield Nights(con, folder / "inbox")


def check(con: duckdb.DuckDBPyConnection, days: list[date], settings: Settings | None = None) -> list[str]:
    """Whether history gives what a night counts on each of some days; and what it gives for each, as text."""
    settings = settings or Settings()
    told = list(count_each(con, settings, days))
    assert [day for day, _ in told] == days
    for day, frames in told:
        _, counted = count(con, settings, day, MEASURES)
        for name in MEASURES:
            assert_frame_equal(frames[name].cast({pl.Enum: pl.String}), counted[name])
    return ["".join(frame.write_csv() for frame in frames.values()) for _, frames in told]


def infected(**changes: str) -> Row:
    contact = {"contacted_at": "2024-05-14T10:00", "channel": "phone", "outcome": "complication"}
    return contact | {"complication": "minor_infection", "onset_on": "2024-05-10"} | changes


BY_CLIENT = {"visit_id": "", "client_key": "client one"}
SOLD = {"product_id": "Q1", "batch_no": "X1", "sold_at": "2024-05-03T10:30"}

LATER: dict[str, list[tuple[str, Row]]] = {
    "a piercing is found void": [("procedures", {"status": "void", "recorded_at": "2024-05-16T10:00"})],
    "and completed all the same": [
        ("procedures", {"status": "void", "recorded_at": "2024-05-16T10:00"}),
        ("procedures", {"recorded_at": "2024-05-21T10:00"}),
    ],
    "its site is corrected": [("procedures", {"site": "helix", "recorded_at": "2024-05-16T10:00"})],
    "its branch and so its zone": [
        ("branches", {"branch_id": "B2", "name": "Hill", "timezone": "Pacific/Auckland"}),
        ("procedures", {"branch_id": "B2", "performed_at": "2024-05-03T20:00", "recorded_at": "2024-05-16T20:00"}),
    ],
    "it is moved to another's visit": [
        ("procedures", {"procedure_id": "P9", "visit_id": "V9", "client_key": "client nine"}),
        ("procedures", {"visit_id": "V9", "recorded_at": "2024-05-16T10:00"}),
        ("follow_ups", infected(follow_up_id="F9", visit_id="V9")),
    ],
    "and all that is known was of the other visit": [
        ("procedures", {"visit_id": "V9", "recorded_at": "2024-05-16T10:00"}),
        ("follow_ups", infected(follow_up_id="F9", visit_id="V9")),
        ("sales", SOLD | {"visit_id": "V9", "recorded_at": "2024-05-06T10:00"}),
        ("revisits", {"visit_id": "V9", "starts_at": "2024-05-12T10:00", "recorded_at": "2024-05-13T10:00"}),
    ],
    "it is performed later than recorded": [
        ("procedures", {"performed_at": "2024-05-09T10:00", "recorded_at": "2024-05-04T10:00"}),
        ("follow_ups", infected(follow_up_id="F9", onset_on="2024-05-11", recorded_at="2024-05-06T10:00")),
        ("follow_ups", {"follow_up_id": "F8", "contacted_at": "2024-05-07T10:00", "outcome": "well"}),
    ],
    "it bled, as is recorded late": [
        ("procedures", {"immediate_event": "excess_bleeding", "recorded_at": "2024-05-16T10:00"}),
        ("procedures", {"immediate_event": "excess_bleeding", "lot_no": "L7", "recorded_at": "2024-05-19T10:00"}),
    ],
    "an infection is told of and corrected": [
        ("follow_ups", infected(follow_up_id="F9")),
        ("follow_ups", infected(follow_up_id="F9", severity="2", recorded_at="2024-05-18T10:00")),
        ("follow_ups", infected(follow_up_id="F9", complication="contact_allergy", recorded_at="2024-05-19T10:00")),
        ("follow_ups", infected(follow_up_id="F9", outcome="well", complication="", recorded_at="2024-05-23T10:00")),
    ],
    "it is told by the client's name, whose later visit is recorded late": [
        ("follow_ups", infected(follow_up_id="F9", onset_on="2024-05-13") | BY_CLIENT),
        (
            "procedures",
            {
                "procedure_id": "P9",
                "visit_id": "V9",
                "performed_at": "2024-05-11T10:00",
                "recorded_at": "2024-05-20T10:00",
            },
        ),
    ],
    "the piercing is found to be of the client who told": [
        ("follow_ups", infected(follow_up_id="F9") | BY_CLIENT | {"client_key": "client nine"}),
        ("procedures", {"client_key": "client nine", "recorded_at": "2024-05-16T10:00"}),
    ],
    "it is told of a piercing alone": [
        ("follow_ups", infected(follow_up_id="F9", visit_id="", procedure_id="P1")),
        ("procedures", {"procedure_id": "P1", "status": "abandoned", "recorded_at": "2024-05-20T10:00"}),
    ],
    "the piercing it fits better is recorded late": [
        ("follow_ups", infected(follow_up_id="F9", ear="left", site="helix")),
        (
            "procedures",
            {"procedure_id": "P10", "ear": "left", "site": "helix", "recorded_at": "2024-05-20T10:00"},
        ),
    ],
    "of two that fit, the first in text order is recorded late": [
        ("follow_ups", infected(follow_up_id="F9")),
        ("procedures", {"procedure_id": "P", "recorded_at": "2024-05-20T10:00"}),
        ("procedures", {"procedure_id": "P10", "recorded_at": "2024-05-03T10:00"}),
    ],
    "the report names another visit in the end": [
        ("procedures", {"procedure_id": "P9", "visit_id": "V9", "client_key": "client nine"}),
        ("follow_ups", infected(follow_up_id="F9")),
        ("follow_ups", infected(follow_up_id="F9", visit_id="V9", recorded_at="2024-05-20T10:00")),
    ],
    "a booking is attended": [
        ("revisits", {"status": "booked", "starts_at": "2024-05-12T10:00", "recorded_at": "2024-05-04T10:00"}),
        ("revisits", {"starts_at": "2024-05-12T10:00", "recorded_at": "2024-05-13T10:00"}),
        ("revisits", {"starts_at": "2024-05-12T10:00", "visit_id": "V9", "recorded_at": "2024-05-24T10:00"}),
    ],
    "aftercare is sold to a client of the day, and the receipt made void": [
        ("sales", SOLD | {"client_key": "client one"}),
        ("sales", SOLD | {"line_no": "2", "batch_no": "X2", "client_key": "client one"}),
        ("sales", SOLD | {"line_no": "3", "line_type": "void", "recorded_at": "2024-05-16T10:00"}),
    ],
    "a receipt is found to be of the visit": [
        ("sales", SOLD),
        ("sales", SOLD | {"visit_id": "V1", "recorded_at": "2024-05-16T10:00"}),
        ("sales", SOLD | {"visit_id": "V1", "batch_no": "X3", "recorded_at": "2024-05-18T10:00"}),
    ],
}


def stamps_of(row: Row) -> list[str]:
    """The times and days a row tells of."""
    return [value for name, value in row.items() if name.endswith(("_at", "_on"))]


@pytest.mark.parametrize("story", LATER)
def test_what_is_recorded_later_counts_from_its_day_on(story: str, tmp_path: Path) -> None:
    with empty_store(tmp_path) as store:
        files = {f"{name}.csv": export(name, {}) for name in ("branches", "products", "procedures")}
        files |= {f"{table}_{at}.csv": export(table, change) for at, (table, change) in enumerate(LATER[story])}
        taken = store.take(files)
        assert taken.counts.rejected == 0
        stamps = {
            FIRST,
            PIERCED_ON,
            LAST,
            *(date.fromisoformat(value[:10]) for _, row in LATER[story] for value in stamps_of(row)),
        }
        told = check(store.con, sorted(stamps))
    assert sum(one != other for one, other in pairwise(told)) > 1  # the piercing, and then what is recorded later


@pytest.mark.parametrize("seed", range(3))
def test_invented_chains_are_known_each_day_as_its_night_counts_them(seed: int, tmp_path: Path) -> None:
    rng = Random(seed)
    settings = Settings(timezone=rng.choice(("UTC", "Asia/Tokyo", "America/Los_Angeles")))
    with empty_store(tmp_path) as store:
        exports = small_exports(rng)
        for at, files in enumerate((exports, second_night(rng, exports))):
            write_exports(store.inbox, files)
            now = NOW + timedelta(days=at)
            take_in(
                store.con, look_into(store.inbox), now=now, zone=settings.timezone, key=KEY, progress=lambda _: None
            )
        count(store.con, settings, None, MEASURES)
        recorded = " union ".join(f"select recorded_on from {name}" for name in history._KEYS)
        days = [day for (day,) in store.con.execute(f"{recorded} order by 1").fetchall()]
        told = check(store.con, sorted(rng.sample(days, 9)), settings)
    assert len(set(told)) > 5


@pytest.mark.parametrize("most", [1, 9])
def test_days_may_be_counted_some_at_a_time(most: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(history, "_MOST_RECORDS", most)
    counted: list[date] = []
    run_files = history.run_files

    def counting(con: duckdb.DuckDBPyConnection, names: Iterable[str], params: dict[str, Any]) -> None:
        counted.extend([params["as_of"]] if "as_of" in params else [])
        run_files(con, names, params)

    monkeypatch.setattr(history, "run_files", counting)
    with empty_store(tmp_path) as store:
        store.take(
            {
                f"procedures_{at}.csv": export(
                    "procedures", {"procedure_id": f"P{at % 4}", "recorded_at": f"2024-05-{at + 3:02d}T10:00"}
                )
                for at in range(9)
            }
        )
        check(store.con, MAY[:14])
    assert counted[-1] == MAY[13]
    assert 1 < len(set(counted)) < 14


def test_days_on_which_nothing_is_known_are_empty(tmp_path: Path) -> None:
    with empty_store(tmp_path) as store:
        assert set(check(store.con, MAY[:2])) == set(check(store.con, [LAST]))
        assert list(count_each(store.con, Settings(), [])) == []


def test_every_table_the_watch_reads_whose_versions_count_by_day_is_known_by_its_keys() -> None:
    read = {name for name in read_for(MEASURES) for name in (*sql_files()[name].reads,)}
    staged = {name for name in read if name in sql_files() and sql_files()[name].layer == "1_staging"}
    by_version = {name for name in staged if "seq" in {column.name for column in sql_files()[name].columns}}
    assert by_version == {*history._KEYS, *history._DAYS_OF}
    for name, keys in history._KEYS.items():
        named = {column.name for column in sql_files()[name].columns if column.name.endswith(("_id", "_key"))}
        assert set(keys) == named - {"branch_id", "practitioner_id", "article_id", "product_id", "thread_id"}
