"""Rows older than are kept go from the store and the originals; rates and the weeks they told of stay."""

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any, cast

import duckdb
import polars as pl
import pytest

from pipeline import nightly
from pipeline.errors import UsageError
from pipeline.store import retention
from pipeline.store.journal import journal_path, read_journal
from support.exports import export

from .conftest import Shop, plain_site
from .histories import Files, Tables, copy_of, differing, night, original_of, rebuilt, tables

pytestmark = pytest.mark.usefixtures("quick")

FIRST_DAY, LAST_DAY = date(2020, 1, 8), date(2024, 6, 27)  # whole steps of three days, up to before the tests' clock
CUTOFF = date(2021, 6, 28)  # 2024-06-27 less 1095 days is 2021-06-28, a Monday
WEEKS_BEFORE = date(2021, 7, 26)  # four weeks later
WEEKLY_RESULTS = ("weekly", "attach", "revisits", "coverage")
Rows = list[dict[str, Any]]


def history(first: date, last: date, mark: str = "") -> Files:
    """A piercing every third day, its sale, an answer two weeks later (every fifth an infection), and a revisit."""
    days = [first + timedelta(days=n) for n in range(0, (last - first).days + 1, 3)]
    told = [(f"{mark}{day:%y%m%d}", day, day + timedelta(days=14)) for day in days]
    return {
        f"procedures_{mark}1.csv": export(
            "procedures",
            *(
                {"procedure_id": f"P{n}", "visit_id": f"V{n}", "client_key": f"c {n}", "performed_at": f"{day}T10:00"}
                for n, day, _ in told
            ),
        ),
        f"sales_{mark}1.csv": export(
            "sales", *({"sale_id": f"S{n}", "visit_id": f"V{n}", "sold_at": f"{day}T10:30"} for n, day, _ in told)
        ),
        f"follow_ups_{mark}1.csv": export(
            "follow_ups",
            *(
                {
                    "follow_up_id": f"F{n}",
                    "visit_id": f"V{n}",
                    "contacted_at": f"{later}T10:00",
                    "initiated_by": "branch",
                    "outcome": "well" if place % 5 else "complication",
                    "complication": "" if place % 5 else "minor_infection",
                }
                for place, (n, _, later) in enumerate(told)
                if later <= last
            ),
        ),
        f"revisits_{mark}1.csv": export(
            "revisits",
            *(
                {"revisit_id": f"R{n}", "visit_id": f"V{n}", "starts_at": f"{later}T09:00"}
                for n, _, later in told
                if later <= last
            ),
        ),
    }


HISTORY: Files = {
    "branches.csv": export("branches", {"timezone": "Europe/London"}),
    "products.csv": export("products", {}),
    "lots.csv": export("lots", {"received_on": "2019-01-05"}),
    "stock_counts.csv": export("stock_counts", {"counted_at": "2020-06-01T18:00"}, {}),
    **history(FIRST_DAY, LAST_DAY),
}


@pytest.fixture(scope="session")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Shop, Shop]:
    """The same history in a shop that keeps a hundred years, and in one that keeps three."""
    shops = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nightly, "build_site", plain_site)
        for years in (100, 3):
            folder = tmp_path_factory.mktemp("years") / "shop"
            folder.mkdir()
            night(Shop(folder), HISTORY, keep_years=years)
            shops.append(Shop(folder))
    return shops[0], shops[1]


@pytest.fixture
def aged(both: tuple[Shop, Shop], tmp_path: Path) -> Shop:
    """A shop whose first night aged out a year and a half of its history."""
    return copy_of(both[1], tmp_path / "aged")


def result(shop: Shop, name: str) -> pl.DataFrame:
    with duckdb.connect(str(shop.store), read_only=True) as con:
        return pl.DataFrame(con.sql(f"from result_{name}"))


def monday(row: dict[str, Any]) -> date | None:
    """The week a row of a result is of, told apart from the pipeline's own way."""
    if "week" in row:
        return cast(date, row["week"])
    return date.fromisoformat(row["period"][5:]) if row["period"] != "52w" else None


def old_weeks(shop: Shop, name: str, before: date = WEEKS_BEFORE) -> Rows:
    return [row for row in result(shop, name).to_dicts() if (week := monday(row)) and week < before]


def days(shop: Shop, name: str) -> list[str]:
    at = retention.EVENT_TIMES[name]
    with duckdb.connect(str(shop.store), read_only=True) as con:
        return [day for (day,) in con.execute(f"select left({at}, 10) from raw_{name} order by 1").fetchall()]


def without(frame: pl.DataFrame, *names: str) -> Rows:
    return frame.drop(names).to_dicts()


