"""How piercings heal: complication rates with what stands beside them."""

from collections.abc import Iterable
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from reports import numbers, words
from reports.charts.interval_dots import interval_dots
from reports.edition import Edition
from reports.parts import Cell, Figure, Figures, Table
from reports.receipts import receipt

LEAST_PIERCINGS = 30
"""Piercings a pair of material and site group must have to be drawn: an interval from fewer spans most of the axis."""


NOT_YET = "not yet"
_ORDER = {level: place for place, level in enumerate([*words.SITE_GROUP, *(band for band, _, _ in v.AGE_BANDS)])}
"""Levels that have an order of their own; others stand behind them by their names."""


def rate_cells(edition: Edition, row: dict[str, Any]) -> tuple[Cell | str, ...]:
    """A rate, the rate among those reached, and coverage; `not yet` where the data does not reach back far enough."""
    if edition.is_too_early(row["window_days"]):
        needed = numbers.short_day(edition.needed_from(row["window_days"]))
        since = f"data from {numbers.short_day(edition.data_from)}, needed from {needed}"
        return Cell(NOT_YET, since), numbers.NONE, numbers.NONE
    if row["procedures"] == 0:
        return Cell("none to count"), numbers.NONE, numbers.NONE
    rate = _share_cell(row["events"], row["procedures"], row["rate"], row["wilson_low"], row["wilson_high"])
    if row["reached"] == 0:
        return rate, "none reached", "none"
    among = _share_cell(
        row["events_reached"], row["reached"], row["rate_reached"], row["reached_low"], row["reached_high"]
    )
    return rate, among, numbers.share(row["coverage"])


def _share_cell(events: int, n: int, rate: float | None, low: float | None, high: float | None) -> Cell:
    """A share that never reads as certain: nought is told with how much it could be."""
    if events == 0:
        return Cell(f"0 of {numbers.count(n)}", f"could be up to about {numbers.share(high)}")
    return Cell(numbers.share(rate), f"{numbers.count(events)} of {numbers.count(n)}; {numbers.share_range(low, high)}")


def practitioner_share(edition: Edition, row: dict[str, Any]) -> Cell | str:
    """The infected share of a row of branch_practitioners; `not yet` as for other rates."""
    if edition.is_too_early():
        return NOT_YET
    return _share_cell(row["events"], row["procedures"], row["rate"], row["wilson_low"], row["wilson_high"])


RATE_HEADS = ("Share of piercings", "Share among those reached", "Reached")


def complication_table(
    edition: Edition, dimension: str, level: str, where: str, only: tuple[str, ...] = tuple(words.COMPLICATION)
) -> Table:
    """Complications and groups of a slice, every one or only some."""
    rates = edition.results["complication_rates"].filter(
        (pl.col("dimension") == dimension) & (pl.col("level") == level)
    )
    by_name = {row["complication"]: row for row in rates.iter_rows(named=True)}
    rows = tuple(
        (Cell(text.capitalize(), f"within {by_name[name]['window_days']} days"), *rate_cells(edition, by_name[name]))
        for name, text in _in_reading_order()
        if name in by_name and name in only
    )
    return Table(
        f"Complications, {where}, in the 364 days that are old enough",
        ("", *RATE_HEADS),
        rows,
        "complication_rates.csv",
        receipts=receipt(edition, "complication_rates", dimension=dimension, level=level, complication="infection"),
    )


def _in_reading_order() -> Iterable[tuple[str, str]]:
    """The groups first, then the kinds."""
    groups = ("infection", "any")
    return [(name, words.COMPLICATION[name]) for name in groups] + [
        (name, text) for name, text in words.COMPLICATION.items() if name not in groups
    ]


def level_table(edition: Edition, complication: str, dimension: str, caption: str) -> Table:
    """One complication by the levels of a dimension, in the order of their names."""
    rows = tuple(
        (_level_name(dimension, row["level"]), *rate_cells(edition, row))
        for row in _levels(edition, complication, dimension)
    )
    first = [{"level": row["level"], "complication": complication} for row in _levels(edition, complication, dimension)]
    receipts = receipt(edition, "complication_rates", dimension=dimension, **first[0]) if first else ()
    return Table(caption, ("", *RATE_HEADS), rows, "complication_rates.csv", receipts=receipts)


