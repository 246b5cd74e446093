"""Control charts: points, centre and limits; points beyond a limit differ in shape as well as colour."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, BAND, MARK, QUIET, Drawable, day_axis, values

_STEPS = [step * 10**power for power in range(6) for step in (1, 2, 5)]
"""Marks of a logarithmic scale: 1, 2, 5, 10, 20, 50, …"""


def control_chart(points: pl.DataFrame, *, unit: str, is_share: bool) -> Drawable:
    """A chart of the columns day, statistic, centre, lower, upper and beyond (above, below or empty).

    `is_share` draws shares by week; otherwise the statistic is a number of piercings, on a logarithmic scale.
    """
    if is_share:
        axis, scale = alt.Axis(format=".0%", tickCount=5), alt.Scale(domainMin=0)
    else:
        shown = points.select("statistic", "lower", "upper").to_numpy()
        axis = alt.Axis(values=_STEPS)
        scale = alt.Scale(type="log", nice=False, domain=[0.8 * float(shown.min()), 1.25 * float(shown.max())])
    base = alt.Chart(values(points)).encode(x=alt.X("day:T", axis=day_axis()))
    band = base.mark_area(interpolate="step", color=BAND).encode(
        y=alt.Y("lower:Q", title=unit, axis=axis, scale=scale), y2=alt.Y2("upper:Q")
    )
    limits = [
        base.mark_line(interpolate="step", color=QUIET, strokeWidth=1, strokeDash=[4, 3]).encode(y=alt.Y(f"{limit}:Q"))
        for limit in ("lower", "upper")
    ]
    centre = base.mark_line(color=QUIET, strokeWidth=1).encode(y=alt.Y("centre:Q"))
    line = base.mark_line(color=ACCENT, strokeWidth=1).encode(y=alt.Y("statistic:Q"))
    within = base.transform_filter("datum.beyond == null").mark_point(filled=True, size=28, color=ACCENT, opacity=1)
    beyond = base.transform_filter("datum.beyond != null").mark_point(
        filled=True, size=110, shape="diamond", color=MARK, opacity=1
    )
    return alt.layer(
        band, *limits, centre, line, within.encode(y=alt.Y("statistic:Q")), beyond.encode(y=alt.Y("statistic:Q"))
    )
