"""Shares with their intervals, one line for each level."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, WIDTH, Drawable, values

NAME_WIDTH = 260
"""Pixels a level's name may take before it is cut: the figure's table has it whole."""
_ROW, _LINE = 28, 19
"""Pixels a level takes at least, and a line of its name."""


def interval_dots(levels: pl.DataFrame, *, unit: str) -> Drawable:
    """Dots with whiskers from the columns name, rate, low and high, in the frame's order. A name may have lines."""
    # The reader's font may be wider than the one measured here: room for it by the longest name.
    lines = [line for name in levels["name"] for line in name.split("\n")]
    room = min(NAME_WIDTH, 8.5 * max(map(len, lines)))
    axis = alt.Axis(
        labelLimit=NAME_WIDTH, minExtent=room, ticks=False, domain=False, labelExpr="split(datum.label, '\\n')"
    )
    y = alt.Y("name:N", title=None, sort=None, axis=axis)
    base = alt.Chart(values(levels)).encode(y=y)
    share_axis = alt.Axis(format=".1~%", tickCount=5, labelOverlap=True)
    whiskers = base.mark_rule(color=ACCENT, strokeWidth=2).encode(
        x=alt.X("low:Q", title=unit, axis=share_axis, scale=alt.Scale(domainMin=0)),
        x2=alt.X2("high:Q"),
    )
    dots = base.mark_point(filled=True, size=60, color=ACCENT, opacity=1).encode(x=alt.X("rate:Q"))
    return alt.layer(whiskers, dots).properties(
        height=max(60, _ROW * levels.height, _LINE * len(lines)), width=max(180, WIDTH - room)
    )
