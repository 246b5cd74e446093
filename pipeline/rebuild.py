"""Make the whole store again from the originals and the journal: every night once more, as it was."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from pipeline.contract.tables import TABLE_BY_NAME
from pipeline.errors import StoreError
from pipeline.intake.inbox import Export, Inbox, KeptFile, form_of
from pipeline.intake.load import take_in
from pipeline.intake.pseudonyms import read_key
from pipeline.places import disk_told, owner_only
from pipeline.rejudge import rejudge
from pipeline.store import memory, retention
from pipeline.store.database import hold_lock, key_fingerprint, open_store
from pipeline.store.journal import Entry, ageings_of, journal_path, memory_of, read_journal, runs_of
from pipeline.store.ledger import Counts, Ledger, Run
from pipeline.store.originals import Originals

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Rebuilt:
    """What a store was made of again."""

    runs: int
    files: int


@disk_told()
def rebuild(store: Path, *, progress: Progress) -> Rebuilt:
    """Make a store again in place of whatever stands at its path; nothing is changed until the new one is whole.

    `StoreError` where the journal or an original is missing.
    """
    aside = store.with_name(f"{store.name}.rebuilding")
    with owner_only(), hold_lock(store):
        entries = read_journal(store)
        if not entries:
            raise StoreError(f"There is no journal {journal_path(store)}.", remedy="Put it back from its backup.")
        runs, key = runs_of(entries), read_key(store)
        if {"key": key_fingerprint(key)} not in entries:
            raise StoreError(
                f"The key beside {store} is not the one its clients were hashed with.",
                remedy="Put the right scapha.key back; with another key no client would be recognised.",
            )
        for path in (aside, aside.with_name(f"{aside.name}.wal")):  # of a run that was killed
            path.unlink(missing_ok=True)
        with open_store(aside, key) as con:
            _bury(con, entries)
            for run in runs:
                progress(f"run {run['run']['run_id']} of {runs[-1]['run']['run_id']}")
                _replay(con, run, Originals(store), key)
            _put_back(con, entries)
            progress("counting and judging")
            rejudge(con)
            con.execute("commit")
        aside.replace(store)
        store.with_name(f"{store.name}.wal").unlink(missing_ok=True)  # of the store that is gone
    return Rebuilt(len(runs), sum(len(run["files"]) for run in runs))


def _replay(con: duckdb.DuckDBPyConnection, entry: Entry, originals: Originals, key: bytes) -> None:
    """Take in again what one run took in; the ledger's counts are those of then."""
    run = entry["run"]
    failures = {failure["file_id"]: (failure["rule"], failure["detail"]) for failure in entry["failures"]}
    exports = [_export(file, failures.get(file["file_id"]), originals) for file in entry["files"]]
    exports += [_known_again(con, recheck, originals) for recheck in entry["rechecks"]]
    exports.sort(key=lambda export: (export.name, export.table.name))
    taken = take_in(
        con,
        Inbox(tuple(exports)),
        now=datetime.fromisoformat(run["started_at"]),
        zone=run["timezone"],
        key=key,
        progress=lambda _: None,
        originals=originals,
    )
    if taken.run_id != run["run_id"]:
        raise StoreError(f"The journal lacks run {taken.run_id}.", remedy="Put it back from its backup.")
    for file in entry["files"]:
        _recount(con, file)
    counts = Counts(*(run[name] for name in ("rows", "accepted", "rejected", "duplicate", "superseded")))
    started, finished = (datetime.fromisoformat(run[name]) for name in ("started_at", "finished_at"))
    Ledger(con).write_run(Run(run["run_id"], run["version"], started, finished, run["timezone"]), run["files"], counts)


def _export(file: Entry, failure: tuple[str, str] | None, originals: Originals) -> Export:
    """A file of the ledger as an export that is read from its original."""
    table = TABLE_BY_NAME[file["table_name"]]
    form, gzipped = form_of(file["path"]) or ("csv", False)
    if failure is None and not originals.parts(file["sha256"], table.name, file["mapping"]):
        raise StoreError(
            f"The original of {file['path']} is missing in {originals.folder}.", remedy="Put it back from its backup."
        )
    copy = KeptFile(file["sha256"], file["bytes"], file["mapping"], tuple(file["undeclared"]), failure)
    return Export(Path(file["path"]), file["path"], table, form, gzipped, kept=copy)


def _known_again(con: duckdb.DuckDBPyConnection, recheck: Entry, originals: Originals) -> Export:
    """A known file that a run looked at again, as it was read then."""
    row = con.execute("select path, table_name, sha256, bytes from file where file_id = ?", [recheck["file_id"]])
    file: dict[str, Any] = dict(zip(("path", "table_name", "sha256", "bytes"), row.fetchall()[0], strict=True))
    return _export({**file, "mapping": recheck["mapping"], "undeclared": []}, None, originals)


def _recount(con: duckdb.DuckDBPyConnection, file: Entry) -> None:
    """Give a file the counts of its first load: rows of clients forgotten since are no longer in its original."""
    fates = ("rows", "accepted", "rejected", "duplicate", "superseded")
    con.execute(
        f"update file set {', '.join(f'{fate} = ?' for fate in fates)} where file_id = ?",
        [*(file[fate] for fate in fates), file["file_id"]],
    )


def _put_back(con: duckdb.DuckDBPyConnection, entries: list[Entry]) -> None:
    """What no export gives again: settings, what the watch remembers, and weeks whose rows are aged out."""
    settings = [entry["settings"] for entry in entries if "settings" in entry]
    if settings:
        con.execute("insert into kept_settings values (?)", [settings[-1]])
    memory.write(con, ((kind, name, document) for (kind, name), document in memory_of(entries).items()))
    for ageing in ageings_of(entries):
        retention.put_back(con, ageing)
    retention.remove_rows(con)  # that a killed night left in the originals


def _bury(con: duckdb.DuckDBPyConnection, entries: list[Entry]) -> None:
    """Set the tombstones first: an original from a backup may still hold rows of a client who was forgotten since."""
    for kind, hashed in {(entry["kind"], entry["hash"]) for entry in entries if "hash" in entry}:
        con.execute("insert into tombstone values (?, ?)", [kind, hashed])
