"""The journal: what exports cannot give again, a JSON line for each entry, beside the store.

Every run with its files and their counts, settings, what the watch remembers, tombstones, and weeks kept of rows that
are aged out. With the originals it is enough to make the store again. An entry is written before the run commits; a run
that came to nothing is undone by a later entry, and of two entries of one run the later holds.
"""

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any

import duckdb

from pipeline.errors import StoreError
from pipeline.store.database import fetch
from pipeline.store.originals import Originals
from pipeline.store.retention import Ageing, journal_entry

Entry = dict[str, Any]


def journal_path(store: Path) -> Path:
    """Where the journal of a store lies."""
    return store.with_name(f"{store.stem}.journal.jsonl")


@contextmanager
def undone_on_failure(store: Path) -> Iterator[tuple[Originals, Callable[[], None]]]:
    """The originals of a store; what a run adds to them and to the journal is taken back unless it is settled."""
    path, originals = journal_path(store), Originals(store)
    size = path.stat().st_size if path.exists() else None
    settled = False
    originals.sweep()

    def settle() -> None:
        nonlocal settled
        settled = True

    try:
        yield originals, settle
    except BaseException:
        if not settled:
            originals.take_back()
            if size is not None:
                os.truncate(path, size)
            else:
                path.unlink(missing_ok=True)
        raise


def read_journal(store: Path) -> list[Entry]:
    """The entries of a store's journal, oldest first; a last line cut short by a crash is left out."""
    path = journal_path(store)
    if not path.is_file():
        return []
    lines = path.read_bytes().split(b"\n")
    entries = []
    for number, line in enumerate(lines[:-1], start=1):
        try:
            entries.append(json.loads(line.decode("utf-8", "surrogatepass")))
        except ValueError:
            raise StoreError(
                f"{path}, line {number} is damaged.", remedy="Put the journal back from its backup."
            ) from None
    return entries


def runs_of(entries: list[Entry]) -> list[Entry]:
    """The runs that hold, in their order: of two entries of one run the later, and none that was undone."""
    runs: dict[int, Entry] = {}
    for entry in entries:
        if "run" in entry:
            runs.pop(entry["run"]["run_id"], None)
            runs[entry["run"]["run_id"]] = entry
        elif "undone" in entry:
            runs.pop(entry["undone"], None)
    return [runs[run_id] for run_id in sorted(runs)]


def ageings_of(entries: list[Entry]) -> list[Entry]:
    """The ageings that hold, oldest first: none that was undone, and the later of two of one cutoff."""
    ageings: dict[str, Entry] = {}
    for entry in entries:
        if "ageing" in entry:
            ageings[entry["ageing"]] = entry
        elif "ageing_undone" in entry:
            ageings.pop(entry["ageing_undone"], None)
    return [ageings[cutoff] for cutoff in sorted(ageings)]


def is_cleared(store: Path, cutoff: date) -> bool:
    """Whether it is written down that the originals hold no row before a cutoff."""
    return {"originals_cleared": cutoff.isoformat()} in read_journal(store)


def note_cleared(store: Path, cutoff: date) -> None:
    """Write down that the originals hold no row before a cutoff."""
    _append(journal_path(store), [{"originals_cleared": cutoff.isoformat()}])


def memory_of(entries: list[Entry]) -> dict[tuple[str, str], Any]:
    """What the watch remembers, by kind and id: the latest entry of each holds, and may take it back."""
    latest = {(entry["remembered"], entry["id"]): entry["document"] for entry in entries if "remembered" in entry}
    return {name: document for name, document in latest.items() if document is not None}


def catch_up(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """Write down what the store, with its open transaction, holds and the journal does not, and undo what it lost."""
    entries = read_journal(store)
    new = list(_missing(con, entries))
    if new:
        _append(journal_path(store), new)


def _missing(con: duckdb.DuckDBPyConnection, entries: list[Entry]) -> Iterator[Entry]:
    [(fingerprint,)] = con.execute("select key_fingerprint from store").fetchall()
    if {"key": fingerprint} not in entries:
        yield {"key": fingerprint}
    known = {entry["run"]["run_id"]: entry for entry in runs_of(entries)}
    runs = fetch(con, "from run order by run_id").to_dicts()
    yield from ({"undone": run_id} for run_id in known if run_id not in {run["run_id"] for run in runs})
    for run in runs:
        entry = known.get(run["run_id"])
        if entry is None or entry["run"]["finished_at"] != _plain(run["finished_at"]):
            yield _run_entry(con, run)
    settings = [entry["settings"] for entry in entries if "settings" in entry]
    for (text,) in con.execute("select settings from kept_settings").fetchall():
        if settings[-1:] != [text]:
            yield {"settings": text}
    yield from _missing_memory(con, memory_of(entries))
    yield from _missing_ageings(con, entries)
    buried = {(entry["kind"], entry["hash"]) for entry in entries if "hash" in entry}
    for row in fetch(con, "from tombstone order by kind, hash").to_dicts():
        if (row["kind"], row["hash"]) not in buried:
            yield row


def _missing_memory(con: duckdb.DuckDBPyConnection, written: dict[tuple[str, str], Any]) -> Iterator[Entry]:
    rows = con.execute("from watch_memory order by kind, id").fetchall()
    held = {(kind, name): json.loads(entry) for kind, name, entry in rows}
    for name in [*held, *(name for name in written if name not in held)]:
        if held.get(name) != written.get(name):
            yield {"remembered": name[0], "id": name[1], "document": held.get(name)}


def _missing_ageings(con: duckdb.DuckDBPyConnection, entries: list[Entry]) -> Iterator[Entry]:
    known = {entry["ageing"] for entry in ageings_of(entries)}
    held = [Ageing(*row) for row in con.execute("from ageing order by cutoff").fetchall()]
    yield from ({"ageing_undone": cutoff} for cutoff in sorted(known - {one.cutoff.isoformat() for one in held}))
    yield from (journal_entry(con, one) for one in held if one.cutoff.isoformat() not in known)


def _run_entry(con: duckdb.DuckDBPyConnection, run: dict[str, Any]) -> Entry:
    """A run with its files, why those that could not be read failed, and the known files it found changed."""
    params = {"run_id": run["run_id"]}
    failures = """
        select file_id, rule, detail from rejection semi join (from file where run_id = $run_id and not is_readable)
        using (file_id) order by file_id
    """
    return {
        "run": _plain_row(run),
        "files": [
            _plain_row(row)
            for row in fetch(con, "from file where run_id = $run_id order by file_id", params).to_dicts()
        ],
        "failures": fetch(con, failures, params).to_dicts(),
        "rechecks": fetch(con, "from recheck where run_id = $run_id order by file_id", params).to_dicts(),
    }


def _plain_row(row: dict[str, Any]) -> Entry:
    return {name: _plain(value) for name, value in row.items()}


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date | datetime) else value


def _append(path: Path, entries: list[Entry]) -> None:
    """Append lines and see them on the disk; a line cut short by an earlier crash is taken away first."""
    text = "".join(json.dumps(entry, ensure_ascii=False, sort_keys=True) + "\n" for entry in entries)
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    with os.fdopen(handle, "r+b") as file:
        content = file.read()
        end = content.rfind(b"\n") + 1
        try:
            file.seek(end)
            file.truncate()
            file.write(text.encode("utf-8", "surrogatepass"))
            file.flush()
            os.fsync(file.fileno())
        except OSError:
            os.ftruncate(file.fileno(), end)
            raise
