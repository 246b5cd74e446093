"""Versions of rows: which is the newest, and when it was recorded."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime

from .clock import instant, local_day, recorded_time
from .words import TABLES, Row

Key = tuple[object, ...]
ZoneOf = Callable[[Row], str]


@dataclass(frozen=True, eq=False)
class Version:
    """One stored row: its values as read, its place in the order in which its table's rows were taken in, its file."""

    values: Row
    order: int
    superseded: bool
    file: tuple[str, str, str]


@dataclass(frozen=True, eq=False)
class KnownRow:
    """The version of a row that counts, and the local day on which it, or a version telling of the same, was recorded.

    A later correction of the severity, say, does not make an infection known later than it was.
    """

    row: Row
    first_recorded_on: date


def told(table: str, row: Row) -> object:
    """Give what a version tells of that becomes known with its first record: the complication it names."""
    if table == "follow_ups":
        return row["complication"] or ("other" if row["outcome"] == "complication" else None)
    if table == "procedures":
        return row["immediate_event"] if row["immediate_event"] != "none" else None
    return None


def key_of(table: str, row: Row) -> Key:
    return tuple(row[column] for column in TABLES[table].key)


def recorded_instant(table: str, row: Row, zone_of: ZoneOf) -> datetime:
    return instant(recorded_time(table, row), zone_of(row))


def newest(table: str, versions: Iterable[Version], zone_of: ZoneOf, as_of: date | None = None) -> list[KnownRow]:
    """Give the newest version of each row, of those recorded on `as_of` or earlier; ties go to the later taken in."""
    places: dict[Key, tuple[datetime, int]] = {}
    rows: dict[Key, Row] = {}
    first: dict[tuple[Key, object], date] = {}
    for version in versions:
        row = version.values
        zone = zone_of(row)
        recorded_at = instant(recorded_time(table, row), zone)
        recorded_on = local_day(recorded_at, zone)
        if as_of is not None and recorded_on > as_of:
            continue
        key, place = key_of(table, row), (recorded_at, version.order)
        told_of = key, told(table, row)
        first[told_of] = min(first.get(told_of, recorded_on), recorded_on)
        if key not in places or place > places[key]:
            places[key], rows[key] = place, row
    return [KnownRow(row, first[key, told(table, row)]) for key, row in rows.items()]