def test_rates_are_the_same_with_and_without_ageing(both: tuple[Shop, Shop]) -> None:
    whole, aged = (result(shop, "complication_rates") for shop in both)
    assert without(whole, "data_from") == without(aged, "data_from")
    assert whole["data_from"].unique().to_list() == [FIRST_DAY]
    assert CUTOFF <= aged["data_from"].min() <= CUTOFF + timedelta(days=2)  # type: ignore[operator]
    assert {row["window_days"] for row in aged.to_dicts() if row["procedures"]} == {30, 90, 365}


@pytest.mark.parametrize("name", WEEKLY_RESULTS)
def test_no_week_is_lost_or_changed(both: tuple[Shop, Shop], name: str) -> None:
    whole, aged = both
    assert old_weeks(whole, name) == old_weeks(aged, name)
    assert len(old_weeks(aged, name)) > 70
    # what a newer week is expected to have is judged from what is left of the reference period
    expected = ("infections_expected",) if name == "weekly" else ()
    assert without(result(whole, name), *expected) == without(result(aged, name), *expected)


def test_ageing_moves_no_baseline_and_no_run(both: tuple[Shop, Shop]) -> None:
    whole, aged = (result(shop, "control_charts").sort("chart", "subgroup") for shop in both)
    assert whole["baseline_to"].max() < CUTOFF  # type: ignore[operator]
    assert whole["subgroup"].min() != "0001"
    fired = ("rule", "rule_side")  # eight runs in a row can begin among those whose rows are gone
    assert without(whole, *fired) == without(aged, *fired)


@pytest.mark.parametrize("name", retention.EVENT_TIMES)
def test_rows_before_the_cutoff_are_gone_and_the_others_there(both: tuple[Shop, Shop], name: str) -> None:
    whole, aged = (days(shop, name) for shop in both)
    assert aged == [day for day in whole if day >= CUTOFF.isoformat()]
    assert 0 < len(aged) < len(whole)


@pytest.mark.parametrize("name", retention.EVENT_TIMES)
def test_originals_lose_the_same_rows(both: tuple[Shop, Shop], name: str) -> None:
    at = retention.EVENT_TIMES[name]
    kept = [sorted(text[:10] for text in original_of(shop, name)[at]) for shop in both]
    assert kept == [days(shop, name) for shop in both]


def test_reference_rows_and_the_ledger_stay(both: tuple[Shop, Shop]) -> None:
    whole, aged = (tables(shop.store) for shop in both)
    names = ("raw_branches", "raw_lots", "raw_products", "file", "rejection", "run")
    assert [name for name in names if whole[name] != aged[name]] == []


def test_kept_weeks_hold_no_client_visit_or_piercing(aged: Shop) -> None:
    with duckdb.connect(str(aged.store), read_only=True) as con:
        columns = con.execute("select table_name, column_name from duckdb_columns() where table_name like 'aged_%'")
        assert {column for _, column in columns.fetchall()}.isdisjoint({"client_key", "visit_id", "procedure_id"})
    text = "".join(line for line in journal_path(aged.store).read_text().splitlines() if '"ageing"' in line)
    assert text
    assert "P200108" not in text
    assert "V200108" not in text


def test_the_next_night_with_nothing_new_changes_no_byte(aged: Shop) -> None:
    before = aged.state()
    night(aged, day=1, keep_years=3)
    assert aged.state() == before


def test_a_late_file_of_an_aged_week_is_counted_in_the_ledger_and_changes_no_week(aged: Shop) -> None:
    before = {name: old_weeks(aged, name) for name in WEEKLY_RESULTS}
    night(aged, history(date(2020, 2, 3), date(2020, 3, 30), "late"), day=1, keep_years=3)
    intake = {row["file"]: row for row in result(aged, "intake").to_dicts()}
    assert intake["procedures_late1.csv"]["accepted"] == intake["procedures_late1.csv"]["rows"] == 19
    assert {name: old_weeks(aged, name) for name in WEEKLY_RESULTS} == before
    assert all(day >= CUTOFF.isoformat() for day in days(aged, "procedures"))
    assert original_of(aged, "procedures").filter(pl.col("procedure_id").str.contains("late")).is_empty()
    still = aged.state()
    night(aged, day=2, keep_years=3)
    assert aged.state() == still


def test_weeks_age_on_as_nights_go_by(aged: Shop) -> None:
    before = {name: old_weeks(aged, name, WEEKS_BEFORE + timedelta(days=21)) for name in WEEKLY_RESULTS}
    later = LAST_DAY + timedelta(days=21)
    night(aged, history(LAST_DAY + timedelta(days=3), later, "next"), day=21, keep_years=3)
    assert min(days(aged, "procedures")) >= (CUTOFF + timedelta(days=14)).isoformat()
    for name in WEEKLY_RESULTS:
        now = old_weeks(aged, name, WEEKS_BEFORE + timedelta(days=21))
        assert len(now) == len(before[name])
        assert old_weeks(aged, name) == [row for row in before[name] if (monday(row) or LAST_DAY) < WEEKS_BEFORE]
    with duckdb.connect(str(aged.store), read_only=True) as con:
        assert con.execute("select count(*) from ageing").fetchall() == [(2,)]
        assert con.execute("select max(n) from (select count(*) as n from aged_weekly group by week)").fetchall() == [
            (1,)
        ]


