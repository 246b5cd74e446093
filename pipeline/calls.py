"""Calls: the follow-ups to make today, most urgent first, by visit alone: the branch knows whose it is."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.contract import vocabulary as v
from pipeline.count import count
from pipeline.intake.pseudonyms import read_key
from pipeline.judge.calling import MEASURES, REASONS, judge_calls
from pipeline.places import disk_told, owner_only
from pipeline.store import kept, retention
from pipeline.store.database import check_key, fetch, read_store
from pipeline.telling import aligned
from reports import numbers, words
from reports.call_words import ASK, GROUP, why
from reports.tables import as_csv

Progress = Callable[[str], None]

_SIGNALS = "select complication, dimension, level, started_on, raised_on, state from result_signals order by signal_id"
CAUTIONS = (words.CAUTION_RED_FLAGS, words.CAUTION_SIGNAL, words.CAUTION_ADVICE)


@dataclass(frozen=True)
class Calls:
    """The calls of a day as `judge_calls` gives them, those of one branch where `branch` names it.

    `as_of` is None where the store holds no row.
    """

    as_of: date | None
    branch: str | None
    calls: pl.DataFrame

    @property
    def counts(self) -> dict[str, int]:
        """How many calls stand under each reason, the most urgent first."""
        return {reason: self.calls.filter(pl.col("reason") == reason).height for reason in REASONS}

    def rows(self) -> Iterator[dict[str, Any]]:
        """Each call as plain values, with why and what to ask."""
        for call in self.calls.iter_rows(named=True):
            yield {
                "visit_id": call["visit_id"],
                "branch_id": call["branch_id"],
                "urgency": call["urgency"],
                "reason": call["reason"],
                "why": why(call["reason"], call["about"]),
                "since": call["since"].isoformat(),
                "due_on": call["due_on"].isoformat(),
                "ask": ASK[call["reason"]],
                "others": call["others"].split("; ") if call["others"] else [],
            }

    def as_dict(self) -> dict[str, Any]:
        """The calls as plain values for JSON."""
        return {
            "as_of": self.as_of and self.as_of.isoformat(),
            "branch": self.branch,
            "counts": self.counts,
            "calls": list(self.rows()),
            "cautions": list(CAUTIONS),
        }

    def as_csv(self) -> str:
        """The calls as CSV text that no spreadsheet runs."""
        rows = [{**row, "others": "; ".join(row["others"])} for row in self.rows()]
        return as_csv(pl.DataFrame(rows, schema=_CSV))

    def lines(self) -> Iterator[str]:
        """The calls in lines for people: by reason, with what to ask."""
        due = words.plural(self.calls.height, "call") if self.calls.height else "No call"
        known = f"as known by {numbers.day(self.as_of)}" if self.as_of else "as there is no data yet"
        yield f"{due}{f' of {self.branch}' if self.branch else ''} due, {known}"
        rows = list(self.rows())
        for reason, number in self.counts.items():
            if number:
                cells = [_cells(row) for row in rows if row["reason"] == reason]
                yield from ("", f"{GROUP[reason]} ({number:,})", ASK[reason])
                yield from aligned([("visit", "branch", "since", "by", "why"), *cells])
        yield from ("", *CAUTIONS)


_CSV = dict.fromkeys(("visit_id", "branch_id"), pl.String) | {"urgency": pl.Int64}
_CSV |= dict.fromkeys(("reason", "why", "since", "due_on", "ask", "others"), pl.String)


def _cells(row: dict[str, Any]) -> tuple[str, ...]:
    others = f" (also: {', '.join(GROUP[other].lower() for other in row['others'])})" if row["others"] else ""
    return row["visit_id"], row["branch_id"], row["since"], row["due_on"], f"{row['why']}{others}"


@disk_told()
def find_calls(store: Path, *, branch: str | None, as_of: date | None, progress: Progress) -> Calls:
    """The calls that are due; the store is only read. Signals are those of the last night, not raised after the day."""
    with owner_only(), read_store(store) as con:
        check_key(con, store, read_key(store))
        retention.check_as_of(con, as_of)
        progress("counting")
        known_by, measures = count(con, kept.kept_settings(con), as_of, MEASURES)
        signals = fetch(con, _SIGNALS)
    branch = branch and branch.strip()
    calls = judge_calls(measures, signals, known_by or v.BEFORE_ANY_DATA)
    return Calls(known_by, branch, calls.filter(pl.col("branch_id") == branch) if branch else calls)
