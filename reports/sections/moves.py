"""Why figures that were told a week ago are others now: what came late, and what was corrected, summing exactly."""

from datetime import date, timedelta
from decimal import Decimal
from functools import partial
from typing import Any

import polars as pl

from reports import numbers
from reports.edition import Edition
from reports.parts import Table

READS = ("week_moves",)
_FIGURES = {"visit": "Visits", "piercing": "Piercings", "infection": "Infections known", "taking": "Takings"}
_PARTS = ("told", "late", "added", "taken_away", "now")


def moves_table(edition: Edition) -> Table | None:
    """How the figures of the week before the last whole one moved since; None where nothing is known of that week."""
    moves = edition.results["week_moves"]
    if moves.is_empty() or edition.as_of is None:
        return None
    week: date = moves["week"][0]
    sums = moves.group_by("figure", "currency").agg(pl.col(_PARTS).sum())
    by_figure = {(row["figure"], row["currency"] or ""): row for row in sums.iter_rows(named=True)}
    rows = tuple(
        (f"{name} in {currency}" if currency else name, *_cells(by_figure[figure, currency]))
        for figure, name in _FIGURES.items()
        for currency in sorted(currency for of, currency in by_figure if of == figure)
    )
    before = edition.as_of - timedelta(weeks=1)
    caption = f"The week {numbers.week(week)}, as known on {numbers.short_day(before)} and now"
    heads = ("", "Told a week ago", "Came late", "Corrected: more", "Corrected: fewer", "Known now")
    return Table(caption, heads, rows, "week_moves.csv")


def _cells(row: dict[str, Any]) -> list[str]:
    write = partial(numbers.money, currency=row["currency"]) if row["figure"] == "taking" else numbers.count
    told, *moved, now = (row[part] for part in _PARTS)
    return [write(told), *(_signed(value, write(abs(value))) for value in moved), write(now)]


def _signed(value: Decimal, written: str) -> str:
    """A change with its sign; nothing for none."""
    sign = "+" if value > 0 else "\u2212"
    return f"{sign}{written}" if value else numbers.NONE
