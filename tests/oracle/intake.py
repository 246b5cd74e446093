"""Taking in an inbox: every row of every file is accepted, rejected, duplicate or superseded."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from .checks import Breach, Judge
from .clock import BranchZones
from .history import Key, Version, ZoneOf, key_of, newest, recorded_instant
from .reading import Delivery, Record, UnreadableError, deliveries, read_records
from .visits import VisitBook, completed_piercings
from .words import EVENT_TIMES, TABLES, Row

FileKey = tuple[str, str, str]
"""file, table, sha256"""


@dataclass
class Counts:
    """What became of a file's rows when it was first taken in."""

    rows: int = 0
    accepted: int = 0
    rejected: int = 0
    duplicate: int = 0
    superseded: int = 0


@dataclass(frozen=True)
class Rejection:
    """One broken rule of one record; line 0 stands for a file that cannot be read."""

    file: str
    sha256: str
    table: str
    line: int
    column: str
    rule: str
    value: str


@dataclass
class Taken:
    """Everything the nights so far have taken in."""

    counts: dict[FileKey, Counts] = field(default_factory=dict)
    standing: dict[FileKey, list[Rejection]] = field(default_factory=dict)
    versions: dict[str, list[Version]] = field(default_factory=lambda: {table: [] for table in TABLES})
    by_key: dict[str, dict[Key, list[Version]]] = field(default_factory=lambda: {table: {} for table in TABLES})
    """The same versions by table and key."""
    rejected_lines: dict[tuple[str, str], set[int]] = field(default_factory=dict)
    """By table and sha256 of every content known: the lines that were rejected when last checked."""

    @property
    def rejections(self) -> list[Rejection]:
        return [rejection for of_file in self.standing.values() for rejection in of_file]

    def reference(self, table: str) -> dict[str, Row]:
        """Give, by its one-column key, the last version taken in of each row of a reference table."""
        (key,) = TABLES[table].key
        return {version.values[key]: version.values for version in self.versions[table]}

    def copy(self) -> "Taken":
        return Taken(
            dict(self.counts),
            dict(self.standing),
            {table: list(versions) for table, versions in self.versions.items()},
            {table: {key: list(some) for key, some in keys.items()} for table, keys in self.by_key.items()},
            dict(self.rejected_lines),
        )

    def store(self, file_key: FileKey, row: Row, superseded: bool) -> None:
        _, table, _ = file_key
        version = Version(row, len(self.versions[table]), superseded, file_key)
        self.versions[table].append(version)
        self.by_key[table].setdefault(key_of(table, row), []).append(version)


def read_inbox(
    inbox: Path, *, now: datetime, key: bytes, default_zone: str = "UTC", earlier: Taken | None = None
) -> Taken:
    """Take in an inbox, on top of what an earlier night has taken in; `earlier` itself stays as it is.

    now: the run's clock, aware. key: what client keys are hashed with. Tables are independent of each other but
    for time zones, so they go in the order of `TABLES`: branches first, visits before the follow-ups that join them.
    """
    taken = earlier.copy() if earlier is not None else Taken()
    found = deliveries(inbox)
    for table in TABLES:
        zones = BranchZones(taken.reference("branches"), default_zone)
        book = visit_book(taken, zones)
        judge = Judge(now, zones, key, book)
        zone_of = zone_finder(table, taken, zones)
        for delivery in found:
            if delivery.table == table:
                take_in(taken, delivery, judge, zone_of)
    return taken


def zone_finder(table: str, taken: Taken, zones: BranchZones) -> ZoneOf:
    """Give the function that tells in which zone a row of the table is local."""
    return visit_book(taken, zones).zone_of_follow_up if table == "follow_ups" else branch_zone_finder(zones)


def branch_zone_finder(zones: BranchZones) -> ZoneOf:
    """Give the function that tells in which zone a row that names its branch is local."""
    return lambda row: zones(row.get("branch_id"))


def visit_book(taken: Taken, zones: BranchZones) -> VisitBook:
    """Give the visits known so far, whose zones follow-ups take."""
    known = newest("procedures", taken.versions["procedures"], branch_zone_finder(zones))
    return VisitBook(completed_piercings((one.row for one in known), zones), zones)


