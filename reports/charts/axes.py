"""Axes and scales that charts share: days in weeks or months, shares in percent, and what begins at nought."""

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any

import altair as alt
import polars as pl

FEW_WEEKS = 8
"""Weeks that an axis of days spans at least, so that one week alone is drawn as narrow as among others."""
LETTER = 8.5
"""Pixels of a letter, wide ones and narrow ones, in a reader's font."""
_ALL_MONTHS = 6
"""Months of which each is named: measuring names takes the most time of a drawing."""
_STEPS = (1, 2, 3, 6)
"""Of more, every second, third or sixth month is named, so that a year always stands below its January."""
_WEEK = timedelta(weeks=1)
_WIDER = 1.2
"""A reader's font may be so much wider than the one that drawings are measured with."""
_CLEAR = 10
"""Pixels between a name and where the plot begins: half a mark may lie on that edge."""


def days_across(name: str, days: pl.Series) -> alt.X:
    """A column's days from left to right, with the year below the first mark and below each January.

    In UTC, as the days' text is read: by local time the zone of the machine that draws would move the marks.
    """
    known: list[date] = days.drop_nulls().unique().sort().to_list()
    if not known:
        return alt.X(f"{name}:T", title=None)
    first, last = known[0], known[-1]
    if last - first < FEW_WEEKS * _WEEK:
        weeks = [last - back * _WEEK for back in reversed(range(FEW_WEEKS))]
        scale = alt.Scale(type="utc", domain=[weeks[0].isoformat(), (last + _WEEK).isoformat()])
        every_second = [week.isoformat() for week in weeks[1::2]]
        return alt.X(f"{name}:T", scale=scale, axis=_day_axis("%-d", "%b", values=every_second))
    months = (last - first).days / 30.4
    step = next((step for step in _STEPS if months <= step * _ALL_MONTHS), _STEPS[-1])
    count = alt.TimeIntervalStep(interval="month", step=step)
    return alt.X(f"{name}:T", scale=alt.Scale(type="utc"), axis=_day_axis("%b", tickCount=count))


def _day_axis(*lines: str, **marks: Any) -> alt.Axis:
    """Marks with lines of text below each, in the time format of d3."""
    written = ", ".join(f"utcFormat(datum.value, '{line}')" for line in lines)
    is_told = "datum.index == 0 || utcFormat(datum.value, '%m-%d') < '01-15'"
    label = f"[{written}, {is_told} ? utcFormat(datum.value, '%Y') : '']"
    return alt.Axis(title=None, labelExpr=label, labelOverlap="greedy", labelSeparation=12, **marks)


def share_axis() -> alt.Axis:
    """Marks of shares in percent, with as many decimals, up to two, as tell one from the next."""
    return alt.Axis(format=".2~%", tickCount=5, labelOverlap=True, labelSeparation=8)


def name_room(names: Iterable[str], most: float) -> float:
    """Pixels that names take beside a plot; `most` where a longer one is cut."""
    return min(most, LETTER * max(map(len, names))) + _CLEAR


def name_axis(room: float, most: float, **more: Any) -> alt.Axis:
    """Names one below the other in their room, of at most so many pixels in a reader's font."""
    limit = most / _WIDER
    return alt.Axis(labelLimit=limit, labelPadding=_CLEAR, minExtent=room, ticks=False, domain=False, **more)


def from_nought(*columns: pl.Series, least: float) -> alt.Scale:
    """A scale from nought that holds the columns; to `least` where all of them are nought, instead of around it."""
    is_nought = all(not column.fill_null(0).cast(pl.Boolean).any() for column in columns)
    return alt.Scale(domain=[0, least]) if is_nought else alt.Scale(domainMin=0, nice=True)


def stretch(days: str) -> pl.Expr:
    """Which unbroken stretch of weeks a row's week is of, rows in the order of their weeks."""
    return (pl.col(days).diff() != pl.duration(weeks=1)).fill_null(value=True).cum_sum()
