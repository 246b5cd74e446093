"""Shares by week as lines, told apart by their dashes as well as their colours; the caption names them."""

import altair as alt
import polars as pl

from reports.charts.drawing import ACCENT, MARK, QUIET, Drawable, day_axis, values

_COLOURS = (ACCENT, MARK, QUIET)
_DASHES = ([1, 0], [6, 3], [2, 3])


def share_lines(weeks: pl.DataFrame) -> Drawable:
    """Lines from the columns week, series and share; the first series is a full line, the second dashed."""
    names = weeks["series"].unique(maintain_order=True).to_list()
    base = alt.Chart(values(weeks)).encode(
        x=alt.X("week:T", axis=day_axis()),
        y=alt.Y("share:Q", title=None, axis=alt.Axis(format=".0%", tickCount=5), scale=alt.Scale(domainMin=0)),
        color=alt.Color("series:N", scale=alt.Scale(domain=names, range=list(_COLOURS[: len(names)])), legend=None),
    )
    lines: Drawable = base.mark_line(strokeWidth=2).encode(
        strokeDash=alt.StrokeDash(
            "series:N", scale=alt.Scale(domain=names, range=list(_DASHES[: len(names)])), legend=None
        )
    )
    return lines
