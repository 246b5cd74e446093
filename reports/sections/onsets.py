"""When complications begin: curves over the days after the piercing, and what each day range adds."""

import polars as pl

from pipeline.contract import vocabulary as v
from reports import numbers, words
from reports.charts.onset_curves import MOST, onset_curves
from reports.edition import Edition
from reports.parts import Cell, Figure, Figures, Table
from reports.receipts import receipt

LEAST_ONSETS = 10
"""Onsets a complication must have to be drawn: fewer make no curve. The table has them all."""
_TOLD_DAYS = (7, 14, 30, v.ONSET_DAYS)


def onset_figure(figures: Figures, edition: Edition) -> Figure | None:
    """The share of piercings each complication is met first on, by days since the piercing.

    None without any, and too early: before piercings are known about to the curve's end, it would seem to stand still.
    """
    onsets = edition.results["onsets"]
    drawn = _drawn(onsets)
    if not drawn or edition.is_too_early(v.ONSET_DAYS):
        return None
    curves = {words.COMPLICATION[name]: _steps(onsets.filter(pl.col("complication") == name)) for name in drawn}
    steps = pl.concat([curve.select(pl.lit(name).alias("series"), pl.all()) for name, curve in curves.items()])
    return figures.draw(
        onset_curves(steps, last_day=v.ONSET_DAYS),
        title=_title(onsets, drawn[0]),
        subtitle=(
            "Share of piercings on which each is met first, all branches; shaded: where the true share most likely "
            "lies (95 %). A piercing that met another complication first, or whose stud was taken out before, no "
            "longer counts. Only what was told is known."
        ),
        table=_table(onsets, _receipts(edition, drawn[0])),
        method="onsets",
    )


def _drawn(onsets: pl.DataFrame) -> list[str]:
    """The watched complications with enough onsets, in the order they are watched."""
    counts = dict(onsets.group_by("complication").agg(pl.col("onsets").sum()).iter_rows())
    return [name for name in v.WATCHED if counts.get(name, 0) >= LEAST_ONSETS][:MOST]


def _steps(curve: pl.DataFrame) -> pl.DataFrame:
    """A curve's steps from nought on day 0 to the last day."""
    own = curve.select("day", "share", pl.col("share_low").alias("low"), pl.col("share_high").alias("high"))
    nought = pl.DataFrame({"day": [0], "share": [0.0], "low": [0.0], "high": [0.0]}, schema=own.schema)
    end = own.tail(1).with_columns(pl.lit(v.ONSET_DAYS, dtype=own.schema["day"]).alias("day"))
    return pl.concat([nought, own, end])


def _title(onsets: pl.DataFrame, name: str) -> str:
    """The message: how soon half of what is known by the last day of the curve had begun."""
    curve = onsets.filter(pl.col("complication") == name)
    half = curve.filter(pl.col("share") >= curve["share"][-1] / 2)["day"][0]
    what = words.COMPLICATION[name]
    return f"{what[0].upper()}{what[1:]}: half of the cases known within {v.ONSET_DAYS} days begin by day {half}"


def _receipts(edition: Edition, complication: str) -> tuple[str, ...]:
    """The command for the first day on which a complication began."""
    day: int = edition.results["onsets"].filter(pl.col("complication") == complication)["day"][0]
    return receipt(edition, "onsets", complication=complication, day=day)


def _table(onsets: pl.DataFrame, receipts: tuple[str, ...]) -> Table:
    rows = []
    for complication in v.ONSETS:
        curve = onsets.filter(pl.col("complication") == complication.name)
        cells = (_cell(curve, day) for day in _TOLD_DAYS)
        rows.append((complication.words.capitalize(), *cells))
    heads = ("Met first", *(f"By day {day}" for day in _TOLD_DAYS))
    caption = "Share of piercings on which each was met first"
    return Table(caption, heads, tuple(rows), "onsets.csv", receipts=receipts)


def _cell(curve: pl.DataFrame, day: int) -> Cell | str:
    known = curve.filter(pl.col("day") <= day)
    if known.is_empty():
        return numbers.NONE
    last = known.row(-1, named=True)
    return Cell(numbers.share(last["share"]), numbers.share_range(last["share_low"], last["share_high"]))
