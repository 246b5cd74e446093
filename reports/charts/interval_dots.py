"""Shares with their intervals, one line for each level."""

import altair as alt
import polars as pl

from reports.charts.axes import name_axis, name_room, share_axis
from reports.charts.drawing import ACCENT, WIDTH, Drawable, values

NAME_WIDTH = 260
"""Pixels a level's name may take before it is cut: the figure's table has it whole."""
_ROW, _LINE = 28, 19
"""Pixels a level takes at least, and a line of its name."""


def interval_dots(levels: pl.DataFrame, *, unit: str) -> Drawable:
    """Dots with whiskers from the columns name, rate, low and high, in the frame's order. A name may have lines."""
    lines = [line for name in levels["name"] for line in name.split("\n")]
    room = name_room(lines, NAME_WIDTH)
    y = alt.Y("name:N", title=None, sort=None, axis=name_axis(room, NAME_WIDTH, labelExpr="split(datum.label, '\\n')"))
    base = alt.Chart(values(levels)).encode(y=y)
    whiskers = base.mark_rule(color=ACCENT, strokeWidth=2).encode(
        x=alt.X("low:Q", title=unit, axis=share_axis(), scale=alt.Scale(domainMin=0)),
        x2=alt.X2("high:Q"),
    )
    dots = base.mark_point(filled=True, size=60, color=ACCENT, opacity=1).encode(x=alt.X("rate:Q"))
    return alt.layer(whiskers, dots).properties(
        height=max(60, _ROW * levels.height, _LINE * len(lines)), width=max(180, WIDTH - room)
    )
