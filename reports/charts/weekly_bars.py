"""A weekly count as bars, the week that is told of standing out."""

import altair as alt
import polars as pl

from reports.charts.axes import days_across, from_nought
from reports.charts.drawing import ACCENT, SOFT, Drawable, values, with_week_ends


def weekly_bars(weeks: pl.DataFrame, *, unit: str) -> Drawable:
    """Bars from the columns week, value and is_told (whether the page tells of this week)."""
    chart: Drawable = (
        alt.Chart(values(with_week_ends(weeks)))
        .mark_bar()
        .encode(
            x=days_across("week", weeks["week"]),
            x2=alt.X2("week_end:T"),
            y=alt.Y("value:Q", title=unit, axis=alt.Axis(tickCount=4), scale=from_nought(weeks["value"], least=4)),
            y2=alt.Y2Datum(0),
            color=alt.ColorValue(SOFT, condition={"test": "datum.is_told", "value": ACCENT}),
        )
    )
    return chart
