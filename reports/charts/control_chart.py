"""Control charts: points, centre and limits; points beyond a limit differ in shape as well as colour."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, BAND, MARK, QUIET, Drawable, day_axis, values


def control_chart(points: pl.DataFrame, *, unit: str, is_share: bool) -> Drawable:
    """A chart of the columns day, statistic, centre, lower, upper and beyond (above, below or empty).

    `is_share` draws shares by week; otherwise the statistic is a number of piercings, on a logarithmic scale.
    """
    axis = alt.Axis(format=".0%", tickCount=5) if is_share else alt.Axis(tickCount=5)
    scale = alt.Scale(domainMin=0) if is_share else alt.Scale(type="log", nice=True)
    base = alt.Chart(values(points)).encode(x=alt.X("day:T", axis=day_axis()))
    band = base.mark_area(interpolate="step", color=BAND).encode(
        y=alt.Y("lower:Q", title=unit, axis=axis, scale=scale), y2="upper:Q"
    )
    limits = [
        base.mark_line(interpolate="step", color=QUIET, strokeWidth=1, strokeDash=[4, 3]).encode(y=f"{limit}:Q")
        for limit in ("lower", "upper")
    ]
    centre = base.mark_line(color=QUIET, strokeWidth=1).encode(y="centre:Q")
    line = base.mark_line(color=ACCENT, strokeWidth=1).encode(y="statistic:Q")
    within = base.transform_filter("datum.beyond == null").mark_point(filled=True, size=28, color=ACCENT, opacity=1)
    beyond = base.transform_filter("datum.beyond != null").mark_point(
        filled=True, size=110, shape="diamond", color=MARK, opacity=1
    )
    return alt.layer(band, *limits, centre, line, within.encode(y="statistic:Q"), beyond.encode(y="statistic:Q"))
