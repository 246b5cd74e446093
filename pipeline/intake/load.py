"""Take in what is new in the inbox: read, check, tell duplicates from versions, and keep every row's fate.

Every record of every file ends as accepted, rejected (with its rules), duplicate or superseded. Accepted and superseded
ones are kept as versions in the raw tables, in the order taken in (`seq`); rejected ones are named in the ledger.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache

import duckdb
import polars as pl

from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLES
from pipeline.intake.arrivals import Arrival, Repeat, look_for_arrivals
from pipeline.intake.checking import Checking
from pipeline.intake.forgotten import read_tombstones
from pipeline.intake.inbox import Inbox
from pipeline.intake.pseudonyms import pseudonym
from pipeline.intake.reading import Door, Reading, read_arrivals
from pipeline.intake.versions import tell_versions_apart
from pipeline.intake.zones import make_branch_zones, make_link_zones, make_time_zones, zone_furthest_ahead
from pipeline.store.database import create_from_frame
from pipeline.store.ledger import Counts, Ledger, Load
from pipeline.store.originals import Originals

Progress = Callable[[str], None]


@dataclass
class Taken:
    """What a run took in: files new to the ledger and the fates of their rows, and what it changed of known ones."""

    run_id: int
    others: int  # files of no table
    loads: list[Load] = field(default_factory=list)
    n_rechecked: int = 0  # known files in which something that stood rejected has changed
    readings: dict[int, tuple[Reading, int]] = field(default_factory=dict)  # with how many rows were rejected

    @property
    def counts(self) -> Counts:
        """The fates of the rows of the files new to the ledger."""
        return sum((load.counts for load in self.loads), Counts())

    @property
    def is_something(self) -> bool:
        """Whether the store now holds anything it did not hold before."""
        return bool(self.loads or self.n_rechecked)


@dataclass(frozen=True)
class _Run:
    """What every step of one run's intake needs to know. `now` is the run's clock in UTC without offset."""

    con: duckdb.DuckDBPyConnection
    ledger: Ledger
    now: datetime
    zone: str
    door: Door


def take_in(
    con: duckdb.DuckDBPyConnection,
    inbox: Inbox,
    *,
    now: datetime,
    zone: str,
    key: bytes,
    progress: Progress,
    originals: Originals | None = None,
) -> Taken:
    """Take in an inbox's new files, inside the caller's transaction.

    `now` is the run's clock in UTC without offset; `zone` the time zone of rows whose branch has none; `key` hashes the
    clients' keys; `originals`, where given, keeps every file's. The run itself is for the caller to record.
    """
    ledger = Ledger(con)
    hash_text = lru_cache(maxsize=200_000)(lambda text: pseudonym(text, key))
    run = _Run(con, ledger, now, zone, Door(hash_text, read_tombstones(con, hash_text), originals))
    taken = Taken(ledger.next_run_id(), len(inbox.strangers))
    arrivals, repeats = look_for_arrivals(inbox.exports, ledger)
    _make_arrival_order(con, arrivals)
    make_time_zones(con)
    make_branch_zones(con)
    for table in TABLES:
        own = [arrival for arrival in arrivals if arrival.export.table is table]
        if own:
            if table.name == "follow_ups":
                make_link_zones(con, zone)
            progress(f"taking in {table.name}: {len(own)} {'file' if len(own) == 1 else 'files'}")
            _take_in_table(run, table, own, taken)
        if table.name == "branches":
            make_branch_zones(con)
    for repeat in repeats:
        _take_in_repeat(run, repeat, taken)
    ledger.write_files(taken.loads)
    return taken


def _make_arrival_order(con: duckdb.DuckDBPyConnection, arrivals: list[Arrival]) -> None:
    """Make the temporary table `arrival` (file_id, file_order): files count one after another in path order."""
    order = pl.DataFrame(
        {"file_id": [arrival.file_id for arrival in arrivals], "file_order": list(range(len(arrivals)))},
        schema={"file_id": pl.Int64, "file_order": pl.Int64},
    )
    create_from_frame(con, "arrival", order, temporary=True)


def _take_in_table(run: _Run, table: Table, arrivals: list[Arrival], taken: Taken) -> None:
    """Take in one table's files."""
    con = run.con
    clock_zone = run.zone if table.zoned_by_branch else zone_furthest_ahead(con, run.now, run.zone)
    params = {"now": run.now, "clock_zone": clock_zone}
    may_misfit = any(arrival.export.form != "csv" or arrival.export.mapping for arrival in arrivals)
    readings = read_arrivals(arrivals, run.door, Checking(con, table, params, may_misfit=may_misfit))
    if any(reading.is_split for reading in readings):
        _break_whole_records(con)
    tell_versions_apart(con, table, run.zone)
    _keep_versions(con, table, taken.run_id)
    changed = run.ledger.replace_rejections([arrival.file_id for arrival in arrivals])
    fates = _fates(con)
    for reading in readings:
        file_id = reading.arrival.file_id
        taken.readings[file_id] = reading, fates[file_id].get("rejected", 0) + reading.n_refused
        _settle(run, file_id, fates[file_id], taken, is_changed=file_id in changed)
    for name in ("read_rows", "broken_rule", "contested", "fate", "contender", "counting", "decided"):
        con.execute(f"drop table if exists temp.{name}")  # to give the memory back before the next table


