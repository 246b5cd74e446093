"""The state of the records: files taken in, rows refused with their remedies, gaps, and branches heard of."""

import polars as pl

from pipeline.contract.rules import remedy
from pipeline.contract.tables import TABLE_BY_NAME


def judge_intake(files: pl.DataFrame) -> pl.DataFrame:
    """intake: every file ever taken in."""
    return files.with_columns(
        pl.col("table_name").alias("table"),
        pl.col("is_readable").alias("readable"),
        pl.col("undeclared").list.join("; ").replace("", None),
    )


def judge_rejected_rows(rejections: pl.DataFrame) -> pl.DataFrame:
    """rejected_rows: every broken rule that stands, with what to do about it."""
    remedies = [
        remedy(row["rule"], TABLE_BY_NAME[row["table_name"]], row["column_name"], row["detail"])
        for row in rejections.iter_rows(named=True)
    ]
    return rejections.select(
        "file",
        pl.col("table_name").alias("table"),
        "line",
        "rule",
        pl.col("column_name").replace("", None).alias("column"),
        pl.col("value_shape").replace("", None).alias("value"),
        pl.Series("remedy", remedies, dtype=pl.String),
        "sha256",
    )


def judge_branches(branches: pl.DataFrame) -> pl.DataFrame:
    """branches, as counted."""
    return branches.rename({"is_known": "known"})
