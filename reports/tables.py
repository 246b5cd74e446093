"""The tables behind the pages as CSV files: full precision, ISO dates, and no text that a spreadsheet would run."""

from pathlib import Path

import polars as pl

FORMULA_START = r"^[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]"
"""How a text begins that some spreadsheet would run as a formula; the last four are the wide forms of the first."""


def write_tables(results: dict[str, pl.DataFrame], folder: Path) -> None:
    """Write each result as `<name>.csv` into a folder."""
    for name, frame in results.items():
        (folder / f"{name}.csv").write_text(as_csv(frame), encoding="utf-8")


def as_csv(frame: pl.DataFrame) -> str:
    """A frame as CSV text (RFC 4180); missing values are empty, times in UTC end in Z, decimals shed idle zeros.

    A text that begins like a formula gets an apostrophe before it; numbers do not.
    """
    return frame.with_columns(_cell(name, dtype) for name, dtype in frame.schema.items()).write_csv()


def _cell(name: str, dtype: pl.DataType) -> pl.Expr:
    column = pl.col(name)
    if dtype == pl.String:
        return pl.when(column.str.contains(FORMULA_START)).then(pl.format("'{}", column)).otherwise(column).alias(name)
    if isinstance(dtype, pl.Decimal):
        return column.cast(pl.String).str.strip_chars_end("0").str.strip_chars_end(".")
    if isinstance(dtype, pl.Datetime):
        return column.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return column