def without_numbers(store: Tables) -> Tables:
    """A store's tables; raw rows without their number, which counts on over rows that are gone."""
    return {name: [row[1:] for row in rows] if name.startswith("raw_") else rows for name, rows in store.items()}


def sorted_rows(store: Tables) -> Tables:
    return {name: sorted(rows, key=repr) for name, rows in without_numbers(store).items()}


def test_kept_weeks_survive_a_rebuild(aged: Shop) -> None:
    night(aged, history(LAST_DAY + timedelta(days=3), LAST_DAY + timedelta(days=21), "next"), day=21, keep_years=3)
    before = sorted_rows(tables(aged.store))
    assert before["aged_weekly"]
    assert differing(before, sorted_rows(rebuilt(aged))) == []


def test_a_rebuild_takes_out_what_originals_still_hold(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(retention, "clear_originals", breaks_of_disk)
        outcome = night(shop, HISTORY, keep_years=3)
    assert [warning for warning in outcome.warnings if f"before {CUTOFF}" in warning]
    assert original_of(shop, "sales")["sold_at"].min() == f"{FIRST_DAY}T10:30"
    before = sorted_rows(tables(shop.store))
    assert differing(before, sorted_rows(rebuilt(shop))) == []
    outcome = night(shop, day=1, keep_years=3)
    assert outcome.warnings == ()
    assert original_of(shop, "sales")["sold_at"].min() >= f"{CUTOFF}"  # type: ignore[operator]


class BreakdownError(Exception):
    """A fault that no one foresaw."""


def breaks(*_: object, **__: object) -> None:
    raise BreakdownError


def breaks_of_disk(*_: object) -> None:
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("step", ["judge", "build_site"])
def test_a_night_that_fails_while_it_ages_out_leaves_everything(
    both: tuple[Shop, Shop], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    shop = copy_of(both[0], tmp_path / "whole")
    before = shop.state()
    with monkeypatch.context() as patch:
        patch.setattr(nightly, step, breaks)
        with pytest.raises(BreakdownError):
            night(shop, day=1, keep_years=3)
    assert shop.state() == before


def test_an_ageing_written_down_but_not_committed_is_undone(aged: Shop) -> None:
    entry = {"ageing": "2022-01-03", "kept": {}, "weeks_before": "2022-01-31"}
    with journal_path(aged.store).open("a") as file:
        file.write(json.dumps(entry) + "\n")
    night(aged, day=1, keep_years=3)
    assert {"ageing_undone": "2022-01-03"} in read_journal(aged.store)
    before = sorted_rows(tables(aged.store))
    assert differing(before, sorted_rows(rebuilt(aged))) == []


def test_a_key_with_a_version_after_the_cutoff_stays_whole(shop: Shop) -> None:
    other = {"procedures_0.csv": export("procedures", {"procedure_id": "P0", "performed_at": "2012-05-03T10:00"})}
    mended = {"procedures_2.csv": export("procedures", {"procedure_id": "P0", "performed_at": "2022-05-03T10:00"})}
    night(shop, {**HISTORY, **other, **mended}, keep_years=3)
    assert days(shop, "procedures")[0] == "2012-05-03"
    assert "2012-05-03T10:00" in original_of(shop, "procedures")["performed_at"]
    before = sorted_rows(tables(shop.store))
    assert differing(before, sorted_rows(rebuilt(shop))) == []


@pytest.mark.parametrize("day", [CUTOFF - timedelta(days=400), WEEKS_BEFORE - timedelta(days=1)])
def test_a_day_whose_records_are_aged_out_is_refused(aged: Shop, tmp_path: Path, day: date) -> None:
    before = aged.state()
    with pytest.raises(UsageError, match=f"Records before {WEEKS_BEFORE} are aged out"):
        aged.report(tmp_path / "again", day)
    with pytest.raises(UsageError, match=f"Records before {WEEKS_BEFORE} are aged out"):
        aged.night(as_of=day)
    assert aged.state() == before
    assert aged.report(tmp_path / "again", WEEKS_BEFORE).summary["as_of"] == WEEKS_BEFORE.isoformat()


def test_a_history_of_less_than_is_kept_ages_nothing(open_shop: Shop) -> None:
    before = open_shop.state()
    open_shop.night()
    assert open_shop.state() == before
    with duckdb.connect(str(open_shop.store), read_only=True) as con:
        assert con.execute("from ageing").fetchall() == []
