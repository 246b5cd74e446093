"""Retention: rows older than are kept go from the store and the originals; the weeks they tell of stay as last counted.

A row's day is the wall date it was written with. Weeks are kept up to four weeks after the cutoff, while their rows
still have all of their neighbours: refunds, moved bookings, visits over midnight, and days that differ between zones.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import duckdb
import polars as pl

from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.errors import UsageError
from pipeline.results import RESULT_BY_NAME
from pipeline.store.database import fetch, insert_frame
from pipeline.store.originals import Originals, read_part, write_parquet

DAYS_A_YEAR = 365
NEIGHBOUR_DAYS = 28
"""Days after the cutoff whose weeks are kept too: whole weeks, and more than the 14 days of refunds."""
EVENT_TIMES = {
    "procedures": "performed_at",
    "follow_ups": "contacted_at",
    "revisits": "starts_at",
    "sales": "sold_at",
    "stock_counts": "counted_at",
}
"""The tables that age, and the time of a row's own event."""
AGED = {"weekly": pl.col("week"), "coverage": pl.col("week")} | dict.fromkeys(
    ("attach", "revisits"), pl.col("period").str.strip_prefix("week:").str.to_date("%Y-%m-%d", strict=False)
)
"""The results whose weeks are kept, and the Monday of a row; null where it is of no week."""


@dataclass(frozen=True)
class Ageing:
    """Rows before `cutoff` go, and weeks before `weeks_before` are no longer counted; both are Mondays."""

    cutoff: date
    weeks_before: date


def last_ageing(con: duckdb.DuckDBPyConnection) -> Ageing | None:
    """The latest ageing of a store; None before the first."""
    rows = con.execute("select cutoff, weeks_before from ageing order by cutoff desc limit 1").fetchall()
    return Ageing(*rows[0]) if rows else None


def check_as_of(con: duckdb.DuckDBPyConnection, as_of: date | None) -> None:
    """`UsageError` where the rows known by a day are no longer there."""
    ageing = last_ageing(con)
    if as_of and ageing and as_of < ageing.weeks_before:
        raise UsageError(
            f"Records before {ageing.weeks_before} are aged out (keep_years): nothing can be counted as of {as_of}.",
            remedy=f"Name {ageing.weeks_before} or a later day.",
        )


def next_ageing(con: duckdb.DuckDBPyConnection, keep_years: int) -> Ageing | None:
    """The ageing that is due: the Monday `keep_years` before the newest day told of. None where no row is older."""
    newest = _newest_day(con)
    if newest is None or newest.toordinal() <= keep_years * DAYS_A_YEAR:
        return None
    oldest_kept = newest - timedelta(days=keep_years * DAYS_A_YEAR)
    cutoff = oldest_kept - timedelta(days=oldest_kept.weekday())
    last = last_ageing(con)
    if (last and cutoff <= last.cutoff) or not any(_old_rows(con, name, cutoff) for name in EVENT_TIMES):
        return None
    return Ageing(cutoff, cutoff + timedelta(days=NEIGHBOUR_DAYS))


def _newest_day(con: duckdb.DuckDBPyConnection) -> date | None:
    """The newest day that any row tells of, as the as-of date has it; bookings for later days tell of none."""
    query = """
        select cast(max(left(told_at, 10)) as date) from (
          select max(greatest(performed_at, recorded_at)) as told_at from raw_procedures
          union all select max(greatest(contacted_at, recorded_at)) from raw_follow_ups
          union all select max(recorded_at) from raw_revisits
          union all select max(greatest(sold_at, recorded_at)) from raw_sales
        )
    """
    found: date | None = con.execute(query).fetchall()[0][0]
    return found


def keep_weeks(con: duckdb.DuckDBPyConnection, ageing: Ageing, results: Mapping[str, pl.DataFrame]) -> None:
    """Keep the weeks before an ageing's that none before it kept, as they stand in the results of a count."""
    last = last_ageing(con)
    con.execute("insert into ageing values (?, ?)", [ageing.cutoff, ageing.weeks_before])
    for name, monday in AGED.items():
        is_new = (monday < ageing.weeks_before) & (monday >= (last.weeks_before if last else date.min))
        kept = results[name].filter(is_new).select(pl.lit(ageing.cutoff).alias("cutoff"), pl.all())
        insert_frame(con, f"aged_{name}", kept)


