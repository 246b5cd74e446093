"""Simulated exports keep the contract, the calendar and their secrets, and come out the same for the same seed."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.contract.tables import TABLE_BY_NAME, TABLES
from pipeline.errors import UsageError
from pipeline.simulate import SimulationReport, simulate_chain, simulate_scenario

from .exports import files_of, latest, read, versions
from .intake import TakenIn

TABLE_NAMES = tuple(table.name for table in TABLES)
UNDECLARED = {("procedures", "B02"): ["phone"], ("sales", "B01"): ["till_user"]}


@pytest.mark.parametrize("name", TABLE_NAMES)
def test_a_files_header_is_the_contracts(any_chain: SimulationReport, name: str) -> None:
    files = [file for file in files_of(any_chain.directory, name) if file.stat().st_size]
    assert files
    for file in files:
        branch = file.name.removeprefix(f"{name}_")[:3]
        extra = UNDECLARED.get((name, branch), []) if "2_nights" in file.parts else []
        assert read(file).columns == [*TABLE_BY_NAME[name].column_names, *extra], file


def test_every_file_is_read_and_no_row_is_refused(small: SimulationReport, small_taken_in: TakenIn) -> None:
    loads = small_taken_in.loads.values()
    assert {load.table_name for load in loads} == set(TABLE_NAMES)
    assert all(load.is_readable and not load.undeclared for load in loads)
    assert small_taken_in.broken.select("path", "column_name", "rule").rows() == []
    assert sum(load.counts.rows for load in loads) == sum(small.rows.values())


def test_only_what_was_broken_on_purpose_is_refused(corrowmere_taken_in: TakenIn) -> None:
    loads = corrowmere_taken_in.loads
    assert [path for path, load in loads.items() if not load.is_readable] == ["2_nights/2026-05-25/sales_B05.csv"]
    refused = {path: load.counts.rejected for path, load in loads.items() if load.counts.rejected}
    again = {path: load.counts.rows for path, load in loads.items() if "_again" in path}
    assert refused == again
    assert sorted(again) == [f"2_nights/2026-05-25/{table}_B05_again.csv" for table in ("procedures", "sales")]
    undeclared = {(load.table_name, load.undeclared) for load in loads.values() if load.undeclared}
    assert undeclared == {("procedures", ("phone",)), ("sales", ("till_user",))}


@pytest.mark.parametrize("name", [table.name for table in TABLES if any(column.past for column in table.columns)])
def test_no_row_was_recorded_after_the_last_day(any_chain: SimulationReport, name: str) -> None:
    past = [column.name for column in TABLE_BY_NAME[name].columns if column.past]
    latest_days = versions(any_chain.directory, name).select(pl.col(past).str.slice(0, 10).max()).row(0)
    assert max(latest_days) <= any_chain.last_day.isoformat()


def test_data_end_on_the_last_day(any_chain: SimulationReport) -> None:
    performed = versions(any_chain.directory, "procedures")["performed_at"]
    assert performed.max()[:10] == any_chain.last_day.isoformat()  # type: ignore[index]
    assert performed.min()[:10] == any_chain.first_day.isoformat()  # type: ignore[index]


@pytest.mark.parametrize("name", [table.name for table in TABLES if table.event_times])
def test_versions_of_a_row_differ_in_when_they_were_recorded(any_chain: SimulationReport, name: str) -> None:
    rows = versions(any_chain.directory, name)
    key = TABLE_BY_NAME[name].key
    repeated = rows.filter(pl.len().over(key) > 1)
    assert len(repeated) > 0 or name == "sales"
    assert repeated["recorded_at"].null_count() == 0
    assert repeated.select(*key, "recorded_at").is_duplicated().sum() == 0


def test_rows_lead_to_the_reference_rows_they_name(any_chain: SimulationReport) -> None:
    folder = any_chain.directory
    procedures = latest(folder, "procedures")
    known = {
        "branch_id": versions(folder, "branches")["branch_id"],
        "practitioner_id": versions(folder, "practitioners")["practitioner_id"],
        "article_id": versions(folder, "articles")["article_id"],
    }
    for column, ids in known.items():
        assert set(procedures[column].drop_nulls()) - set(ids) == set(), column
    lots = versions(folder, "lots").select("lot_no", "branch_id")
    strays = procedures.filter(pl.col("lot_no").is_not_null()).join(lots, on=["lot_no", "branch_id"], how="anti")
    assert 0 < len(strays) < 0.004 * len(procedures)  # misread lots only
    assert strays["lot_no"].str.contains("O").all()
    products = set(versions(folder, "products")["product_id"])
    assert set(latest(folder, "sales")["product_id"]) <= products


def test_no_shop_uses_more_packs_of_a_lot_than_it_received(any_chain: SimulationReport) -> None:
    used = latest(any_chain.directory, "procedures").group_by("lot_no", "branch_id").len()
    lots = versions(any_chain.directory, "lots").with_columns(pl.col("quantity").cast(pl.Int64))
    assert (
        used.join(lots, on=["lot_no", "branch_id"]).select(pl.col("quantity") - pl.col("len")).to_series() >= 0
    ).all()


def test_the_ordinary_gaps_are_there_and_few(any_chain: SimulationReport) -> None:
    procedures = latest(any_chain.directory, "procedures")
    for column in ("lot_no", "age_years", "aftercare_given"):
        assert 0.01 < procedures[column].null_count() / len(procedures) < 0.05, column
    minors = procedures.filter(pl.col("age_years").cast(pl.Int64) < 18)
    alone = minors.filter(~pl.col("consent").str.starts_with("guardian")).height
    assert 0 < alone < 0.02 * len(minors)
    expired = procedures.filter(pl.col("pack_expiry") < pl.col("performed_at").str.slice(0, 10)).height
    assert 0 < expired < 0.004 * len(procedures)
    assert set(procedures["status"].drop_nulls()) == {"completed", "void", "abandoned"}
    revisits = latest(any_chain.directory, "revisits")
    moved = revisits.filter(pl.col("status") == "moved")
    assert moved["thread_id"].null_count() == 0
    assert (
        revisits.filter(pl.col("thread_id").is_in(moved["thread_id"].implode())).group_by("thread_id").len()["len"] > 1
    ).all()
    assert set(latest(any_chain.directory, "sales")["line_type"]) >= {"sale", "refund", "void", "gift"}
    aliases = versions(any_chain.directory, "practitioners").drop_nulls("alias_of")
    assert set(aliases["practitioner_id"]) <= set(procedures["practitioner_id"])


def test_the_answer_key_is_not_in_the_exports(any_chain: SimulationReport) -> None:
    inside = {file.relative_to(any_chain.directory) for file in any_chain.directory.rglob("*") if file.is_file()}
    assert all(file.name.startswith(TABLE_NAMES) for file in inside)
    assert any_chain.directory not in any_chain.answer_key.parents
    truth = pl.read_csv(any_chain.answer_key / "complications.csv.gz")
    assert truth.filter(~pl.col("heard")).height > 0


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def test_the_same_seed_gives_the_same_bytes_and_another_others(tmp_path: Path) -> None:
    for name, seed in (("first", 3), ("second", 3), ("other", 4)):
        simulate_chain(tmp_path / name, branches=2, weeks=9, seed=seed)
    first, second, other = (bytes_of(tmp_path / name) for name in ("first", "second", "other"))
    assert first == second
    assert first.keys() == other.keys()
    assert first["procedures_2026.csv.gz"] != other["procedures_2026.csv.gz"]
    assert bytes_of(tmp_path / "first.answer_key") == bytes_of(tmp_path / "second.answer_key")


def test_the_smallest_chain_has_every_table(tmp_path: Path) -> None:
    report = simulate_chain(tmp_path / "exports", branches=1, weeks=1, seed=0)
    assert set(report.rows) == set(TABLE_NAMES)
    assert report.rows["branches"] == 1
    assert report.piercings == latest(report.directory, "procedures").height


def test_a_chain_that_cannot_be_is_refused(tmp_path: Path) -> None:
    saturday = date(2026, 9, 26)
    with pytest.raises(UsageError, match="no Sunday"):
        simulate_chain(tmp_path / "exports", branches=1, weeks=1, seed=0, last_day=saturday)
    with pytest.raises(UsageError, match="at least one branch"):
        simulate_chain(tmp_path / "exports", branches=0, weeks=1, seed=0)
    with pytest.raises(UsageError, match="no scenario"):
        simulate_scenario(tmp_path / "exports", "elsewhere")
    assert not (tmp_path / "exports").exists()
    (tmp_path / "sales.csv").touch()
    with pytest.raises(UsageError, match="holds exports already"):
        simulate_chain(tmp_path, branches=1, weeks=1, seed=0)