def _break_whole_records(con: duckdb.DuckDBPyConnection) -> None:
    """Let a record that became several rows be rejected whole where one of them breaks a rule."""
    con.execute("""
        update read_rows r set is_broken = true
        where exists (select 1 from read_rows b where b.is_broken and b.file_id = r.file_id and b.line = r.line)
    """)


def _fates(con: duckdb.DuckDBPyConnection) -> dict[int, dict[str, int]]:
    """By file, how many of the rows just read met which fate."""
    fates: dict[int, dict[str, int]] = defaultdict(dict)
    query = """
        select file_id, fate, count(*) from fate group by all
        union all
        select file_id, 'rejected', count(*) from read_rows where is_broken group by file_id
    """
    for file_id, fate, n in con.execute(query).fetchall():
        fates[file_id][fate] = n
    return fates


def _keep_versions(con: duckdb.DuckDBPyConnection, table: Table, run_id: int) -> None:
    """Append accepted and superseded rows to the raw table, numbered in the order taken in."""
    names = ", ".join(table.column_names)
    con.execute(
        f"""
        insert into raw_{table.name} (seq, run_id, file_id, line, {names})
        select (select coalesce(max(seq), 0) from raw_{table.name}) + place, $run_id, file_id, line, {names}
        from read_rows
        join (
          select file_id, line, part, row_number() over (order by file_order, line, part) as place
          from fate join arrival using (file_id)
          where fate in ('accepted', 'superseded')
        ) using (file_id, line, part)
        """,  # the numbers are found apart from the rows: these are too wide to sort
        {"run_id": run_id},
    )


def _settle(run: _Run, file_id: int, fates: dict[str, int], taken: Taken, *, is_changed: bool) -> None:
    """Note what became of a file: its load if it is new to the ledger, else whether its rejections changed."""
    reading, rejected = taken.readings[file_id]
    arrival = reading.arrival
    accepted, superseded = fates.get("accepted", 0), fates.get("superseded", 0)
    if not arrival.is_new:
        if is_changed:
            taken.n_rechecked += 1
            run.ledger.write_recheck(taken.run_id, file_id, arrival.export.mapping)
        return
    if reading.failure and not is_changed:
        return  # could not be read before, and still cannot
    duplicate = reading.n_rows - accepted - rejected - superseded
    taken.loads.append(
        Load(
            file_id=file_id,
            run_id=taken.run_id,
            path=arrival.export.name,
            table_name=arrival.export.table.name,
            sha256=arrival.sha256,
            mapping=arrival.export.mapping,
            bytes=arrival.size,
            is_readable=reading.failure is None,
            undeclared=reading.undeclared,
            counts=Counts(reading.n_rows, accepted, rejected, duplicate, superseded),
            loaded_at=run.now,
        )
    )


def _take_in_repeat(run: _Run, repeat: Repeat, taken: Taken) -> None:
    """A file whose bytes an earlier file of this run brought: what is not rejected there is a duplicate here."""
    reading, rejected = taken.readings[repeat.first_file_id]
    file_id = repeat.arrival.file_id
    taken.readings[file_id] = replace(reading, arrival=repeat.arrival), rejected
    run.con.execute(
        "create or replace temp table broken_rule as"
        " select $file_id as file_id, * exclude file_id from rejection where file_id = $first",
        {"file_id": file_id, "first": repeat.first_file_id},
    )
    changed = run.ledger.replace_rejections([file_id])
    _settle(run, file_id, {}, taken, is_changed=bool(changed))
