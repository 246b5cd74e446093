"""Branches in a funnel: observed over expected against how many were expected, with the limits chance draws."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, INK, QUIET, Drawable, values

NAME_WIDTH = 260
"""Pixels a branch's id may take before it is cut: the figure's table has it whole."""


def branch_funnel(branches: pl.DataFrame, curves: pl.DataFrame) -> Drawable:
    """A funnel of branches (branch_id, expected, ratio, comparable, is_named), limits (expected, ratio, limit, side).

    Branches that cannot be compared are drawn hollow.
    """
    largest = float(curves["expected"].to_numpy().max())
    x = alt.X("expected:Q", title="infections expected of the branch's case mix", scale=alt.Scale(domain=[0, largest]))
    highest = max(2.5, float(branches["ratio"].drop_nulls().to_numpy().max(initial=1)) * 1.1)
    y = alt.Y(
        "ratio:Q",
        title="observed ÷ expected",
        scale=alt.Scale(domain=[0, highest], clamp=True),
        axis=alt.Axis(tickCount=5),
    )
    lines = (
        alt.Chart(values(curves))
        .mark_line(color=QUIET, strokeWidth=1, clip=True)
        .encode(
            x=x,
            y=y,
            detail=alt.Detail("side:N"),
            strokeDash=alt.StrokeDash(
                "limit:N", scale=alt.Scale(domain=["95 %", "99.8 %"], range=[[3, 3], [1, 0]]), legend=None
            ),
        )
    )
    target = alt.Chart(values(pl.DataFrame({"ratio": [1.0]}))).mark_rule(color=QUIET).encode(y=alt.Y("ratio:Q"))
    points = (
        alt.Chart(values(branches))
        .mark_point(size=70, strokeWidth=2, opacity=1, stroke=ACCENT)
        .encode(
            x=alt.X("expected:Q"),
            y=alt.Y("ratio:Q"),
            fill=alt.FillValue("transparent", condition={"test": "datum.comparable", "value": ACCENT}),
        )
    )
    labels = (
        alt.Chart(values(branches.filter("is_named")))
        .mark_text(align="left", dx=8, color=INK, limit=NAME_WIDTH)
        .encode(x=alt.X("expected:Q"), y=alt.Y("ratio:Q"), text=alt.Text("branch_id:N"))
    )
    return alt.layer(lines, target, points, labels)
