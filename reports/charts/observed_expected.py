"""Infections by week of piercing against those expected so far; weeks still too young are drawn hollow."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, MARK, SOFT, Drawable, day_axis, values


def observed_expected(weeks: pl.DataFrame) -> Drawable:
    """Bars and a stepped line from the columns week, observed, expected and mature."""
    base = alt.Chart(values(weeks)).encode(x=alt.X("yearmonthdate(week):T", axis=day_axis(), bandPosition=0))
    bars = base.mark_bar(binSpacing=1, strokeWidth=1, stroke=ACCENT).encode(
        y=alt.Y("observed:Q", title="infections", axis=alt.Axis(tickCount=4)),
        fill=alt.condition("datum.mature", alt.value(SOFT), alt.value("transparent")),
        strokeDash=alt.condition("datum.mature", alt.value([1, 0]), alt.value([3, 2])),
    )
    line = base.mark_line(interpolate="step-after", color=MARK, strokeWidth=2).encode(y="expected:Q")
    return alt.layer(bars, line)
