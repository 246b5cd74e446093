"""Packs on the shelves that will expire before they are used: of an article at a branch the first to expire goes first.

What is on a shelf is the latest count with what came and went since; without a count what was received less what was
used and spoiled. A branch uses an article as it did in the eight weeks before. Both are estimates; the page says so.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any

import polars as pl

from pipeline.judge.tracing import judge_stock

LATELY_WEEKS = 8
"""Weeks whose use says how fast packs go: those of the measure's `used_lately`."""
LOOK_AHEAD_DAYS = 90
"""How long before it expires a lot is listed."""

Row = Mapping[str, Any]


def judge_packs(stock: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """packs: lots of each branch with packs that have expired, or will unused within 90 days, from `lot_stock`.

    Lots without an article, an expiry date or a number of packs are left out: nothing can be said of them.
    """
    counted = pl.col("on_hand") + pl.col("received_since") - pl.col("used_since")
    shelves = (
        judge_stock(stock)
        .with_columns(
            pl.coalesce(counted, "should_be", "at_most").alias("packs"),
            (pl.col("used_lately").sum().over("branch_id", "article_id") / LATELY_WEEKS).alias("used_a_week"),
            (pl.col("expires_on") - as_of).dt.total_days().alias("days_left"),
        )
        .filter(pl.col("branch_id").is_not_null() & pl.col("article_id").is_not_null() & (pl.col("packs") > 0))
        .drop_nulls("expires_on")
        .sort("branch_id", "article_id", "expires_on", "lot_no")
    )
    rows: list[dict[str, Any]] = []
    for _, shelf in shelves.group_by("branch_id", "article_id", maintain_order=True):
        rows += _unused(shelf.rows(named=True))
    return pl.DataFrame(rows, schema=shelves.schema | {"unused": pl.Float64()}).filter(
        (pl.col("days_left") <= LOOK_AHEAD_DAYS) & (pl.col("unused") >= 1)
    )


def _unused(shelf: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A shelf's lots, the first to expire first, each with how many of its packs will be left when it does.

    The last day to use a pack is the day it expires on; a lot whose day is over is left whole.
    """
    used = 0.0
    rows = []
    for lot in shelf:
        could_be_used = max(0.0, lot["used_a_week"] / 7 * max(0, lot["days_left"]) - used)
        taken = min(float(lot["packs"]), could_be_used)
        used += taken
        rows.append({**lot, "unused": lot["packs"] - taken})
    return rows
