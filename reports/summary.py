"""summary.json: the edition in a few figures, for a program to read."""

from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from reports.edition import Edition

_FATES = ("rows", "accepted", "rejected", "duplicate", "superseded")

Results = dict[str, pl.DataFrame]


def summarise(edition: Edition) -> dict[str, Any]:
    """as_of, the run, counts, headline figures and the open signals; dates and times as ISO 8601 text.

    What rests on a result that the edition does not hold is left out.
    """
    return {
        "as_of": _iso(edition.as_of),
        "data_from": _iso(edition.data_from),
        "run": {name: _iso(value) for name, value in edition.run.items()},
        "counts": _counts(edition.results),
        "headline": _headline(edition.results),
        **_open_signals(edition.results),
    }


def _counts(results: Results) -> dict[str, int]:
    """Of files and their rows, of what stands refused, of gaps and branches."""
    found: dict[str, int] = {}
    if "intake" in results:
        intake = results["intake"]
        found |= {"files": intake.height, "files_unreadable": intake.filter(~pl.col("readable")).height}
        found |= {name: int(intake[name].sum()) for name in _FATES}
    if "rejected_rows" in results:
        found["rejected_standing"] = results["rejected_rows"].select("file", "sha256", "table", "line").n_unique()
    return found | {name: results[name].height for name in ("record_gaps", "branches") if name in results}


def _headline(results: Results) -> dict[str, Any]:
    """The chain's main figures over the year; null where there are none."""
    asked = {
        "infection": (
            "complication_rates",
            pl.col("complication") == "infection",
            "procedures events rate wilson_low wilson_high coverage rate_reached",
        ),
        "attach": (
            "attach",
            pl.col("period") == "52w",
            "eligible_visits attached_visits rate wilson_low wilson_high provided_visits",
        ),
        "revisits": ("revisits", pl.col("period") == "52w", "due attended no_show unknown no_show_rate"),
    }
    return {
        name: _only(results[result].filter((pl.col("dimension") == "all") & condition), columns)
        for name, (result, condition, columns) in asked.items()
        if result in results
    }


def _open_signals(results: Results) -> dict[str, Any]:
    if "signals" not in results:
        return {}
    still_open = results["signals"].filter(~pl.col("state").is_in(v.SIGNALS_OVER))
    return {
        "open_signals": [{name: _iso(value) for name, value in row.items()} for row in still_open.iter_rows(named=True)]
    }


def _only(frame: pl.DataFrame, columns: str) -> dict[str, Any] | None:
    return frame.select(columns.split()).row(0, named=True) if frame.height else None


def _iso(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ")
    return value.isoformat() if isinstance(value, date) else value
