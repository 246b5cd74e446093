"""From what the store remembers of the watch to the frames the watch takes, and back after a night."""

from datetime import date
from typing import Any

import duckdb
import polars as pl

from pipeline.results import RESULT_BY_NAME
from pipeline.store import memory
from pipeline.watch.night import NOTE_SCHEMA, Memory


def memory_of(con: duckdb.DuckDBPyConnection) -> Memory:
    """What earlier nights left to the watch."""
    sets = memory.remembered(con, memory.THRESHOLDS).values()
    return Memory(
        signals=_frame(memory.remembered(con, memory.SIGNAL).values(), RESULT_BY_NAME["signals"].schema),
        thresholds=_frame((row for one in sets for row in one["rows"]), RESULT_BY_NAME["thresholds"].schema),
        notes=_frame(memory.remembered(con, memory.NOTE).values(), NOTE_SCHEMA),
    )


def remember(con: duckdb.DuckDBPyConnection, results: dict[str, pl.DataFrame]) -> None:
    """Keep the signals and thresholds of a night's results for the nights to come."""
    signals = {row["signal_id"]: _plain(row) for row in results["signals"].iter_rows(named=True)}
    memory.remember(con, memory.SIGNAL, signals)
    sets = results["thresholds"].partition_by("complication", "holds_from", as_dict=True)
    documents = {
        f"{complication} {holds_from}": {"rows": [_plain(row) for row in rows.iter_rows(named=True)]}
        for (complication, holds_from), rows in sets.items()
    }
    memory.remember(con, memory.THRESHOLDS, documents)


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value.isoformat() if isinstance(value, date) else value for name, value in row.items()}


def _frame(documents: Any, schema: dict[str, Any]) -> pl.DataFrame:
    """A frame of documents; days stand in them as text."""
    days = [name for name, dtype in schema.items() if dtype == pl.Date]
    texts = schema | dict.fromkeys(days, pl.String)
    rows = [{name: document.get(name) for name in schema} for document in documents]
    return pl.DataFrame(rows, schema=texts).with_columns(pl.col(days).str.to_date("%Y-%m-%d"))
