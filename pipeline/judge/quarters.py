"""Whole quarters as they may be told outside the company: counts by site group without those that are too small.

A quarter's figures are those known 90 days after its end, so that it is the same from whichever night it is counted.
"""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.judge.rates import with_share
from pipeline.results import QUARTER_COMPLICATIONS, QUARTER_PIERCINGS
from pipeline.stats.suppression import Relations, suppress

KNOWN_AFTER_DAYS = 90
"""Days after a quarter's end by which its follow-up is taken to be in: the window of infection, and two months more."""
GROUPS = tuple(dict.fromkeys(v.SITE_GROUPS.values()))
COLUMNS = ("all", *GROUPS)
"""The site groups told apart, and all of them together."""
COMPLICATIONS = tuple(complication.name for complication in v.COMPLICATIONS)
MEASURES = ("procedures", "reached", *COMPLICATIONS)
"""What is counted of each site group; the first is the whole that the others are part of."""

Frames = dict[str, pl.DataFrame]


def whole_quarters(first: date, last: date) -> list[date]:
    """The first days of the quarters from `first` on that ended at least 90 days before `last`."""
    quarters = []
    begins = date(first.year, 3 * ((first.month - 1) // 3) + 1, 1)
    while known_on(begins) <= last:
        if begins >= first:
            quarters.append(begins)
        begins = next_quarter(begins)
    return quarters


def next_quarter(begins: date) -> date:
    """The first day of the quarter after one."""
    return date(begins.year + 1, 1, 1) if begins.month == 10 else date(begins.year, begins.month + 3, 1)


def known_on(begins: date) -> date:
    """The day as of which a quarter is told."""
    return next_quarter(begins) + timedelta(days=KNOWN_AFTER_DAYS - 1)


def judge_quarter(counts: pl.DataFrame, quarter: date, small_count: int) -> Frames:
    """quarter_piercings and quarter_complications of one quarter, from the measure quarter_counts.

    A count from 1 to `small_count` - 1 is empty, and so is one that leaves so few of a whole or from which such a
    number follows; shares and intervals stand only where both of their counts do.
    """
    table = _table(counts.filter(pl.col("quarter") == quarter))
    hidden = suppress(table.ravel(), relations(), small_count).reshape(table.shape)
    told = pl.DataFrame(
        {
            "site_group": COLUMNS,
            **{
                name: [None if withheld else int(count) for count, withheld in zip(*pair, strict=True)]
                for name, *pair in zip(MEASURES, table, hidden, strict=True)
            },
        },
        schema={"site_group": pl.String} | dict.fromkeys(MEASURES, pl.Int64),
    ).with_columns(pl.lit(quarter).alias("quarter"))
    events = told.unpivot(
        COMPLICATIONS, index=["quarter", "site_group", "procedures"], variable_name="complication", value_name="events"
    )
    return {
        QUARTER_PIERCINGS.name: QUARTER_PIERCINGS.frame(
            _with_told_share(told, "reached", ("coverage", "coverage_low", "coverage_high")).with_columns(
                pl.lit(small_count).alias("small_count")
            )
        ),
        QUARTER_COMPLICATIONS.name: QUARTER_COMPLICATIONS.frame(
            _with_told_share(events, "events", ("rate", "wilson_low", "wilson_high"))
        ),
    }


def relations() -> Relations:
    """What holds between the counts of a quarter, in the order of `MEASURES` and then of `COLUMNS`."""
    at = {name: len(COLUMNS) * place for place, name in enumerate(MEASURES)}
    every = range(len(COLUMNS))
    wholes = [("reached", "procedures"), *((name, "procedures") for name in COMPLICATIONS)]
    groups = [complication for complication in v.COMPLICATIONS if len(complication.members) > 1]
    wholes += [(kind, group.name) for group in groups for kind in group.members]
    wholes.append((v.INFECTION.name, v.ANY.name))
    return Relations(
        sums=tuple((at[name], tuple(at[name] + column for column in every if column)) for name in MEASURES),
        parts=tuple((at[part] + column, at[whole] + column) for part, whole in wholes for column in every),
        covers=tuple(
            (at[group.name] + column, tuple(at[kind] + column for kind in _cover(group)))
            for group in groups
            for column in every
        ),
    )


def _cover(group: v.Complication) -> Sequence[str]:
    """What a group is no more than together: its kinds, with infection for those that are one."""
    if group.name != v.ANY.name:
        return group.members
    return (v.INFECTION.name, *(kind for kind in group.members if kind not in v.INFECTION.members))


def _table(counts: pl.DataFrame) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """The counts by measure and site group, the whole first; nought where the measure has no row."""
    table = np.zeros((len(MEASURES), len(COLUMNS)), dtype=np.int64)
    for row in counts.iter_rows(named=True):
        column = COLUMNS.index(row["site_group"])
        table[0, column], table[1, column] = row["procedures"], row["reached"]
        table[MEASURES.index(row["complication"]), column] = row["events"]
    table[:, 0] = table.sum(axis=1)
    return table


def _with_told_share(frame: pl.DataFrame, part: str, names: tuple[str, str, str]) -> pl.DataFrame:
    """A share of the piercings with its interval, empty where one of its counts is."""
    is_told = pl.col(part).is_not_null() & pl.col("procedures").is_not_null()
    told = frame.with_columns(pl.when(is_told).then(pl.col(part, "procedures")).otherwise(0))
    shares = with_share(told, part, "procedures", names).select(names)
    return frame.hstack(shares).with_columns(pl.when(is_told).then(pl.col(name)).alias(name) for name in names)
