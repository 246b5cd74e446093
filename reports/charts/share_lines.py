"""Shares by week as lines, each named at its end."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, INK, MARK, QUIET, Drawable, day_axis, values

_COLOURS = (ACCENT, MARK, QUIET)
_DASHES = ([1, 0], [6, 3], [2, 3])


def share_lines(weeks: pl.DataFrame) -> Drawable:
    """Lines from the columns week, series and share; a series is told by its dashes and its name, not colour alone."""
    names = weeks["series"].unique(maintain_order=True).to_list()
    base = alt.Chart(values(weeks)).encode(
        x=alt.X("week:T", axis=day_axis()),
        y=alt.Y("share:Q", title=None, axis=alt.Axis(format=".0%", tickCount=5), scale=alt.Scale(domainMin=0)),
        color=alt.Color("series:N", scale=alt.Scale(domain=names, range=list(_COLOURS[: len(names)])), legend=None),
    )
    lines = base.mark_line(strokeWidth=2).encode(
        strokeDash=alt.StrokeDash(
            "series:N", scale=alt.Scale(domain=names, range=list(_DASHES[: len(names)])), legend=None
        )
    )
    ends = weeks.sort("week").group_by("series", maintain_order=True).last()
    labels = (
        alt.Chart(values(ends))
        .mark_text(align="right", dy=-10, color=INK)
        .encode(x="week:T", y="share:Q", text="series:N")
    )
    return alt.layer(lines, labels)
