"""A weekly count as bars, the week that is told of standing out."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, SOFT, Drawable, day_axis, values


def weekly_bars(weeks: pl.DataFrame, *, unit: str) -> Drawable:
    """Bars from the columns week, value and is_told (whether the page tells of this week)."""
    chart: Drawable = (
        alt.Chart(values(weeks))
        .mark_bar(binSpacing=1)
        .encode(
            x=alt.X("yearmonthdate(week):T", axis=day_axis(), bandPosition=0),
            y=alt.Y("value:Q", title=unit, axis=alt.Axis(tickCount=4)),
            color=alt.condition("datum.is_told", alt.value(ACCENT), alt.value(SOFT)),
        )
    )
    return chart
