"""Control charts: points, centre and limits; what sets a point apart shows in its shape as well as its colour."""

from typing import Any

import altair as alt
import polars as pl

from reports.charts.axes import days_across, from_nought, share_axis
from reports.charts.drawing import ACCENT, BAND, MARK, QUIET, Drawable, values

_STEPS = [step * 10**power for power in range(6) for step in (1, 2, 5)]
"""Marks of a logarithmic scale: 1, 2, 5, 10, 20, 50, …"""
_ROOM = 12
"""Pixels above the highest and below the lowest of a logarithmic scale."""
_MARKS: dict[str, dict[str, Any]] = {
    "beyond": {"filled": True, "size": 110, "shape": "diamond", "color": MARK},
    "fired": {"filled": True, "size": 70, "shape": "square", "color": ACCENT},
    "plain": {"filled": True, "size": 28, "color": ACCENT},
    "baseline": {"filled": True, "size": 28, "color": QUIET},
    "young": {"filled": False, "size": 36, "color": QUIET},
}
"""How points look: beyond a limit, where another rule fired, plain, of the baseline, still coming in."""
_LEVELS: tuple[tuple[str, list[int]], ...] = (("lower", [4, 3]), ("upper", [4, 3]), ("centre", [1, 0]))
"""The limits and the centre, with their dashes."""
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
        axis, scale = share_axis(), from_nought(points["statistic"], points["upper"], least=0.01)
    else:
        axis, scale = alt.Axis(values=_STEPS), alt.Scale(type="log", nice=False, padding=_ROOM)
    drawn = points.drop("why", strict=False).with_columns(_LOOK.alias("look"))  # a long text, the same at each point
    data = alt.Chart(values(drawn))
    band = data.mark_area(interpolate="step", color=BAND).encode(  # it alone tells the axes: layers are copied often
        x=days_across("day", points["day"]),
        y=alt.Y("lower:Q", title=unit, axis=axis, scale=scale),
        y2=alt.Y2("upper:Q"),
    )
    base = data.encode(x=alt.X("day:T"))
    levels = [_level(points, base, name, dash) for name, dash in _LEVELS]
    line = base.transform_filter("datum.mature").mark_line(color=ACCENT, strokeWidth=1).encode(y=alt.Y("statistic:Q"))
    met = set(drawn["look"])
    looks = [
        base.transform_filter(f"datum.look == '{look}'").mark_point(opacity=1, **mark).encode(y=alt.Y("statistic:Q"))
        for look, mark in _MARKS.items()
        if look in met
    ]
    return alt.layer(band, *levels, *_breaks(points), line, *looks)


def _level(points: pl.DataFrame, base: alt.Chart, name: str, dash: list[int]) -> alt.Chart:
    """A limit or the centre from point to point, or, beside a single point, right across."""
    if points.height == 1:
        level = alt.Chart(values(points.select(name))).mark_rule(strokeDash=dash, color=QUIET, strokeWidth=1)
    else:
        level = base.mark_line(interpolate="step", strokeDash=dash, color=QUIET, strokeWidth=1)
    drawn: alt.Chart = level.encode(y=alt.Y(f"{name}:Q"))
    return drawn


def _breaks(points: pl.DataFrame) -> list[alt.Chart]:
    """Where phases begin among the points; none before the first is drawn."""
    begins = points.filter((pl.col("phase") > 1) & (pl.col("phase_from") > pl.col("day").min()))
    if begins.is_empty():
        return []
    days = begins.select("phase_from").unique(maintain_order=True)
    return [alt.Chart(values(days)).mark_rule(color=QUIET, strokeWidth=1).encode(x=alt.X("phase_from:T"))]
