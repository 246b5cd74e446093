"""The instant that a time means in its branch's zone, and which times lie after the run's own clock."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.exports import NOW, Nights, csv_text, row

Reads = Callable[..., dict[str, Any]]

ZONES = (
    "UTC",
    "Europe/London",
    "America/New_York",
    "America/St_Johns",
    "Asia/Kathmandu",
    "Australia/Lord_Howe",
    "Pacific/Auckland",
    "Pacific/Honolulu",
)
"""Ahead of and behind UTC, whole and part hours, changes of an hour and of half an hour, none at all."""


def instant(con: duckdb.DuckDBPyConnection, time: str, zone: str) -> datetime:
    found = con.execute("select instant(?, ?)", [time, zone]).fetchall()[0][0]
    assert isinstance(found, datetime)
    return found


@pytest.mark.parametrize(
    ("zone", "time", "utc"),
    [
        ("Europe/London", "2031-03-30T00:59:00", "2031-03-30T00:59"),
        ("Europe/London", "2031-03-30T01:00:00", "2031-03-30T01:00"),  # skipped: read as 02:00 summer time
        ("Europe/London", "2031-03-30T01:59:00", "2031-03-30T01:59"),
        ("Europe/London", "2031-03-30T02:00:00", "2031-03-30T01:00"),
        ("Europe/London", "2031-10-26T00:59:00", "2031-10-25T23:59"),
        ("Europe/London", "2031-10-26T01:00:00", "2031-10-26T00:00"),  # twice: the first, still summer time
        ("Europe/London", "2031-10-26T01:59:00", "2031-10-26T00:59"),
        ("Europe/London", "2031-10-26T02:00:00", "2031-10-26T02:00"),
        ("Australia/Lord_Howe", "2031-04-06T01:45:00", "2031-04-05T14:45"),  # twice, half an hour apart
        ("Australia/Lord_Howe", "2031-10-05T02:15:00", "2031-10-04T15:45"),  # skipped, by half an hour
        ("Asia/Kathmandu", "2031-05-04T10:00:00", "2031-05-04T04:15"),
        ("Europe/London", "2031-07-01T10:00:00Z", "2031-07-01T10:00"),
    ],
)
def test_a_skipped_time_moves_forward_and_a_repeated_one_is_the_first(
    shared_store: duckdb.DuckDBPyConnection, zone: str, time: str, utc: str
) -> None:
    assert instant(shared_store, time, zone) == datetime.fromisoformat(utc)


@settings(deadline=None, max_examples=150)
@given(zone=st.sampled_from(ZONES), wall=st.datetimes(datetime(2000, 1, 1), datetime(2037, 1, 1)))
def test_instants_are_those_of_the_zone_s_own_rules(
    shared_store: duckdb.DuckDBPyConnection, zone: str, wall: datetime
) -> None:
    expected = wall.replace(tzinfo=ZoneInfo(zone), fold=0).astimezone(UTC).replace(tzinfo=None)
    assert instant(shared_store, wall.isoformat(), zone) == expected


FUTURE = {"time.future"}


AHEAD = {"UTC": 0.0, "Pacific/Auckland": 12.0, "Pacific/Honolulu": -10.0, "Asia/Kathmandu": 5.75}
"""Hours each zone's clock is ahead of UTC on the first of July."""


def test_a_wall_time_is_future_by_the_clock_on_its_branch_s_wall(nights: Nights) -> None:
    branches = [row("branches", branch_id=zone, timezone=zone) for zone in AHEAD]
    sales = []
    for zone, hours in AHEAD.items():
        wall = NOW + timedelta(hours=hours)
        for seconds in (-60, 0, 1, 3600):
            time = wall + timedelta(seconds=seconds)
            sales.append(row("sales", sale_id=f"{zone} {seconds}", branch_id=zone, sold_at=time.isoformat()))
    nights.take({"branches.csv": csv_text(branches), "sales.csv": csv_text(sales)})
    assert nights.values("sales", "sale_id") == [(f"{zone} {seconds}",) for zone in AHEAD for seconds in (-60, 0)]
    assert {rule for *_, rule in nights.refused("sales.csv")} == FUTURE


