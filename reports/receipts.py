"""Receipts: the command that shows which records stand behind a figure, as pages offer it beside a table."""

from datetime import date
from shlex import quote

import polars as pl

from reports.edition import Edition


def receipt(edition: Edition, table: str, **parts: str | date | int | None) -> tuple[str, ...]:
    """The command for a published figure by what tells it apart, as of the edition's day; none where there is none."""
    rows = edition.results[table].filter(pl.col(name) == value for name, value in parts.items())
    if rows.is_empty() or edition.as_of is None:
        return ()
    name = f"{table}/{','.join(f'{column}={value}' for column, value in parts.items())}"
    return (f"scapha explain {quote(name)} --as-of {edition.as_of}",)


def week_receipts(edition: Edition, dimension: str, level: str, monday: date) -> tuple[str, ...]:
    """The commands for a week's figures of the chain or a branch; what happened is told by branch alone."""
    period = f"week:{monday}"
    happened = receipt(edition, "weekly", week=monday, branch_id=level) if dimension == "branch" else ()
    return (
        *happened,
        *receipt(edition, "attach", dimension=dimension, level=level, period=period),
        *receipt(edition, "revisits", dimension=dimension, level=level, period=period),
    )
