"""Events by week of piercing against those expected so far, and what recent weeks will have once all is known."""

import altair as alt
import polars as pl

from reports.charts.axes import days_across, from_nought, stretch
from reports.charts.drawing import ACCENT, INK, MARK, SOFT, Drawable, values, with_week_ends


def observed_expected(
    weeks: pl.DataFrame, completion: pl.DataFrame | None = None, *, unit: str = "infections"
) -> Drawable:
    """Bars and a stepped line from the columns week, observed, expected and solid; bars not solid are hollow.

    Weeks stand in their order; the line is broken where one is missing.
    `completion` puts on the bar of each of its weeks, from its columns week, observed, expected_final, low and high, a
    hollow part for what is still to become known, and a whisker for the limits.
    """
    known = weeks.with_columns(stretch("week").alias("stretch"))
    base = alt.Chart(values(with_week_ends(known))).encode(x=days_across("week", weeks["week"]))
    highest = () if completion is None else (completion["high"],)
    scale = from_nought(weeks["observed"], weeks["expected"], *highest, least=4)
    bars = base.mark_bar(strokeWidth=1, stroke=ACCENT).encode(
        x2=alt.X2("week_end:T"),
        y=alt.Y("observed:Q", title=unit, axis=alt.Axis(tickCount=4), scale=scale),
        y2=alt.Y2Datum(0),
        fill=alt.FillValue("transparent", condition={"test": "datum.solid", "value": SOFT}),
        strokeDash=alt.StrokeDashValue([3, 2], condition={"test": "datum.solid", "value": [1, 0]}),
    )
    line = base.mark_line(interpolate="step-after", color=MARK, strokeWidth=2).encode(
        y=alt.Y("expected:Q"), detail=alt.Detail("stretch:N")
    )
    still = () if completion is None or completion.is_empty() else _still_to_come(completion)
    return alt.layer(bars, *still, line, _last_steps(known))


def _last_steps(weeks: pl.DataFrame) -> alt.Chart:
    """The last week of each stretch of the stepped line, which ends where that week begins."""
    last = weeks.group_by("stretch", maintain_order=True).last().select("week", "expected")
    base = alt.Chart(values(with_week_ends(last))).mark_rule(color=MARK, strokeWidth=2)
    step: alt.Chart = base.encode(x=alt.X("week:T"), x2=alt.X2("week_end:T"), y=alt.Y("expected:Q"))
    return step


def _still_to_come(completion: pl.DataFrame) -> tuple[alt.Chart, alt.Chart]:
    middle = (pl.col("week") + pl.duration(days=3)).alias("middle")
    data = values(
        with_week_ends(completion.select("week", "observed", "expected_final", "low", "high")).with_columns(middle)
    )
    base = alt.Chart(data)
    hollow = base.mark_bar(fill="transparent", stroke=ACCENT, strokeWidth=1, strokeDash=[3, 2]).encode(
        x=alt.X("week:T"), x2=alt.X2("week_end:T"), y=alt.Y("observed:Q"), y2=alt.Y2("expected_final:Q")
    )
    whiskers = base.mark_rule(color=INK, strokeWidth=1.5).encode(
        x=alt.X("middle:T"), y=alt.Y("low:Q"), y2=alt.Y2("high:Q")
    )
    return hollow, whiskers
