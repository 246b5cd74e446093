"""Cases of the charts by week, from frames made here: they need more weeks than rows by hand give."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import polars as pl

from pages.rows import mondays
from reports.charts.control_chart import control_chart
from reports.charts.drawing import Drawable
from reports.charts.observed_expected import observed_expected
from reports.charts.share_lines import share_lines
from reports.charts.weekly_bars import weekly_bars

from .component import (
    ALL_EVENTS,
    GAPS,
    MANY,
    NO_BASELINE,
    NO_DATA,
    NO_EVENT,
    NOT_OF_NOTHING,
    ONE,
    ONE_SLICE,
    PROVISIONAL,
    Component,
    named,
    wave,
)


def weeks(values: Sequence[float], back: Sequence[int] | None = None) -> pl.DataFrame:
    """Values by week, the last of them the newest; `back` names the weeks that they are of."""
    newest_first = mondays(1 + max(back or range(len(values)), default=0))
    days = [newest_first[at] for at in sorted(back or range(len(values)), reverse=True)]
    return pl.DataFrame({"week": days[: len(values)], "value": values}, schema={"week": pl.Date, "value": pl.Float64})


def bars(frame: pl.DataFrame) -> Drawable:
    """Visits a week, the newest told of."""
    return weekly_bars(frame.with_columns((pl.col("week") == pl.col("week").max()).alias("is_told")), unit="visits")


WEEKLY_BARS = Component(
    named(
        bars,
        {
            ONE: weeks([float(round(value)) for value in wave(60, 40, 12)]),
            MANY: weeks([float(round(value)) for value in wave(60, 41_000, 3_000)]),
            NO_EVENT: weeks([0.0] * 26),
            "one week": weeks([38.0]),
            "weeks missing": weeks([float(round(value)) for value in wave(len(GAPS), 40, 12)], GAPS),
        },
    ),
    {NO_DATA: NOT_OF_NOTHING, ALL_EVENTS: "counts visits, which have no upper end", PROVISIONAL: NO_BASELINE},
)


def lines(series: dict[str, pl.DataFrame]) -> Drawable:
    """Shares by week, named."""
    named_series = [
        frame.select("week", pl.lit(name).alias("series"), pl.col("value").alias("share"))
        for name, frame in series.items()
    ]
    empty = pl.DataFrame(schema={"week": pl.Date, "series": pl.String, "share": pl.Float64})
    return share_lines(pl.concat([empty, *named_series]))


def two(bought: list[float], back: Sequence[int] | None = None) -> dict[str, pl.DataFrame]:
    """Aftercare bought, and with gifts, which is a fifth more."""
    provided = [min(1.0, value * 1.2) for value in bought]
    return {"bought, given or bundled": weeks(provided, back), "bought": weeks(bought, back)}


SHARE_LINES = Component(
    named(
        lines,
        {
            ONE: two(wave(60, 0.45, 0.2)),
            NO_EVENT: two([0.0] * 26),
            ALL_EVENTS: two([1.0] * 26),
            "one week": two([0.45]),
            "weeks missing": two(wave(len(GAPS), 0.45, 0.1), GAPS),
            "very small shares": two(wave(26, 0.004, 0.002)),
        },
    ),
    {NO_DATA: NOT_OF_NOTHING, MANY: ONE_SLICE, PROVISIONAL: NO_BASELINE},
)


def observed(
    counts: Sequence[float], expected: float, *, young: int = 6, back: Sequence[int] | None = None
) -> pl.DataFrame:
    """Cases by week beside a level expected, the last weeks still filling in."""
    frame = weeks(counts, back).rename({"value": "observed"})
    solid = [at < len(counts) - young for at in range(len(counts))]
    return frame.with_columns(
        pl.lit(expected, dtype=pl.Float64).alias("expected"), pl.Series("solid", solid, dtype=pl.Boolean)
    )


def completed(frame: pl.DataFrame, *, more: float, spread: float) -> Drawable:
    """The last six weeks completed: `more` still to come in each, and limits `spread` above and below."""
    final = frame.tail(6).with_columns(
        (pl.col("observed") + more).alias("expected_final"),
        pl.col("observed").alias("low"),
        (pl.col("observed") + more + spread).alias("high"),
    )
    return observed_expected(frame, final)


COUNTS = [float(max(0, round(value))) for value in wave(40, 3, 3)]

OBSERVED_EXPECTED = Component(
    named(
        observed_expected,
        {
            ONE: observed(COUNTS, 2.6),
            MANY: observed([1_000 * value for value in COUNTS], 2_600),
            NO_EVENT: observed([0.0] * 40, 1.4),
            ALL_EVENTS: observed([30.0] * 40, 1.4),
            PROVISIONAL: observed(COUNTS[:5], 2.6, young=5),
            "one week": observed([2.0], 1.4),
            "weeks missing": observed(COUNTS[: len(GAPS)], 2.6, back=GAPS),
        },
    )
    | named(
        lambda given: completed(**({"frame": observed(COUNTS, 2.6, young=1)} | given)),
        {
            "recent weeks completed": {"more": 2.0, "spread": 3.0},
            "limits far apart": {"more": 4.0, "spread": 70.0},
            "nought so far": {"more": 2.0, "spread": 3.0, "frame": observed([0.0] * 20, 0, young=1)},
        },
    ),
    {NO_DATA: NOT_OF_NOTHING},
)

POINT_TYPES: dict[str, Any] = {
    **dict.fromkeys(("statistic", "centre", "lower", "upper"), pl.Float64),
    **dict.fromkeys(("mature", "in_baseline"), pl.Boolean),
    **dict.fromkeys(("beyond", "rule"), pl.String),
    "phase": pl.Int64,
    **dict.fromkeys(("day", "phase_from"), pl.Date),
}


def points(
    statistics: Sequence[float],
    *,
    limits: tuple[float, float, float] = (0.004, 0.025, 0.058),
    baseline: int = 0,
    young: int = 0,
    breaks: Sequence[int] = (),
    fired: Sequence[int] = (),
    back: Sequence[int] | None = None,
) -> pl.DataFrame:
    """Points by week with a lower limit, centre and upper limit. `breaks` and `fired` name places of points."""
    frame = weeks(statistics, back).rename({"week": "day", "value": "statistic"})
    days: list[date] = frame["day"].to_list()
    lower, centre, upper = limits
    rows = [
        {
            "day": day,
            "statistic": value,
            "centre": centre,
            "lower": lower,
            "upper": upper,
            "beyond": "above" if value > upper else "below" if value < lower else None,
            "rule": "beyond a limit" if not lower <= value <= upper else "eight on one side" if at in fired else None,
            "mature": at < len(days) - young,
            "in_baseline": at < baseline,
            "phase": 1 + sum(at >= place for place in breaks),
            "phase_from": max([days[0], *(days[place] for place in breaks if at >= place)]),
        }
        for at, (day, value) in enumerate(zip(days, statistics, strict=True))
    ]
    return pl.DataFrame(rows, schema=POINT_TYPES)


SHARES = wave(60, 0.028, 0.018)
RUNS = [10 ** (2 + value) for value in wave(40, 0.2, 0.5)]
RUN_LIMITS = (18.0, 160.0, 900.0)

CONTROL_CHART = Component(
    named(
        lambda frame: control_chart(frame, unit="share infected, by week", is_share=True),
        {
            ONE: points([*SHARES[:50], 0.075, *SHARES[51:]], baseline=26, young=6, fired=(40,)),
            NO_EVENT: points([0.0] * 40, limits=(0.0, 0.002, 0.02), baseline=26),
            ALL_EVENTS: points([1.0] * 40, baseline=26),
            PROVISIONAL: points(SHARES[:8], baseline=8, young=6),
            "one week": points([0.03]),
            "weeks missing": points(SHARES[: len(GAPS)], back=GAPS),
            "three phases": points(wave(120, 0.028, 0.018), baseline=26, young=6, breaks=(40, 90)),
            "limits far apart": points(SHARES, limits=(0.0, 0.03, 0.9), baseline=26),
        },
    )
    | named(
        lambda frame: control_chart(frame, unit="piercings for five infections", is_share=False),
        {
            "runs": points([*RUNS[:30], 9.0, *RUNS[31:]], limits=RUN_LIMITS, baseline=10, young=1),
            "one run": points([120.0], limits=RUN_LIMITS),
            "runs, limits far apart": points(RUNS, limits=(1.0, 160.0, 90_000.0), baseline=10),
        },
    ),
    {NO_DATA: NOT_OF_NOTHING, MANY: ONE_SLICE},
)

WEEK_CHARTS = {
    "control_chart": CONTROL_CHART,
    "observed_expected": OBSERVED_EXPECTED,
    "share_lines": SHARE_LINES,
    "weekly_bars": WEEKLY_BARS,
}
