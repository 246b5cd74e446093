"""Shares with their intervals, one line for each level."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, WIDTH, Drawable, values

NAME_WIDTH = 260
"""Pixels a level's name may take before it is cut: the figure's table has it whole."""


def interval_dots(levels: pl.DataFrame, *, unit: str) -> Drawable:
    """Dots with whiskers from the columns name, rate, low and high, in the frame's order."""
    # The reader's font may be wider than the one measured here: room for it by the longest name.
    room = min(NAME_WIDTH, 8.5 * max(len(name) for name in levels["name"]))
    axis = alt.Axis(labelLimit=NAME_WIDTH, minExtent=room, ticks=False, domain=False)
    y = alt.Y("name:N", title=None, sort=None, axis=axis)
    base = alt.Chart(values(levels)).encode(y=y)
    whiskers = base.mark_rule(color=ACCENT, strokeWidth=2).encode(
        x=alt.X("low:Q", title=unit, axis=alt.Axis(format=".1~%", tickCount=5), scale=alt.Scale(domainMin=0)),
        x2=alt.X2("high:Q"),
    )
    dots = base.mark_point(filled=True, size=60, color=ACCENT, opacity=1).encode(x=alt.X("rate:Q"))
    return alt.layer(whiskers, dots).properties(height=max(60, 28 * levels.height), width=max(180, WIDTH - room))
