"""Charts of a week's trade: visits, and aftercare bought or provided."""

from datetime import date, timedelta

import polars as pl

from pipeline.stats.intervals import wilson
from reports import numbers
from reports.business import BOUGHT, PROVIDED, VISITS, Line
from reports.charts.share_lines import share_lines
from reports.charts.weekly_bars import weekly_bars
from reports.parts import Figure, Figures, Table

CHART_WEEKS = 60
HALF_YEAR_WEEKS = 26


def trade_figures(figures: Figures, lines: list[Line], monday: date, where: str) -> tuple[Figure, ...]:
    """Visits a week, and aftercare by week, where any is known of the weeks drawn. `where` names whose they are."""
    named = {line.name: line for line in lines}
    charts = (
        _visits(figures, named[VISITS], monday, where),
        _aftercare(figures, named[BOUGHT], named[PROVIDED], monday, where),
    )
    return tuple(chart for chart in charts if chart)


def _visits(figures: Figures, visits: Line, monday: date, where: str) -> Figure | None:
    frame = _weeks({"visits": visits}, monday)
    if frame.is_empty():
        return None
    rows = tuple((numbers.short_day(week), numbers.count(value)) for week, _, value in reversed(frame.rows()))
    return figures.draw(
        weekly_bars(frame.with_columns((pl.col("week") == monday).alias("is_told")), unit="visits"),
        title=f"Visits: {visits.in_words(monday)}",
        subtitle=f"Visits a week, {where}, to {numbers.day(monday + timedelta(days=6))}; the week told of stands out.",
        table=Table(f"Visits a week, {where}", ("Week from", "Visits"), rows, "weekly.csv"),
        method="week",
    )


def _aftercare(figures: Figures, bought: Line, provided: Line, monday: date, where: str) -> Figure | None:
    frame = _weeks({"bought, given or bundled": provided, "bought": bought}, monday)
    if frame.is_empty():
        return None
    rows = tuple(
        (numbers.short_day(week), numbers.share(bought.values.get(week)), numbers.share(provided.values.get(week)))
        for week in frame["week"].unique().sort(descending=True)
    )
    return figures.draw(
        share_lines(frame.rename({"value": "share"})),
        title=_aftercare_title(bought, provided, monday),
        subtitle=(
            f"Share of visits a week, {where}; refunds within 14 days are taken off. Full line: bought, given or "
            "bundled; dashes: bought."
        ),
        table=Table(
            f"Share of visits, {where}", ("Week from", "Bought", "Bought, given or bundled"), rows, "attach.csv"
        ),
        method="attach",
    )


def _aftercare_title(bought: Line, provided: Line, monday: date) -> str:
    """The message: the last half-year beside the one before it."""
    now, before = _half_year(bought, monday, 0), _half_year(bought, monday, HALF_YEAR_WEEKS)
    given, given_before = _half_year(provided, monday, 0), _half_year(provided, monday, HALF_YEAR_WEEKS)
    if now is None or before is None or given is None or given_before is None:
        return "Aftercare: too few weeks to say how it moves"
    text = (
        f"Aftercare bought {_moved(now, before)}: {numbers.share(now[0] / now[1])} of visits in half a year, "
        f"{numbers.share(before[0] / before[1])} before"
    )
    if _moved(given, given_before) != _moved(now, before):
        return f"{text}; with gifts and bundles it {_moved(given, given_before)}"
    return text


def _moved(now: tuple[int, int], before: tuple[int, int]) -> str:
    """Whether a share rose or fell beyond doubt: only where the two 95 % intervals lie apart."""
    span, span_before = wilson(*now), wilson(*before)
    return "fell" if span.high < span_before.low else "rose" if span.low > span_before.high else "held"


def _half_year(line: Line, monday: date, weeks_back: int) -> tuple[int, int] | None:
    """Visits counted and all visits of half a year; None where hardly any week is known."""
    weeks = [monday - timedelta(weeks=back) for back in range(weeks_back, weeks_back + HALF_YEAR_WEEKS)]
    parts = [line.parts[week] for week in weeks if week in line.parts]
    if len(parts) < HALF_YEAR_WEEKS - 6:
        return None
    return sum(part for part, _ in parts), sum(whole for _, whole in parts)


def _weeks(lines: dict[str, Line], monday: date) -> pl.DataFrame:
    """Lines as a long frame of week, series and value, over the weeks up to a Monday."""
    first = monday - timedelta(weeks=CHART_WEEKS - 1)
    rows = [
        (week, name, value)
        for name, line in lines.items()
        for week, value in sorted(line.values.items())
        if first <= week <= monday
    ]
    return pl.DataFrame(rows, schema={"week": pl.Date, "series": pl.String, "value": pl.Float64}, orient="row")
