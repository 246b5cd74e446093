"""summary.json: the edition in a few figures, for a program to read."""

from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from reports.edition import Edition


def summarise(edition: Edition) -> dict[str, Any]:
    """as_of, the run, counts, headline figures and the open signals; dates and times as ISO 8601 text."""
    results = edition.results
    intake = results["intake"]
    names = ("rows", "accepted", "rejected", "duplicate", "superseded")
    return {
        "as_of": _iso(edition.as_of),
        "data_from": _iso(edition.data_from),
        "run": {name: _iso(value) for name, value in edition.run.items()},
        "counts": {
            "files": intake.height,
            "files_unreadable": intake.filter(~pl.col("readable")).height,
            **{name: int(intake[name].sum()) for name in names},
            "rejected_standing": results["rejected_rows"].select("file", "sha256", "table", "line").n_unique(),
            "record_gaps": results["record_gaps"].height,
            "branches": results["branches"].height,
        },
        "headline": _headline(results),
        "open_signals": [
            {name: _iso(value) for name, value in row.items()}
            for row in results["signals"].filter(~pl.col("state").is_in(v.SIGNALS_OVER)).iter_rows(named=True)
        ],
    }


def _headline(results: dict[str, pl.DataFrame]) -> dict[str, Any]:
    """The chain's main figures over the year; null where there are none."""
    whole = pl.col("dimension") == "all"
    infection = results["complication_rates"].filter(whole & (pl.col("complication") == "infection"))
    attach = results["attach"].filter(whole & (pl.col("period") == "52w"))
    revisits = results["revisits"].filter(whole & (pl.col("period") == "52w"))
    return {
        "infection": _only(infection, "procedures events rate wilson_low wilson_high coverage rate_reached"),
        "attach": _only(attach, "eligible_visits attached_visits rate wilson_low wilson_high provided_visits"),
        "revisits": _only(revisits, "due attended no_show unknown no_show_rate"),
    }


def _only(frame: pl.DataFrame, columns: str) -> dict[str, Any] | None:
    return frame.select(columns.split()).row(0, named=True) if frame.height else None


def _iso(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ")
    return value.isoformat() if isinstance(value, date) else value
