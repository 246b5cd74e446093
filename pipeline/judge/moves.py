"""Why the figures of the last whole week but one moved within a week: records that came late, or were corrected.

What was told a week ago is counted again from what was known then, so that told + late + corrected is what is known
now, to the unit and the cent.
"""

from datetime import date, timedelta

import polars as pl

_KEY = ("branch_id", "kind", "currency", "record")
WEEK = timedelta(weeks=1)


def judge_week_moves(now: pl.DataFrame, before: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """week_moves: by branch and figure, from the measure week_records as known on a day and a week before it.

    `told` is what was known a week ago; `late` what was not recorded at all then; `added` and `taken_away` (nought or
    below) what was, and now counts otherwise: void, moved to or from another week or branch, another amount. Their sum
    is `now`.
    """
    week = as_of - timedelta(days=6)
    week -= timedelta(days=week.weekday()) + WEEK
    known, told = (records.filter(pl.col("week") == week) for records in (now, before))
    both = known.join(told, on=_KEY, how="full", coalesce=True, nulls_equal=True, suffix="_told")
    amount, amount_told = (pl.col(name).fill_null(0) for name in ("amount", "amount_told"))
    is_late = pl.col("amount_told").is_null() & (pl.col("first_recorded_on") > as_of - WEEK)
    change = pl.when(~is_late).then(amount - amount_told)
    return (
        both.group_by("branch_id", pl.col("kind").alias("figure"), "currency")
        .agg(
            amount_told.sum().alias("told"),
            amount.filter(is_late).sum().alias("late"),
            change.filter(change > 0).sum().alias("added"),
            change.filter(change < 0).sum().alias("taken_away"),
            amount.sum().alias("now"),
        )
        .with_columns(pl.lit(week, dtype=pl.Date).alias("week"))
    )
