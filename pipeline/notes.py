"""Notes on incidents: what was found, by whom and why, each sealed to the one before so that tampering shows."""

import hashlib
import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from pipeline.errors import StoreError, UsageError
from pipeline.intake.pseudonyms import read_key
from pipeline.places import disk_told, owner_only
from pipeline.store import memory
from pipeline.store.database import hold_lock, open_store
from pipeline.store.journal import catch_up, undone_on_failure
from pipeline.watch.families import FAMILIES
from pipeline.watch.night import STATES

LONGEST_TEXT = 500


@dataclass(frozen=True)
class Note:
    """What was found of an incident, by whom and why."""

    state: str
    cause: str
    by: str
    why: str


@disk_told()
def write_note(store: Path, identifier: str, note: Note, *, now: datetime) -> dict[str, Any]:
    """Add a note on the incident of a signal or incident id, and give it as kept. `now` is UTC without offset.

    `UsageError` where the id or the state is not known, or a text too long.
    """
    _check(note)
    if not store.is_file():
        raise StoreError(f"There is no store at {store}.", remedy="Name the store with --store.")
    with (
        owner_only(),
        hold_lock(store),
        open_store(store, read_key(store)) as con,
        undone_on_failure(store) as (_, settle),
    ):
        document = _sealed(con, _incident_of(con, identifier), note, now)
        number = len(memory.remembered(con, memory.NOTE)) + 1
        memory.remember(con, memory.NOTE, {f"{number:06d}": document})
        catch_up(con, store)
        con.execute("commit")
        settle()
    return document


def _check(note: Note) -> None:
    if note.state not in STATES:
        raise UsageError(f"No incident can be {note.state!r}.", remedy=f"Name one of {', '.join(STATES)}.")
    for name in ("cause", "by", "why"):
        if len(getattr(note, name)) > LONGEST_TEXT:
            raise UsageError(f"--{name} has over {LONGEST_TEXT} characters.", remedy="Say it in fewer.")


def _incident_of(con: duckdb.DuckDBPyConnection, identifier: str) -> str:
    signals = memory.remembered(con, memory.SIGNAL).values()
    for row in signals:
        if identifier in (row["signal_id"], row["incident_id"]):
            return str(row["incident_id"])
    raise UsageError(f"No signal or incident is called {identifier!r}.", remedy="`scapha signals` lists them.")


def _sealed(con: duckdb.DuckDBPyConnection, incident_id: str, note: Note, now: datetime) -> dict[str, Any]:
    """The note as a document, with the seal of the one before and its own."""
    earlier = list(memory.remembered(con, memory.NOTE).values())
    dimension, level = slice_named(note.cause)
    document = {
        "incident_id": incident_id,
        "noted_at": now.isoformat(timespec="seconds"),
        "noted_on": now.date().isoformat(),
        "state": note.state,
        "cause": note.cause,
        "cause_dimension": dimension,
        "cause_level": level,
        "by": note.by,
        "why": note.why,
        "previous": earlier[-1]["seal"] if earlier else "",
    }
    return document | {"seal": seal_of(document)}


def seal_of(document: dict[str, Any]) -> str:
    """The SHA-256 of a note's content, the seal of the one before included."""
    content = {name: value for name, value in document.items() if name != "seal"}
    return hashlib.sha256(json.dumps(content, ensure_ascii=False, sort_keys=True).encode()).hexdigest()


def broken_seal(notes: list[dict[str, Any]]) -> int | None:
    """The number, from 1, of the first note that is not as it was written or does not follow the one before."""
    previous = ""
    for number, note in enumerate(notes, start=1):
        if note.get("seal") != seal_of(note) or note.get("previous") != previous:
            return number
        previous = note["seal"]
    return None


def slice_named(cause: str) -> tuple[str | None, str | None]:
    """The dimension and level that a cause such as `lot:K3-M10-04` names; nothing where it is other words."""
    for dimension in sorted(FAMILIES, key=len, reverse=True):
        if cause.startswith(f"{dimension}:") and cause != f"{dimension}:":
            return dimension, cause.removeprefix(f"{dimension}:")
    return None, None
