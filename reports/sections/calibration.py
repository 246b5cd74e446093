"""Whether the risks that case mix predicts hold: observed infection by groups of predicted risk."""

from typing import Any

import polars as pl

from pipeline.stats.standardise import LEAST_EXPECTED
from reports import numbers
from reports.charts.predicted_observed import predicted_observed
from reports.parts import Cell, Figure, Figures, Table

LEAST_GROUPS = 2
"""Groups there must be: with one, predicted and observed are equal whatever the model."""


def calibration_figure(figures: Figures, calibration: pl.DataFrame) -> Figure | None:
    """Infection by groups of predicted risk, from rows of calibration; None with too few groups."""
    groups = calibration.filter(pl.col("complication") == "infection")
    if groups.height < LEAST_GROUPS:
        return None
    frame = groups.select(
        pl.col("predicted_share").alias("predicted"),
        "share",
        pl.col("wilson_low").alias("low"),
        pl.col("wilson_high").alias("high"),
    )
    heads = ("Risk", "Piercings", "Infected", "Share predicted", "Share observed", "Observed ÷ predicted")
    return figures.draw(
        predicted_observed(frame),
        title=_title(groups),
        subtitle=(
            "Piercings of all branches in groups by the risk their site group and age carry; each line shows where the "
            "group’s true share most likely lies (95 %). On the dashed line it is as predicted; by chance "
            "alone, about 1 line in 20 misses it."
        ),
        table=Table(
            "Infection by group of predicted risk, the lowest first",
            heads,
            tuple(_row(number, row) for number, row in enumerate(groups.iter_rows(named=True), 1)),
            "calibration.csv",
        ),
        method="regression",
    )


def _title(groups: pl.DataFrame) -> str:
    """The message: in how many groups the prediction lies within the range of what was observed."""
    is_within = pl.col("predicted_share").is_between("wilson_low", "wilson_high")
    outside = groups.filter(~is_within).height
    if not outside:
        return f"Case mix predicts infection about right in each of {groups.height} groups of risk"
    return f"In {outside} of {groups.height} groups of risk, infection is not what case mix predicts"


def _row(number: int, row: dict[str, Any]) -> tuple[Cell | str, ...]:
    share = Cell(numbers.share(row["share"]), numbers.share_range(row["wilson_low"], row["wilson_high"]))
    if row["observed"] == 0:
        share = Cell(f"0 of {numbers.count(row['procedures'])}", f"could be up to {numbers.share(row['wilson_high'])}")
    return (
        f"Group {number}",
        numbers.count(row["procedures"]),
        Cell(numbers.count(row["observed"]), f"{numbers.tenth(row['predicted'])} predicted"),
        numbers.share(row["predicted_share"]),
        share,
        numbers.ratio(row["observed"] / row["predicted"]) if row["predicted"] >= LEAST_EXPECTED else numbers.NONE,
    )
