"""Signals as the last night left them, with the notes on their incidents: for the command that lists them."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.intake.pseudonyms import read_key
from pipeline.notes import broken_seal
from pipeline.places import owner_only
from pipeline.remember import memory_of
from pipeline.store import memory
from pipeline.store.database import check_key, read_store
from pipeline.telling import aligned
from reports import words


@dataclass(frozen=True)
class Listed:
    """Every signal known, those open first, and the notes, oldest first.

    `altered` is the number of the first note that is not as it was written, `seal` that of the last one.
    """

    signals: pl.DataFrame
    notes: list[dict[str, Any]]
    altered: int | None

    @property
    def seal(self) -> str:
        """The seal of the last note: whoever keeps it can tell later whether any was taken away."""
        return str(self.notes[-1]["seal"]) if self.notes else ""

    def as_dict(self) -> dict[str, Any]:
        """As plain values for JSON."""
        rows = signal_rows(self.signals)
        return {"signals": rows, "notes": self.notes, "altered_note": self.altered, "seal": self.seal}

    def lines(self) -> Iterator[str]:
        """In lines for people."""
        if self.altered is not None:
            yield f"Note {self.altered} is not as it was written. Compare the journal with its backup."
        yield from signal_lines(self.signals)
        for note in self.notes:
            cause = f", cause {note['cause']}" if note["cause"] else ""
            yield f"{note['noted_at']} {note['incident_id']} {note['state']}{cause} ({note['by']}): {note['why']}"


def list_signals(store: Path) -> Listed:
    """The signals of a store as its last night left them; states are those of the newest notes."""
    with owner_only(), read_store(store) as con:
        check_key(con, store, read_key(store))
        known = memory_of(con).signals
        notes = list(memory.remembered(con, memory.NOTE).values())
    states = {note["incident_id"]: note["state"] for note in notes}
    noted = pl.col("incident_id").replace_strict(states, default=None, return_dtype=pl.String)
    known = known.with_columns(pl.coalesce(noted, "state").alias("state"))
    over = pl.col("state").is_in(v.SIGNALS_OVER)
    return Listed(known.sort(over, "raised_on", "signal_id"), notes, broken_seal(notes))


def signal_rows(signals: pl.DataFrame) -> list[dict[str, Any]]:
    """Signals as plain values for JSON, with the columns of signals.csv."""
    return [
        {name: value.isoformat() if isinstance(value, date) else value for name, value in row.items()}
        for row in signals.iter_rows(named=True)
    ]


def signal_lines(signals: pl.DataFrame) -> Iterator[str]:
    """Signals in lines for people, with the cautions."""
    if signals.is_empty():
        yield "No signal has been raised."
        return
    cells = [
        (
            row["signal_id"],
            row["state"],
            words.COMPLICATION[row["complication"]],
            f"{row['dimension']}:{row['level']}",
            f"{row['observed']}, expected {row['expected']:.1f}",
            row["raised_on"].isoformat(),
            row["incident_id"],
        )
        for row in signals.iter_rows(named=True)
    ]
    yield from aligned([("signal", "state", "complication", "slice", "events", "raised", "incident"), *cells])
    yield from ("", words.CAUTION_SIGNAL, words.CAUTION_RED_FLAGS)
