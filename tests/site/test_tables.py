"""The tables behind the pages: the contract's columns first, full precision, nothing a spreadsheet would run."""

import csv
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hostile import FORMULAS

from pipeline.results import RESULT_BY_NAME
from reports.tables import as_csv
from support.editions import Published

CONTRACT = {
    "complication_rates": "dimension level complication window_days period_start period_end procedures events rate "
    "wilson_low wilson_high reached coverage rate_reached reached_low reached_high",
    "attach": "dimension level period eligible_visits attached_visits rate wilson_low wilson_high provided_visits "
    "linked_visits",
    "revisits": "dimension level period due attended no_show cancelled_late unknown no_show_rate wilson_low "
    "wilson_high",
    "weekly": "week branch_id visits procedures infections_observed infections_expected aftercare_net jewellery_net",
    "control_charts": "chart dimension level complication subgroup n observed statistic centre lower upper signal",
    "comparison": "branch_id complication observed expected ratio ratio_low ratio_high limit_low_95 limit_high_95 "
    "limit_low_998 limit_high_998 shrunk_ratio comparable reason",
    "signals": "signal_id raised_on complication dimension level method started_on observed expected ratio ratio_low "
    "ratio_high statistic threshold state",
    "record_gaps": "procedure_id branch_id performed_on gap",
    "intake": "file table sha256 rows accepted rejected duplicate superseded loaded_at",
    "rejected_rows": "file table line rule column value remedy",
}
"""As section 4 of the contract has them."""
ALSO = {"complication_rates": {"attributed", "data_from"}, "rejected_rows": {"sha256"}, "weekly": {"currency"}}
"""Columns the contract names further on in words."""
NO_VALUES = {"nan", "inf", "-inf", "none", "null", "<na>"}
COUNT = re.compile(r"-?\d+")
NUMBER = re.compile(r"-?\d+(\.\d+)?(e-?\d+)?")


def rows_of(path: Path) -> Iterator[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file, strict=True)


@pytest.mark.parametrize("name", CONTRACT)
def test_the_contracts_columns_stand_first_and_in_order(any_site: Published, name: str) -> None:
    with (any_site.site / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        heads = next(csv.reader(file))
    fixed = CONTRACT[name].split()
    assert heads[: len(fixed)] == fixed
    assert set(heads) >= ALSO.get(name, set())
    assert len(set(heads)) == len(heads)


@pytest.mark.parametrize("name", RESULT_BY_NAME)
def test_every_cell_reads_as_its_type_or_is_empty(any_site: Published, name: str) -> None:
    schema = RESULT_BY_NAME[name].schema
    path = any_site.site / "tables" / f"{name}.csv"
    n_rows = 0
    for row in rows_of(path):
        n_rows += 1
        assert None not in row
        assert None not in row.values()
        for column, text in row.items():
            if text:
                check_cell(schema[column], text)
    assert n_rows == any_site.edition.results[name].height


def check_cell(dtype: pl.DataType | type[pl.DataType], text: str) -> None:
    """Hold a cell that is not empty against its column's type."""
    if dtype == pl.String:
        assert text[0] not in "=+-@\t\r"
        return
    assert text.lower() not in NO_VALUES
    if dtype == pl.Date:
        assert date.fromisoformat(text).isoformat() == text
    elif dtype == pl.Boolean:
        assert text in ("true", "false")
    elif dtype == pl.Int64:
        assert COUNT.fullmatch(text)
    elif isinstance(dtype, pl.Datetime):
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", text)
    else:
        assert NUMBER.fullmatch(text)


@pytest.mark.parametrize("name", [name for name, one in RESULT_BY_NAME.items() if pl.Float64 in one.schema.values()])
def test_numbers_are_written_in_full(sample: Published, name: str) -> None:
    frame = sample.edition.results[name]
    floats = [column for column, dtype in frame.schema.items() if dtype == pl.Float64]
    written = [tuple(row[column] for column in floats) for row in rows_of(sample.site / "tables" / f"{name}.csv")]
    assert [tuple(float(text) if text else None for text in row) for row in written] == frame.select(floats).rows()


def test_rows_stand_in_the_order_of_their_grain(any_site: Published) -> None:
    for name, result in RESULT_BY_NAME.items():
        frame = any_site.edition.results[name].select(result.grain)
        assert frame.equals(frame.sort(result.grain)), name
        assert frame.is_duplicated().sum() == 0, name


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("=1+1", "'=1+1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("\r=1", "'\r=1"),
        ("\n=1", "'\n=1"),
        ("\uff1d1+1", "'\uff1d1+1"),
        ("\uff201", "'\uff201"),
        ("1-1", "1-1"),
        ("a=1", "a=1"),
        ("'=1", "'=1"),
        (" =1", " =1"),
        ("", ""),
        (None, ""),
        ("nan", "nan"),
        ('a "b", c', 'a "b", c'),
        ("two\nlines", "two\nlines"),
    ],
)
def test_a_text_that_begins_like_a_formula_gets_an_apostrophe(value: str | None, text: str) -> None:
    written = as_csv(pl.DataFrame({"level": [value], "x": [1]}, schema={"level": pl.String, "x": pl.Int64}))
    (row,) = list(csv.DictReader(written.splitlines(keepends=True)))
    assert row == {"level": text, "x": "1"}


def test_numbers_and_days_get_none() -> None:
    frame = pl.DataFrame(
        {"count": [-5], "share": [-0.25], "money": ["-12.5000000000"], "on": [date(2031, 2, 10)], "is": [True]},
        schema_overrides={"money": pl.String},
    ).with_columns(pl.col("money").cast(pl.Decimal(38, 10)))
    assert as_csv(frame) == "count,share,money,on,is\n-5,-0.25,-12.5,2031-02-10,true\n"


@pytest.mark.parametrize(
    ("amount", "text"),
    [("0", "0"), ("100", "100"), ("1200.50", "1200.5"), ("0.0000000001", "0.0000000001"), ("-3", "-3"), (None, "")],
)
def test_amounts_shed_idle_zeros_only(amount: str | None, text: str) -> None:
    frame = pl.DataFrame({"name": ["x"], "net": [amount]}, schema={"name": pl.String, "net": pl.String})
    assert as_csv(frame.with_columns(pl.col("net").cast(pl.Decimal(38, 10)))) == f"name,net\nx,{text}\n"


def test_missing_values_are_empty() -> None:
    frame = pl.DataFrame(
        {"a": [None], "b": [None], "c": [None], "d": [None], "e": ["x"]},
        schema={"a": pl.Float64, "b": pl.Date, "c": pl.Boolean, "d": pl.Datetime("us"), "e": pl.String},
    )
    assert as_csv(frame) == "a,b,c,d,e\n,,,,x\n"


def test_hostile_ids_are_guarded_in_every_table(hostile: Published) -> None:
    branches = {row["branch_id"]: row for row in rows_of(hostile.site / "tables" / "branches.csv")}
    assert {f"'{formula}" for formula in FORMULAS} <= set(branches)
    assert branches["'=1+1"]["name"] == "'=1+1"
