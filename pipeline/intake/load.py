"""Take in what is new in the inbox: read, check, tell duplicates from versions, and keep every row's fate.

Every record of every file ends as accepted, rejected (with its rules), duplicate or superseded. Accepted and superseded
ones are kept as versions in the raw tables, in the order taken in (`seq`); rejected ones are named in the ledger.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime

import duckdb
import polars as pl

from pipeline.contract.columns import Table
from pipeline.contract.tables import TABLES
from pipeline.intake.ahead import ahead
from pipeline.intake.arrivals import Arrival, Repeat, look_for_arrivals
from pipeline.intake.checking import Checking, Clock
from pipeline.intake.forgotten import read_tombstones
from pipeline.intake.inbox import Inbox
from pipeline.intake.pseudonyms import Pseudonyms
from pipeline.intake.reading import Door, Piece, Reading, read_arrivals
from pipeline.intake.records import Refused
from pipeline.intake.versions import tell_versions_apart
from pipeline.intake.zones import make_branch_zones, make_time_zones, zone_furthest_ahead
from pipeline.store.database import create_from_frame
from pipeline.store.ledger import Counts, Ledger, Load
from pipeline.store.originals import Originals

Progress = Callable[[str], None]

_STEPS = 8
"""Pieces of files that are read ahead, while those before them are checked."""
_FEW_ROWS = 100_000
"""Rows read before a table which are no work to speak of."""
_TEMPORARY = (
    *("recent", "broken_row", "broken_rule", "contested", "dated"),
    *("fate", "contender", "counting", "decided"),
)


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
    pseudonyms = Pseudonyms(key)
    run = _Run(con, ledger, now, zone, Door(pseudonyms, read_tombstones(con, pseudonyms.of), originals))
    taken = Taken(ledger.next_run_id(), len(inbox.strangers))
    arrivals, repeats = look_for_arrivals(inbox.exports, ledger)
    _make_arrival_order(con, arrivals)
    make_time_zones(con)
    make_branch_zones(con)
    own = {table: [arrival for arrival in arrivals if arrival.export.table is table] for table in TABLES}
    with ahead(read_arrivals([arrival for table in TABLES for arrival in own[table]], run.door), _STEPS) as pieces:
        for table in TABLES:
            n_files = len(own[table])
            if n_files:
                progress(f"taking in {table.name}: {n_files} {'file' if n_files == 1 else 'files'}")
                _take_in_table(run, table, own[table], pieces, taken)
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


def _take_in_table(
    run: _Run, table: Table, arrivals: list[Arrival], pieces: Iterator[Piece | Reading], taken: Taken
) -> None:
    """Take in one table's files, whose pieces come next."""
    con = run.con
    ahead_zone = run.zone if table.zoned_by_branch else zone_furthest_ahead(con, run.now, run.zone)
    may_misfit = any(arrival.export.form != "csv" or arrival.export.mapping for arrival in arrivals)
    clock = Clock(run.now, run.zone, ahead_zone)
    is_idle = sum(reading.n_rows for reading, _ in taken.readings.values()) < _FEW_ROWS
    checking = Checking(con, table, taken.run_id, clock, may_misfit=may_misfit, is_idle=is_idle)
    readings = list(_checked(checking, pieces, len(arrivals)))
    tell_versions_apart(con, table, run.zone, checking.after)
    changed = run.ledger.replace_rejections([arrival.file_id for arrival in arrivals])
    fates = _fates(con, table, checking.after)
    for reading in readings:
        file_id = reading.arrival.file_id
        taken.readings[file_id] = reading, fates[file_id]["rejected"]
        _settle(run, file_id, fates[file_id], taken, is_changed=file_id in changed)
    for name in _TEMPORARY:
        con.execute(f"drop table if exists temp.{name}")  # to give the memory back before the next table


def _checked(checking: Checking, pieces: Iterator[Piece | Reading], n_files: int) -> Iterator[Reading]:
    """Have the pieces of so many files checked, and say what each file gave."""
    while n_files:
        piece = next(pieces)
        if isinstance(piece, Piece):
            checking.refuse(piece.file_id, piece.refused)
            checking.add(piece.file_id, piece.frame)
            continue
        if piece.failure:
            checking.take_back(piece.arrival.file_id)
            checking.refuse(piece.arrival.file_id, [Refused(0, piece.failure.rule, piece.failure.detail)])
        yield piece
        n_files -= 1
    checking.flush()


def _fates(con: duckdb.DuckDBPyConnection, table: Table, after: int) -> dict[int, Counter[str]]:
    """By file, how many of the rows just read met which fate; those without a fate of their own are accepted."""
    fates: dict[int, Counter[str]] = defaultdict(Counter)
    query = f"""
        select file_id, 'accepted', count(*) from raw_{table.name} where seq > {after} group by file_id
        union all select file_id, fate, count(*) from fate group by all
        union all select file_id, 'rejected', count(*) from broken_row group by file_id
        union all select file_id, 'rejected', count(*) from broken_rule where starts_with(rule, 'row.') group by file_id
    """
    for file_id, fate, n in con.execute(query).fetchall():
        fates[file_id][fate] += n
    for counts in fates.values():
        counts["accepted"] -= counts["superseded"]
    return fates


def _settle(run: _Run, file_id: int, fates: Counter[str], taken: Taken, *, is_changed: bool) -> None:
    """Note what became of a file: its load if it is new to the ledger, else whether its rejections changed."""
    reading, rejected = taken.readings[file_id]
    arrival = reading.arrival
    accepted, superseded = fates["accepted"], fates["superseded"]
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
    _settle(run, file_id, Counter(), taken, is_changed=bool(changed))
