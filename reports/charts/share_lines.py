"""Shares by week as lines, told apart by their dashes as well as their colours; the caption names them."""

import altair as alt
import polars as pl

from reports.charts.axes import days_across, from_nought, share_axis, stretch
from reports.charts.drawing import ACCENT, MARK, QUIET, Drawable, values

_COLOURS = (ACCENT, MARK, QUIET)
_DASHES = ([1, 0], [6, 3], [2, 3])
_SHAPES = ("circle", "square", "diamond")


def share_lines(weeks: pl.DataFrame) -> Drawable:
    """Lines from the columns week, series and share; the first series is a full line, the second dashed.

    A line is broken where a week is missing; a week alone is a point, whose shape is its series'.
    """
    names = weeks["series"].unique(maintain_order=True).to_list()
    base = alt.Chart(values(_stretches(weeks))).encode(
        x=days_across("week", weeks["week"]),
        y=alt.Y("share:Q", title=None, axis=share_axis(), scale=from_nought(weeks["share"], least=0.1)),
        color=alt.Color("series:N", scale=alt.Scale(domain=names, range=list(_COLOURS[: len(names)])), legend=None),
    )
    lines = base.mark_line(strokeWidth=2).encode(
        detail=alt.Detail("stretch:N"),
        strokeDash=alt.StrokeDash(
            "series:N", scale=alt.Scale(domain=names, range=list(_DASHES[: len(names)])), legend=None
        ),
    )
    alone = (
        base.transform_filter("datum.is_alone")
        .mark_point(filled=True, size=40, opacity=1)
        .encode(
            shape=alt.Shape("series:N", scale=alt.Scale(domain=names, range=list(_SHAPES[: len(names)])), legend=None)
        )
    )
    return alt.layer(lines, alone)


def _stretches(weeks: pl.DataFrame) -> pl.DataFrame:
    """The weeks of each series in order, with which unbroken stretch each is of and whether it is alone there."""
    return (
        weeks.sort("week", maintain_order=True)
        .with_columns(stretch("week").over("series").alias("stretch"))
        .with_columns((pl.len().over("series", "stretch") == 1).alias("is_alone"))
    )
