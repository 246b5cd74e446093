"""Exports as they come night by night: history, a fortnight of nightly folders with its broken Monday, history again.

On the Monday of week 61 the far shop's till starts anew: it sends last week's piercings again with day and month
changed over, last week's sales with decimal commas, and an empty sales file for the day. The day's sales come two
nights later.
"""

from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.contract.columns import Kind
from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.simulate.draws import as_day, is_any
from pipeline.simulate.write import as_text, declared, write_csv, write_years

FIRST_NIGHT, LAST_NIGHT = date(2026, 5, 18), date(2026, 5, 31)
BROKEN_MONDAY, BROKEN_BRANCH = date(2026, 5, 25), "B05"
MENDED_ON = BROKEN_MONDAY + timedelta(days=2)
_SENT_AGAIN_FROM = BROKEN_MONDAY - timedelta(days=7)
_NIGHTLY = ("procedures", "follow_ups", "revisits", "sales")
_PHONE_SHOP, _TILL_USER_SHOP = "B02", "B01"


def _recorded_on(first: date, last: date) -> pl.Expr:
    return as_day("day").is_between(first, last)


def _with_undeclared(part: pl.DataFrame, rows: pl.DataFrame, table: str, branch_id: str) -> pl.DataFrame:
    """Two shops' tills send a column more than they should."""
    if (table, branch_id) == ("procedures", _PHONE_SHOP):
        return part.with_columns(phone=pl.format("000 000 {}", rows["visit_id"].str.tail(4)))
    if (table, branch_id) == ("sales", _TILL_USER_SHOP):
        return part.with_columns(till_user=pl.lit("till 2"))
    return part


def _write_night(tables: dict[str, pl.DataFrame], night: date, folder: Path) -> None:
    """Write what each shop recorded on a day, a file per table and shop; a header alone where it recorded nothing."""
    for table in _NIGHTLY:
        frame = tables[table]
        recorded = frame.filter(_recorded_on(night, night))
        for branch_id in tables["branches"]["branch_id"]:
            rows = recorded.filter(is_any("branch_id", [branch_id]))
            part = _with_undeclared(declared(rows, table), rows, table, branch_id)
            write_csv(part, folder / f"{table}_{branch_id}.csv")
    for table in ("lots", "stock_counts"):
        recorded = tables[table].filter(_recorded_on(night, night))
        if len(recorded):
            write_csv(declared(recorded, table), folder / f"{table}.csv")


def _columns_of(table: str, *kinds: Kind) -> list[str]:
    return [column.name for column in TABLE_BY_NAME[table].columns if column.kind in kinds]


def _sent_again(frame: pl.DataFrame, table: str, happened: str) -> pl.DataFrame:
    """The broken branch's rows of the week before the broken Monday, as text."""
    last = BROKEN_MONDAY - timedelta(days=1)
    rows = frame.filter(
        is_any("branch_id", [BROKEN_BRANCH]),
        pl.col(happened).dt.date().is_between(_SENT_AGAIN_FROM, last),
        as_day("day") <= last,
    )
    return as_text(declared(rows, table))


def _break_monday(tables: dict[str, pl.DataFrame], nights: Path) -> None:
    """Spoil the broken branch's files of the broken Monday, and bring its missing sales later."""
    folder = nights / BROKEN_MONDAY.isoformat()
    procedures = _sent_again(tables["procedures"], "procedures", "performed_at").with_columns(
        pl.col(_columns_of("procedures", Kind.TIME, Kind.DATE)).str.replace(r"^(\d{4})-(\d\d)-(\d\d)", "$1-$3-$2")
    )
    write_csv(procedures, folder / f"procedures_{BROKEN_BRANCH}_again.csv")
    sales = _sent_again(tables["sales"], "sales", "sold_at").with_columns(
        pl.col(_columns_of("sales", Kind.DECIMAL)).str.replace(".", ",", literal=True)
    )
    write_csv(sales, folder / f"sales_{BROKEN_BRANCH}_again.csv")
    missing = folder / f"sales_{BROKEN_BRANCH}.csv"
    late = nights / MENDED_ON.isoformat() / f"sales_{BROKEN_BRANCH}_{BROKEN_MONDAY.isoformat()}.csv"
    late.write_bytes(missing.read_bytes())
    missing.write_bytes(b"")


def _write_history(tables: dict[str, pl.DataFrame], first: date, last: date, folder: Path) -> None:
    """Write all that was recorded between two days."""
    for table, frame in tables.items():
        if "day" not in frame.columns:
            continue
        recorded = frame.filter(_recorded_on(first, last))
        if TABLE_BY_NAME[table].event_times:
            write_years(recorded, table, folder)
        else:
            write_csv(declared(recorded, table), folder / f"{table}.csv")


def write_with_nights(tables: dict[str, pl.DataFrame], directory: Path) -> None:
    """Write all tables so that the order of paths is the order of time; who and what exists comes first."""
    for table, frame in tables.items():
        if "day" not in frame.columns:
            write_csv(declared(frame, table), directory / "1_history" / f"{table}.csv")
    one_day = timedelta(days=1)
    _write_history(tables, date.min, FIRST_NIGHT - one_day, directory / "1_history")
    nights = directory / "2_nights"
    for offset in range((LAST_NIGHT - FIRST_NIGHT).days + 1):
        night = FIRST_NIGHT + offset * one_day
        _write_night(tables, night, nights / night.isoformat())
    _break_monday(tables, nights)
    _write_history(tables, LAST_NIGHT + one_day, date.max, directory / "3_history")
