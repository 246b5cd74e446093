"""Branches in a funnel: observed over expected against how many were expected, with the limits chance draws."""

import altair as alt
import polars as pl

from reports.charts.axes import LETTER
from reports.charts.drawing import ACCENT, HEIGHT, INK, QUIET, WIDTH, Drawable, values

NAME_WIDTH = 200
"""Pixels a branch's id may take before it is cut: the figure's table has it whole. Less than half the plot."""
_LINE = 15
"""Pixels between the lines of two names."""
_SIDES = {"branch_id": pl.String, "is_left": pl.Boolean}
_MANY = 100
"""Branches from which on points are drawn small."""


def branch_funnel(branches: pl.DataFrame, curves: pl.DataFrame) -> Drawable:
    """A funnel of branches (branch_id, expected, ratio, comparable, is_named), limits (expected, ratio, limit, side).

    Branches that cannot be compared are drawn hollow. A name that would stand on that of a branch further from 1 is
    left out.
    """
    largest = float(curves["expected"].to_numpy().max())
    x = alt.X(
        "expected:Q",
        title="infections expected of the branch’s case mix",
        scale=alt.Scale(domain=[0, largest]),
        axis=alt.Axis(tickCount=8, labelOverlap=True, labelSeparation=8),
    )
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
        .mark_point(size=70 if branches.height < _MANY else 16, strokeWidth=2, opacity=1, stroke=ACCENT)
        .encode(
            x=alt.X("expected:Q"),
            y=alt.Y("ratio:Q"),
            fill=alt.FillValue("transparent", condition={"test": "datum.comparable", "value": ACCENT}),
        )
    )
    named = _named(branches.filter("is_named"), largest, highest)
    labels = [_labels(named.filter(~pl.col("is_left")), is_left=False)]
    if named["is_left"].any():
        labels.append(_labels(named.filter("is_left"), is_left=True))
    return alt.layer(lines, target, points, *labels)


def _labels(named: pl.DataFrame, *, is_left: bool) -> alt.Chart:
    """Names to the right of their points, or to the left: beyond its edge they would make the plot smaller."""
    base = alt.Chart(values(named.drop("is_left"))).mark_text(
        align="right" if is_left else "left", dx=-8 if is_left else 8, color=INK, limit=NAME_WIDTH
    )
    labels: alt.Chart = base.encode(x=alt.X("expected:Q"), y=alt.Y("ratio:Q"), text=alt.Text("branch_id:N"))
    return labels


def _named(branches: pl.DataFrame, largest: float, highest: float) -> pl.DataFrame:
    """Those of the branches whose names leave each other room, and whether each `is_left` of its point.

    `largest` and `highest` are where the axes end.
    """
    places: list[tuple[float, float, float]] = []
    kept = {}
    furthest = branches.drop_nulls("ratio").sort((pl.col("ratio") - 1).abs(), descending=True, maintain_order=True)
    for name, expected, ratio in furthest.select("branch_id", "expected", "ratio").iter_rows():
        at, y = WIDTH * expected / largest, HEIGHT * ratio / highest
        room = min(NAME_WIDTH, LETTER * len(name) + 2 * LETTER)
        is_left = at + room > WIDTH
        begins, ends = (at - room, at) if is_left else (at, at + room)
        if all(abs(y - other) >= _LINE or ends <= left or begins >= right for left, right, other in places):
            places.append((begins, ends, y))
            kept[name] = is_left
    is_left_of = pl.DataFrame({"branch_id": kept.keys(), "is_left": kept.values()}, schema=_SIDES)
    return branches.join(is_left_of, on="branch_id", maintain_order="left")
