"""The sample tells its stories and accuses no decoy, on its last day and as known on earlier ones."""

from collections.abc import Iterator
from datetime import date

import duckdb
import polars as pl
import pytest

from pipeline.history import count_each
from pipeline.settings import Settings
from pipeline.store.database import read_store
from pipeline.watch.night import Memory, watch
from reports.edition import Edition
from support.editions import Published, sample_night

STORIES = {
    ("article", "K4", "contact_allergy"),
    ("practitioner:site_group", "P-014:upper_cartilage", "infection"),
    ("lot", "K3-M10-04", "infection"),
    ("batch", "SPRAY-M15-04", "infection"),
}
CAUSES = {(dimension, level) for dimension, level, _ in STORIES}


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Published:
    return sample_night(tmp_path_factory)


@pytest.fixture
def edition(published: Published) -> Edition:
    return published.edition


@pytest.fixture(scope="module")
def store(published: Published) -> Iterator[duckdb.DuckDBPyConnection]:
    with read_store(published.site.parent / "store.duckdb") as con:
        yield con


def found_on(store: duckdb.DuckDBPyConnection, edition: Edition, day: date) -> dict[str, pl.DataFrame]:
    """The watch on an earlier day, with the thresholds of the last one."""
    memory = Memory(thresholds=edition.results["thresholds"], may_solve=False)
    [(_, measures)] = count_each(store, Settings(), [day])
    return watch(measures, day, memory, None)


def likeliest(found: dict[str, pl.DataFrame], *complications: str) -> set[tuple[str, str]]:
    incidents = found["incidents"].filter(pl.col("complication").is_in(complications))
    return set(incidents.select("cause_dimension", "cause_level").iter_rows())


def test_on_the_last_day_every_story_is_an_incident_or_stands_out_over_the_year(edition: Edition) -> None:
    found = edition.results
    over_the_year = set(found["exposures"].filter("signal").select("dimension", "level", "complication").iter_rows())
    assert over_the_year == STORIES
    assert likeliest(found, "infection") == {("batch", "SPRAY-M15-04")}
    assert likeliest(found, "contact_allergy", "embedded_stud", "any") == {("article", "K4")}


def test_what_only_looks_so_is_told_as_it_is(edition: Edition) -> None:
    found = edition.results
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


@pytest.mark.parametrize("month", [1, 3, 5, 7, 8])
def test_on_earlier_days_every_incident_has_a_story_behind_it(
    store: duckdb.DuckDBPyConnection, edition: Edition, month: int
) -> None:
    found = found_on(store, edition, date(2026, month, 28))
    assert found["incidents"].height > 0
    causes = likeliest(found, *found["incidents"]["complication"])
    assert {cause for cause in causes - CAUSES if not cause[1].startswith("K4-")} == set()  # a lot of K4 is K4


def test_the_lot_is_named_while_it_is_in_use_and_the_batch_when_its_reports_come_in(
    store: duckdb.DuckDBPyConnection, edition: Edition
) -> None:
    assert ("lot", "K3-M10-04") in likeliest(found_on(store, edition, date(2026, 2, 22)), "infection")
    assert ("batch", "SPRAY-M15-04") in likeliest(found_on(store, edition, date(2026, 7, 12)), "infection")


def test_the_practitioner_is_named_four_months_after_it_began(
    store: duckdb.DuckDBPyConnection, edition: Edition
) -> None:
    named = likeliest(found_on(store, edition, date(2025, 12, 28)), "infection")
    assert ("practitioner:site_group", "P-014:upper_cartilage") in named
