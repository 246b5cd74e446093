"""Observed shares with their intervals against predicted ones, and the line on which they are equal."""

import altair as alt
import polars as pl

from reports.charts.axes import share_axis
from reports.charts.drawing import ACCENT, QUIET, Drawable, values


def predicted_observed(groups: pl.DataFrame) -> Drawable:
    """Dots with whiskers from the columns predicted, share, low and high; both axes begin at nought."""
    most = 1.05 * float(groups.select("predicted", "high").to_numpy().max())
    scale = alt.Scale(domain=[0, most], nice=False)
    x = alt.X("predicted:Q", title="share predicted by case mix", axis=share_axis(), scale=scale)
    y = alt.Y("share:Q", title="share observed", axis=share_axis(), scale=scale)
    ends = pl.DataFrame({"predicted": [0.0, most], "share": [0.0, most]})
    equal = alt.Chart(values(ends)).mark_line(color=QUIET, strokeWidth=1, strokeDash=[4, 3]).encode(x=x, y=y)
    base = alt.Chart(values(groups)).encode(x=alt.X("predicted:Q"))
    whiskers = base.mark_rule(color=ACCENT, strokeWidth=2).encode(y=alt.Y("low:Q"), y2=alt.Y2("high:Q"))
    dots = base.mark_point(filled=True, size=60, color=ACCENT, opacity=1).encode(y=alt.Y("share:Q"))
    return alt.layer(equal, whiskers, dots)
