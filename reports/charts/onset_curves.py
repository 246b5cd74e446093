"""Shares by days since the piercing as rising steps with their intervals, each named where it ends."""

import altair as alt
import polars as pl

from reports.charts.axes import share_axis
from reports.charts.drawing import ACCENT, BAND, INK, MARK, QUIET, WIDTH, Drawable, values

MOST = 4
"""Curves that can be told apart by colour and dashes."""
_COLOURS = (ACCENT, MARK, INK, QUIET)
_DASHES = ([1, 0], [6, 3], [2, 3], [8, 2, 2, 2])
_NAME_ROOM = 180
_EVERY_DAYS = 15
_LEAST_GAP = 0.065
"""Of the plot's height between two names, so that they do not stand on each other."""


def onset_curves(steps: pl.DataFrame, *, last_day: int) -> Drawable:
    """Curves from the columns series, day, share, low and high, in the order of their series, to `last_day`."""
    names = steps["series"].unique(maintain_order=True).to_list()
    colours = alt.Scale(domain=names, range=list(_COLOURS[: len(names)]))
    dashes = alt.Scale(domain=names, range=list(_DASHES[: len(names)]))
    every = alt.Axis(values=list(range(0, last_day + 1, _EVERY_DAYS)))
    x = alt.X("day:Q", title="days after the piercing", scale=alt.Scale(domain=[0, last_day]), axis=every)
    y = alt.Y("low:Q", title=None, axis=share_axis(), scale=alt.Scale(domainMin=0))
    base = alt.Chart(values(steps)).encode(x=x)
    bands = base.mark_area(interpolate="step-after", color=BAND, opacity=0.6).encode(
        y=y, y2=alt.Y2("high:Q"), detail=alt.Detail("series:N")
    )
    lines = base.mark_line(interpolate="step-after", strokeWidth=2).encode(
        y=alt.Y("share:Q"),
        color=alt.Color("series:N", scale=colours, legend=None),
        strokeDash=alt.StrokeDash("series:N", scale=dashes, legend=None),
    )
    labels = (
        alt.Chart(values(_ends(steps)))
        .mark_text(align="left", dx=6, color=INK)
        .encode(x=x, y=alt.Y("label_at:Q"), text=alt.Text("series:N"))
    )
    # The reader's font may be wider than the one measured here.
    room = {"left": 5, "right": 40, "top": 5, "bottom": 5}
    return alt.layer(bands, lines, labels).properties(width=WIDTH - _NAME_ROOM, padding=room)


def _ends(steps: pl.DataFrame) -> pl.DataFrame:
    """Where each curve ends and where its name stands, `label_at`: there, or as much higher as the one below asks."""
    ends = steps.group_by("series", maintain_order=True).last().sort("share")
    gap = _LEAST_GAP * float(steps["high"].fill_null(0).to_numpy().max(initial=0))
    places: list[float] = []
    for share in ends["share"]:
        places.append(max(share, places[-1] + gap) if places else share)
    return ends.with_columns(pl.Series("label_at", places))