def test_a_time_with_an_offset_is_future_by_its_instant(reads: Reads) -> None:
    expected = {
        "2024-07-01T12:00Z": "2024-07-01T12:00:00Z",
        "2024-07-01T12:01Z": FUTURE,
        "2024-07-01T22:00+10:00": "2024-07-01T12:00:00Z",
        "2024-07-01T22:01+10:00": FUTURE,
        "2024-07-01T02:00-10": "2024-07-01T12:00:00Z",
        "2024-07-01T02:01-10": FUTURE,
        "9999-12-31T23:59": FUTURE,
        "9999-12-31T23:59-10": FUTURE,  # of the year 10000 by UTC
    }
    assert reads("sales", "sold_at", *expected, zone="Pacific/Auckland") == expected


def test_where_the_branch_has_no_zone_the_settings_zone_holds(reads: Reads) -> None:
    expected = {"2024-07-02T00:00": "2024-07-02T00:00:00", "2024-07-02T00:01": FUTURE}
    assert reads("sales", "sold_at", *expected, zone="Pacific/Auckland") == expected


def test_a_follow_up_s_wall_time_follows_the_branch_of_its_visit(nights: Nights) -> None:
    branches = [row("branches", branch_id=name, timezone=zone) for name, zone in BRANCHES.items()]
    visits = [row("procedures", procedure_id=name, visit_id=name, branch_id=name) for name in BRANCHES]
    calls = [
        row("follow_ups", follow_up_id=f"{name} {minute}", visit_id=name, contacted_at=f"{time}:{minute:02}")
        for name, time in {"east": "2024-07-02T00", "west": "2024-07-01T02"}.items()
        for minute in (0, 1)
    ]
    files = {"branches": branches, "procedures": visits, "follow_ups": calls}
    nights.take({f"{table}.csv": csv_text(rows) for table, rows in files.items()})
    assert nights.values("follow_ups", "follow_up_id") == [("east 0",), ("west 0",)]


BRANCHES = {"east": "Pacific/Auckland", "west": "Pacific/Honolulu"}


def test_a_follow_up_that_leads_nowhere_is_future_only_where_it_is_so_at_every_branch(nights: Nights) -> None:
    branches = [row("branches", branch_id=name, timezone=zone) for name, zone in BRANCHES.items()]
    times = {"F1": "2024-07-02T00:00", "F2": "2024-07-02T00:01"}
    calls = [row("follow_ups", follow_up_id=name, visit_id="?", contacted_at=time) for name, time in times.items()]
    nights.take({"branches.csv": csv_text(branches), "follow_ups.csv": csv_text(calls)})
    assert nights.values("follow_ups", "follow_up_id") == [("F1",)]


def test_an_onset_is_future_by_its_day(reads: Reads) -> None:
    expected = {"2024-07-01": datetime(2024, 7, 1).date(), "2024-07-02": FUTURE}
    assert reads("follow_ups", "onset_on", *expected) == expected


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("procedures", ["performed_at", "recorded_at"]),
        ("follow_ups", ["contacted_at", "onset_on", "recorded_at"]),
        ("revisits", ["booked_at", "recorded_at"]),
        ("sales", ["sold_at", "recorded_at"]),
        ("stock_counts", []),
    ],
)
def test_only_what_has_happened_may_not_lie_in_the_future(nights: Nights, table: str, columns: list[str]) -> None:
    dated = dict.fromkeys(("onset_on", "resolved_on", "pack_expiry"), "2024-08-01")
    times = ("performed_at", "contacted_at", "booked_at", "starts_at", "status_at", "sold_at", "counted_at")
    dated |= dict.fromkeys((*times, "recorded_at"), "2024-08-01T10:00")
    one = row(table, **dated)
    nights.take({f"{table}.csv": csv_text([one])})
    assert nights.refused(f"{table}.csv") == [(2, column, "time.future") for column in sorted(columns)]