def level_figure(figures: Figures, edition: Edition, complication: str, dimension: str, title: str) -> Figure | None:
    """One complication by the levels of a dimension, as dots with intervals; None where it is too early to say."""
    rows = [row for row in _levels(edition, complication, dimension) if row["procedures"]]
    if not rows or edition.is_too_early(rows[0]["window_days"]):
        return None
    frame = pl.DataFrame(
        {
            "name": [f"{_level_name(dimension, row['level'])} ({numbers.count(row['procedures'])})" for row in rows],
            "rate": [row["rate"] for row in rows],
            "low": [row["wilson_low"] for row in rows],
            "high": [row["wilson_high"] for row in rows],
        }
    )
    return figures.draw(
        interval_dots(frame, unit=f"share with {words.COMPLICATION[complication]}"),
        title=title,
        subtitle="Piercings in brackets; each line shows where the true share most likely lies (95 %).",
        table=level_table(edition, complication, dimension, title),
        method="share",
    )


def material_site_figure(figures: Figures, edition: Edition, complication: str, title: str) -> Figure | None:
    """One complication by material and site group, as dots with intervals; None where it is too early to say."""
    rows = _material_sites(edition, complication)
    window_days = next(known.window_days for known in v.COMPLICATIONS if known.name == complication)
    if not rows or edition.is_too_early(window_days):
        return None
    names = [_material_site(row, ",\n") + f" ({numbers.count(row['procedures'])})" for row in rows]
    frame = pl.DataFrame(
        {
            "name": names,
            "rate": [row["rate"] for row in rows],
            "low": [row["wilson_low"] for row in rows],
            "high": [row["wilson_high"] for row in rows],
        }
    )
    table_rows = tuple(
        (
            _material_site(row),
            _share_cell(row["events"], row["procedures"], row["rate"], row["wilson_low"], row["wilson_high"]),
            _share_cell(
                row["events_reached"], row["reached"], row["rate_reached"], row["reached_low"], row["reached_high"]
            )
            if row["reached"]
            else "none reached",
            numbers.share(row["reached"] / row["procedures"]),
        )
        for row in rows
    )
    first = {name: rows[0][name] for name in ("complication", "material", "site_group")}
    receipts = receipt(edition, "material_sites", **first)
    return figures.draw(
        interval_dots(frame, unit=f"share with {words.COMPLICATION[complication]}"),
        title=title,
        subtitle=(
            f"Piercings in brackets; pairs with fewer than {LEAST_PIERCINGS} are in the file alone. Each line shows "
            "where the true share most likely lies (95 %)."
        ),
        table=Table(title, ("", *RATE_HEADS), table_rows, "material_sites.csv", receipts=receipts),
        method="share",
    )


def _material_sites(edition: Edition, complication: str) -> list[dict[str, Any]]:
    own = edition.results["material_sites"].filter(
        (pl.col("complication") == complication) & (pl.col("procedures") >= LEAST_PIERCINGS)
    )
    return sorted(own.iter_rows(named=True), key=lambda row: (row["material"], _ORDER[row["site_group"]]))


def _material_site(row: dict[str, Any], between: str = ", ") -> str:
    return between.join(_level_name(dimension, row[dimension]) for dimension in ("material", "site_group"))


def _levels(edition: Edition, complication: str, dimension: str) -> list[dict[str, Any]]:
    rates = edition.results["complication_rates"].filter(
        (pl.col("dimension") == dimension) & (pl.col("complication") == complication)
    )
    return sorted(rates.iter_rows(named=True), key=lambda row: (_ORDER.get(row["level"], len(_ORDER)), row["level"]))


def _level_name(dimension: str, level: str) -> str:
    if dimension == "site_group":
        return words.SITE_GROUP.get(level, level)
    return level.replace("_", " ") if dimension in ("material", "site") else level
