"""Infections by week of piercing against those expected so far; weeks still too young are drawn hollow."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, MARK, SOFT, Drawable, day_axis, values, with_week_ends


def observed_expected(weeks: pl.DataFrame) -> Drawable:
    """Bars and a stepped line from the columns week, observed, expected and mature."""
    base = alt.Chart(values(with_week_ends(weeks))).encode(x=alt.X("week:T", axis=day_axis()))
    bars = base.mark_bar(strokeWidth=1, stroke=ACCENT).encode(
        x2=alt.X2("week_end:T"),
        y=alt.Y("observed:Q", title="infections", axis=alt.Axis(tickCount=4)),
        y2=alt.Y2Datum(0),
        fill=alt.FillValue("transparent", condition={"test": "datum.mature", "value": SOFT}),
        strokeDash=alt.StrokeDashValue([3, 2], condition={"test": "datum.mature", "value": [1, 0]}),
    )
    line = base.mark_line(interpolate="step-after", color=MARK, strokeWidth=2).encode(y=alt.Y("expected:Q"))
    return alt.layer(bars, line)
