"""A branch's ratio in three steps: as counted, after case mix, and drawn towards the mean."""

import altair as alt
import polars as pl

from reports.charts.axes import name_axis, name_room
from reports.charts.drawing import ACCENT, MARK, QUIET, WIDTH, Drawable, values

NAME_WIDTH = 200
"""Pixels a branch's id may take before it is cut: the figure's table has it whole."""


def ratio_steps(branches: pl.DataFrame) -> Drawable:
    """A line for each branch, in the frame's order, from the columns branch_id, raw, adjusted and shrunk."""
    room = name_room(branches["branch_id"], NAME_WIDTH)
    y = alt.Y("branch_id:N", title=None, sort=None, axis=name_axis(room, NAME_WIDTH))
    x = alt.X(
        "adjusted:Q",
        title="times the chain’s",
        axis=alt.Axis(tickCount=5, labelOverlap=True, labelSeparation=8),
        scale=alt.Scale(domainMin=0),
    )
    base = alt.Chart(values(branches.with_columns(*_ends()))).encode(y=y)
    spans = base.mark_rule(color=QUIET, strokeWidth=1).encode(x=alt.X("least:Q"), x2=alt.X2("most:Q"))
    raw = base.mark_point(size=70, shape="square", stroke=ACCENT, fill="transparent", opacity=1).encode(
        x=alt.X("raw:Q")
    )
    adjusted = base.mark_point(filled=True, size=60, color=ACCENT, opacity=1).encode(x=x)
    shrunk = base.mark_point(filled=True, size=70, shape="diamond", color=MARK, opacity=1).encode(x=alt.X("shrunk:Q"))
    mean = alt.Chart(values(pl.DataFrame({"ratio": [1.0]}))).mark_rule(color=QUIET).encode(x=alt.X("ratio:Q"))
    height = max(60, 30 * branches.height)
    return alt.layer(mean, spans, raw, adjusted, shrunk).properties(height=height, width=max(180, WIDTH - room))


def _ends() -> tuple[pl.Expr, pl.Expr]:
    """Where a branch's line begins and ends."""
    steps = ("raw", "adjusted", "shrunk")
    return pl.min_horizontal(steps).alias("least"), pl.max_horizontal(steps).alias("most")