def take_in(taken: Taken, delivery: Delivery, judge: Judge, zone_of: ZoneOf) -> None:
    """Take in one file; of one that is known, only the rows that were rejected are looked at again."""
    file_key = (delivery.file, delivery.table, delivery.sha256)
    bytes_key = (delivery.table, delivery.sha256)
    counts = Counts()
    try:
        header, records = read_records(delivery)
    except UnreadableError as unreadable:
        taken.standing[file_key] = [rejection_of(delivery, 0, Breach("", str(unreadable), ""))]
        taken.counts.setdefault(file_key, counts)
        return
    counts.rows = len(records)
    once_rejected = taken.rejected_lines.get(bytes_key)
    open_records = [record for record in records if once_rejected is None or record.line in once_rejected]
    counts.duplicate = len(records) - len(open_records)
    good, rejections = check_records(delivery, header, open_records, judge)
    taken.standing[file_key] = rejections
    taken.rejected_lines[bytes_key] = {rejection.line for rejection in rejections}
    counts.rejected = len(open_records) - len(good)
    settle(taken, file_key, good, zone_of, counts)
    taken.counts.setdefault(file_key, counts)


def check_records(
    delivery: Delivery, header: list[str], records: list[Record], judge: Judge
) -> tuple[list[Row], list[Rejection]]:
    good, rejections = [], []
    for record in records:
        row, breaches = judge.check(delivery.table, header, record.fields)
        if not breaches:
            good.append(row)
        rejections += [rejection_of(delivery, record.line, breach) for breach in breaches]
    return good, rejections


def rejection_of(delivery: Delivery, line: int, breach: Breach) -> Rejection:
    return Rejection(delivery.file, delivery.sha256, delivery.table, line, breach.column, breach.rule, breach.value)


def settle(taken: Taken, file_key: FileKey, rows: list[Row], zone_of: ZoneOf, counts: Counts) -> None:
    """Tell duplicates and superseded rows of one file from accepted ones, and store all but the duplicates."""
    _, table, _ = file_key
    keys = [key_of(table, row) for row in rows]
    in_file = defaultdict(list)
    for place, key in enumerate(keys):
        in_file[key].append(place)
    outcomes = [""] * len(rows)
    for key, places in in_file.items():
        for place, outcome in outcomes_of_key(table, rows, places, taken.by_key[table].get(key, []), zone_of):
            outcomes[place] = outcome
    counts.duplicate += outcomes.count("duplicate")
    counts.accepted += outcomes.count("accepted")
    counts.superseded += outcomes.count("superseded")
    for row, outcome in zip(rows, outcomes, strict=True):
        if outcome != "duplicate":
            taken.store(file_key, row, outcome == "superseded")


def outcomes_of_key(
    table: str, rows: list[Row], places: list[int], known: list[Version], zone_of: ZoneOf
) -> list[tuple[int, str]]:
    """Give the outcome of each of a file's rows with one key.

    Known versions are those from before the file. A row equal to the one of them that counts, or to an earlier row
    of the file, is a duplicate and takes no further part.
    """
    if len(places) == 1 and not known:
        return [(places[0], "accepted")]

    def recorded(row: Row) -> datetime | None:
        """Reference rows have no time: none of them is newer than one taken in later."""
        return recorded_instant(table, row, zone_of) if table in EVENT_TIMES else None

    def is_newer(one: datetime | None, other: datetime | None) -> bool:
        return one is not None and other is not None and one > other

    known_times = [recorded(version.values) for version in known]
    counting: Version | None = None
    if known:
        counting = known[-1]
        if table in EVENT_TIMES:
            counting = max(known, key=lambda version: (recorded_instant(table, version.values, zone_of), version.order))
    outcomes, fresh = [], []
    for number, place in enumerate(places):
        earlier = [rows[before] for before in places[:number]]
        if (counting is not None and rows[place] == counting.values) or rows[place] in earlier:
            outcomes.append((place, "duplicate"))
        else:
            fresh.append((place, recorded(rows[place])))
    for number, (place, time) in enumerate(fresh):
        newer_known = any(is_newer(other, time) for other in known_times)
        newer_later = any(not is_newer(time, other) for _, other in fresh[number + 1 :])
        newer_before = any(is_newer(other, time) for _, other in fresh[:number])
        superseded = newer_known or newer_later or newer_before
        outcomes.append((place, "superseded" if superseded else "accepted"))
    return outcomes
