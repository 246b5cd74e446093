"""Wall times, instants and local days."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from .words import EVENT_TIMES, Row


@cache
def zone_named(name: str) -> ZoneInfo:
    return ZoneInfo(name)


@cache
def instant(time: datetime, zone: str) -> datetime:
    """Give the UTC time of a time that has an offset, or is local to the zone.

    A wall time that summer time skips is read with the offset from before the change, which moves it forward; a
    repeated one is the first (fold=0 does both).
    """
    if time.tzinfo is not None:
        return time
    try:
        return time.replace(tzinfo=zone_named(zone), fold=0).astimezone(UTC)
    except OverflowError:  # the first and the last day of the calendar
        return time.replace(tzinfo=UTC)


@cache
def local_day(time: datetime, zone: str) -> date:
    """Give the day of a time in the zone."""
    try:
        return instant(time, zone).astimezone(zone_named(zone)).date()
    except OverflowError:
        return time.date()


def recorded_time(table: str, row: Row) -> datetime:
    """Give the time that orders a row's versions: recorded_at, else that of its event, as read."""
    columns = ("recorded_at", *EVENT_TIMES[table])
    times: list[datetime] = [row[column] for column in columns if row[column] is not None]
    return times[0]


def monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


class BranchZones:
    """The zone of each branch that has one; of every other the default."""

    def __init__(self, branches: Mapping[str, Row], default: str) -> None:
        self.default = default
        self.of_branch: dict[str, str] = {
            name: row["timezone"] for name, row in branches.items() if row["timezone"] is not None
        }

    def __call__(self, branch_id: str | None) -> str:
        return self.default if branch_id is None else self.of_branch.get(branch_id, self.default)

    def furthest_ahead(self, now: datetime) -> str:
        """Give the zone whose clock is now furthest ahead."""
        return max(
            {self.default, *self.of_branch.values()},
            key=lambda zone: (now.astimezone(zone_named(zone)).utcoffset(), zone),
        )