def kept_weeks(con: duckdb.DuckDBPyConnection) -> dict[str, pl.DataFrame]:
    """The kept weeks of each result under `aged_<result>`, and under `ageing` the latest one, if any."""
    frames = {
        f"aged_{name}": RESULT_BY_NAME[name].frame(fetch(con, f"select * exclude (cutoff) from aged_{name}"))
        for name in AGED
    }
    return frames | {"ageing": fetch(con, "from ageing order by cutoff desc limit 1")}


def remove_rows(con: duckdb.DuckDBPyConnection) -> int:
    """Delete every version of keys that lie before the latest cutoff as a whole; how many rows there were."""
    last = last_ageing(con)
    if last is None:
        return 0
    n_removed = 0
    for name in EVENT_TIMES:
        old = _old_rows(con, name, last.cutoff)
        if old:
            con.execute(f"delete from raw_{name} where seq in (select unnest($old))", {"old": old})
            n_removed += len(old)
    return n_removed


def _old_rows(con: duckdb.DuckDBPyConnection, name: str, cutoff: date) -> list[int]:
    """The numbers of a table's rows whose key has no version on or after a day."""
    key, at = ", ".join(TABLE_BY_NAME[name].key), EVENT_TIMES[name]
    query = f"""
        select seq from raw_{name}
        semi join (
          select {key} from (
            from raw_{name} semi join (select {key} from raw_{name} where left({at}, 10) < $cutoff) using ({key})
          ) group by {key} having max(left({at}, 10)) < $cutoff
        ) using ({key})
    """
    return [seq for (seq,) in con.execute(query, {"cutoff": cutoff.isoformat()}).fetchall()]


def staying(con: duckdb.DuckDBPyConnection, cutoff: date) -> pl.DataFrame:
    """Rows before a cutoff that stay, since their key has a later version: columns name, sha256, line."""
    each = (
        f"select '{name}' as name, sha256, line from raw_{name} join file using (file_id) "
        f"where left({at}, 10) < $cutoff"
        for name, at in EVENT_TIMES.items()
    )
    return fetch(con, " union all ".join(each), {"cutoff": cutoff.isoformat()})


def clear_originals(originals: Originals, cutoff: date, stay: pl.DataFrame) -> None:
    """Take rows before a cutoff out of every original, refused ones too where their day can be read.

    `StoreError` where a part is damaged.
    """
    for name, at in EVENT_TIMES.items():
        is_old = pl.col(at).str.strip_chars().str.extract(r"^(\d{4}-\d{2}-\d{2})") < cutoff.isoformat()
        for path in originals.all_parts(name):
            frame = read_part(path)
            if at not in frame.columns:
                continue
            own = stay.filter((pl.col("name") == name) & (pl.col("sha256") == path.name.split(".")[0]))["line"]
            left = frame.filter(~is_old.fill_null(value=False) | pl.col("line").is_in(own.to_list()))
            if left.height < frame.height:
                write_parquet(left, path)


def journal_entry(con: duckdb.DuckDBPyConnection, ageing: Ageing) -> dict[str, Any]:
    """What an ageing kept, as text and numbers: no export gives it again."""
    columns = pl.col(pl.Date, pl.Decimal).cast(pl.String)
    rows = {
        name: fetch(con, f"from aged_{name} where cutoff = $cutoff order by all", {"cutoff": ageing.cutoff})
        .with_columns(columns)
        .rows()
        for name in AGED
    }
    return {"ageing": ageing.cutoff.isoformat(), "weeks_before": ageing.weeks_before.isoformat(), "kept": rows}


def put_back(con: duckdb.DuckDBPyConnection, entry: Mapping[str, Any]) -> None:
    """Put back into a store what `journal_entry` wrote down."""
    con.execute("insert into ageing values (?, ?)", [entry["ageing"], entry["weeks_before"]])
    for name, rows in entry["kept"].items():
        columns = ["cutoff", *RESULT_BY_NAME[name].schema]
        if rows:
            frame = pl.DataFrame(rows, schema=columns, orient="row", infer_schema_length=None)
            insert_frame(con, f"aged_{name}", frame.with_columns(pl.col(pl.Null).cast(pl.String)))
