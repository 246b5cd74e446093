"""Writing exports: the contract's columns in the contract's order, as plain or compressed CSV."""

from pathlib import Path

import polars as pl

from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.simulate.draws import MINUTES_PER_DAY, as_day

_TIME_FORMAT = "%Y-%m-%dT%H:%M"
_GZIP_LEVEL = 6


def declared(frame: pl.DataFrame, table: str) -> pl.DataFrame:
    """The frame's columns that the contract declares, in its order."""
    return frame.select(TABLE_BY_NAME[table].column_names)


def dated(rows: pl.DataFrame, table: str, last_day: int) -> pl.DataFrame:
    """The rows of a table recorded by `last_day`, in order of that, with the contract's columns, branch_id and `day`.

    `recorded`, in minutes since 1970, dates a row also where its recorded_at is left out; `day` is its day.
    """
    declared_columns, key = TABLE_BY_NAME[table].column_names, TABLE_BY_NAME[table].key
    known = rows.with_columns(day=pl.col("recorded") // MINUTES_PER_DAY).filter(pl.col("day") <= last_day)
    columns = list(dict.fromkeys((*declared_columns, "branch_id", "day", "recorded")))
    return known.select(columns).sort("day", "branch_id", "recorded", *key).drop("recorded")


def write_csv(frame: pl.DataFrame, path: Path) -> None:
    """Write every column of a frame; compressed where the path ends in .gz. The same frame gives the same bytes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".gz":
        frame.write_csv(path, datetime_format=_TIME_FORMAT, compression="gzip", compression_level=_GZIP_LEVEL)
    else:
        frame.write_csv(path, datetime_format=_TIME_FORMAT)


def as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame as its CSV file would show it: every value text, nothing where empty."""
    text = frame.write_csv(datetime_format=_TIME_FORMAT)
    return pl.read_csv(text.encode(), infer_schema=False)


def write_years(frame: pl.DataFrame, table: str, folder: Path) -> None:
    """Write a table in one compressed file for each year in which its rows were recorded."""
    year = as_day("day").dt.year()
    for (name,), part in frame.with_columns(year=year).partition_by("year", as_dict=True).items():
        write_csv(declared(part, table), folder / f"{table}_{name}.csv.gz")
