"""Control charts: points, centre and limits; what sets a point apart shows in its shape as well as its colour."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, BAND, MARK, QUIET, Drawable, day_axis, values

_STEPS = [step * 10**power for power in range(6) for step in (1, 2, 5)]
"""Marks of a logarithmic scale: 1, 2, 5, 10, 20, 50, …"""
_MARKS = {
    "beyond": alt.MarkDef("point", filled=True, size=110, shape="diamond", color=MARK, opacity=1),
    "fired": alt.MarkDef("point", filled=True, size=70, shape="square", color=ACCENT, opacity=1),
    "plain": alt.MarkDef("point", filled=True, size=28, color=ACCENT, opacity=1),
    "baseline": alt.MarkDef("point", filled=True, size=28, color=QUIET, opacity=1),
    "young": alt.MarkDef("point", filled=False, size=36, color=QUIET, opacity=1),
}
"""How points look: beyond a limit, where another rule fired, plain, of the baseline, still coming in."""
_LOOK = (
    pl.when(~pl.col("mature"))
    .then(pl.lit("young"))
    .when(pl.col("beyond").is_not_null())
    .then(pl.lit("beyond"))
    .when(pl.col("rule").is_not_null())
    .then(pl.lit("fired"))
    .when("in_baseline")
    .then(pl.lit("baseline"))
    .otherwise(pl.lit("plain"))
)


def control_chart(points: pl.DataFrame, *, unit: str, is_share: bool) -> Drawable:
    """A chart of points with their limits, verdicts and phases.

    Columns: day, statistic, centre, lower, upper, beyond and rule (each may be empty), mature, in_baseline, phase,
    phase_from. `is_share` draws shares by week; otherwise the statistic is a number of piercings, on a logarithmic
    scale. An upright line stands where a phase but the first begins.
    """
    if is_share:
        axis, scale = alt.Axis(format=".0%", tickCount=5), alt.Scale(domainMin=0)
    else:
        shown = points.select("statistic", "lower", "upper").to_numpy()
        axis = alt.Axis(values=_STEPS)
        scale = alt.Scale(type="log", nice=False, domain=[0.8 * float(shown.min()), 1.25 * float(shown.max())])
    drawn = points.drop("why", strict=False).with_columns(_LOOK.alias("look"))  # a long text, the same at each point
    base = alt.Chart(values(drawn)).encode(x=alt.X("day:T", axis=day_axis()))
    band = base.mark_area(interpolate="step", color=BAND).encode(
        y=alt.Y("lower:Q", title=unit, axis=axis, scale=scale), y2=alt.Y2("upper:Q")
    )
    limits = [
        base.mark_line(interpolate="step", color=QUIET, strokeWidth=1, strokeDash=[4, 3]).encode(y=alt.Y(f"{limit}:Q"))
        for limit in ("lower", "upper")
    ]
    centre = base.mark_line(interpolate="step", color=QUIET, strokeWidth=1).encode(y=alt.Y("centre:Q"))
    line = base.transform_filter("datum.mature").mark_line(color=ACCENT, strokeWidth=1).encode(y=alt.Y("statistic:Q"))
    looks = [
        base.transform_filter(f"datum.look == '{look}'").properties(mark=mark).encode(y=alt.Y("statistic:Q"))
        for look, mark in _MARKS.items()
    ]
    return alt.layer(band, *limits, centre, *_breaks(points), line, *looks)


def _breaks(points: pl.DataFrame) -> list[alt.Chart]:
    """Where phases begin among the points; none before the first is drawn."""
    begins = points.filter((pl.col("phase") > 1) & (pl.col("phase_from") > pl.col("day").min()))
    if begins.is_empty():
        return []
    days = begins.select("phase_from").unique(maintain_order=True)
    return [alt.Chart(values(days)).mark_rule(color=QUIET, strokeWidth=1).encode(x=alt.X("phase_from:T"))]
