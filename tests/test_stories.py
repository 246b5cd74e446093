"""The sample tells its stories and accuses no decoy, on its last day and as known on earlier ones."""

from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.count import count
from pipeline.intake.inbox import look_into
from pipeline.intake.load import take_in
from pipeline.judge import judge
from pipeline.settings import Settings
from pipeline.store.database import open_store, read_store

SAMPLE = Path(__file__).parents[1] / "sample_exports"
STORIES = {
    ("article", "K4", "contact_allergy"),
    ("practitioner:site_group", "P-014:upper_cartilage", "infection"),
    ("lot", "K3-M10-04", "infection"),
    ("batch", "SPRAY-M15-04", "infection"),
}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    path = tmp_path_factory.mktemp("stories") / "scapha.duckdb"
    with open_store(path, b"a key") as con:
        now = datetime(2026, 11, 1, 3, tzinfo=UTC).replace(tzinfo=None)
        take_in(con, look_into(SAMPLE), now=now, zone="UTC", key=b"a key", progress=lambda _: None)
        con.execute("commit")
    with read_store(path) as con:
        yield con


def results(store: duckdb.DuckDBPyConnection, as_of: date | None) -> dict[str, pl.DataFrame]:
    known_by, measures = count(store, Settings(), as_of)
    return judge(measures, known_by, {})


def signalled(found: dict[str, pl.DataFrame]) -> set[tuple[str, str, str]]:
    return set(found["signals"].select("dimension", "level", "complication").iter_rows())


def test_on_the_last_day_every_cause_is_named_and_nothing_else(store: duckdb.DuckDBPyConnection) -> None:
    found = results(store, None)
    assert signalled(found) == STORIES
    infection = found["comparison"].filter(pl.col("complication") == "infection")
    assert infection.filter(~pl.col("comparable"))["branch_id"].to_list() == ["B04"]
    lowest = found["complication_rates"].filter(
        (pl.col("dimension") == "branch") & (pl.col("complication") == "infection")
    )
    assert lowest.sort("rate")["level"][0] == "B04"
    year = found["attach"].filter((pl.col("level") == "B03") & (pl.col("period") == "52w")).row(0, named=True)
    assert year["provided_visits"] > 2 * year["attached_visits"]
    refused = found["rejected_rows"]["file"].unique().to_list()
    assert {file.split("/")[1] for file in refused} == {"2026-05-25"}


@pytest.mark.parametrize("month", [1, 2, 3, 5, 7])
def test_on_earlier_days_no_decoy_is_accused(store: duckdb.DuckDBPyConnection, month: int) -> None:
    assert signalled(results(store, date(2026, month, 28))) <= STORIES


def test_the_lot_and_the_batch_are_named_within_ten_weeks_of_their_last_use(store: duckdb.DuckDBPyConnection) -> None:
    assert ("lot", "K3-M10-04", "infection") in signalled(results(store, date(2026, 3, 29)))
    assert ("batch", "SPRAY-M15-04", "infection") in signalled(results(store, date(2026, 8, 30)))
