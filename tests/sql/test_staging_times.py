"""Times of piercings, sales and revisits: in UTC, with the local day of the branch.

Summer time of 2024, as the time zone database has it: in Europe/London from 31 March 01:00 to 27 October 02:00, in
Australia/Lord_Howe, where it is half an hour, from 6 October 02:00 to 7 April 02:00, in Africa/Cairo from 26 April
00:00, in America/Santiago to 7 April 00:00.
"""

import pytest

from support.texttables import check_file

BRANCHES = """
branch_id | zone
B-LON     | Europe/London
B-TOK     | Asia/Tokyo
"""


def test_a_time_without_an_offset_is_local_to_the_branch() -> None:
    check_file(
        "stg_procedures",
        params={"timezone": "Pacific/Auckland"},
        stg_branches=BRANCHES,
        raw_procedures="""
        procedure_id | branch_id | performed_at
        P1           | B-LON     | 2031-01-15T23:30:00
        P2           | B-LON     | 2031-07-15T00:30:00
        P3           | B-TOK     | 2031-01-15T08:30:00
        P4           | B-UNKNOWN | 2031-01-15T12:30:00
        """,
        # B-UNKNOWN follows the settings' zone, 13 hours ahead in its summer.
        gives="""
        procedure_id | performed_at        | performed_on | zone
        P1           | 2031-01-15 23:30:00 | 2031-01-15   | Europe/London
        P2           | 2031-07-14 23:30:00 | 2031-07-15   | Europe/London
        P3           | 2031-01-14 23:30:00 | 2031-01-15   | Asia/Tokyo
        P4           | 2031-01-14 23:30:00 | 2031-01-15   | Pacific/Auckland
        """,
    )


def test_a_time_with_an_offset_is_an_instant_and_its_day_the_branchs() -> None:
    # 23:30 UTC is the same evening in London's winter, half past midnight in its summer, next morning in Tokyo.
    check_file(
        "stg_procedures",
        stg_branches=BRANCHES,
        raw_procedures="""
        procedure_id | branch_id | performed_at
        P1           | B-LON     | 2031-01-15T23:30:00Z
        P2           | B-LON     | 2031-07-15T23:30:00Z
        P3           | B-TOK     | 2031-01-15T23:30:00Z
        P4           | B-UNKNOWN | 2031-07-15T23:30:00Z
        """,
        gives="""
        procedure_id | performed_at        | performed_on
        P1           | 2031-01-15 23:30:00 | 2031-01-15
        P2           | 2031-07-15 23:30:00 | 2031-07-16
        P3           | 2031-01-15 23:30:00 | 2031-01-16
        P4           | 2031-07-15 23:30:00 | 2031-07-15
        """,
    )


# "A local time that summer time skips moves forward, a repeated one is the first."
@pytest.mark.parametrize(
    ("zone", "wall", "instant", "day"),
    [
        ("Europe/London", "2024-03-31T00:59:00", "2024-03-31 00:59:00", "2024-03-31"),
        ("Europe/London", "2024-03-31T01:30:00", "2024-03-31 01:30:00", "2024-03-31"),  # skipped: 02:30 there
        ("Europe/London", "2024-03-31T02:00:00", "2024-03-31 01:00:00", "2024-03-31"),
        ("Europe/London", "2024-10-27T00:59:00", "2024-10-26 23:59:00", "2024-10-27"),
        ("Europe/London", "2024-10-27T01:00:00", "2024-10-27 00:00:00", "2024-10-27"),  # repeated
        ("Europe/London", "2024-10-27T01:30:00", "2024-10-27 00:30:00", "2024-10-27"),  # repeated
        ("Europe/London", "2024-10-27T02:00:00", "2024-10-27 02:00:00", "2024-10-27"),
        ("Australia/Lord_Howe", "2024-10-06T02:15:00", "2024-10-05 15:45:00", "2024-10-06"),  # skipped: 02:45 there
        ("Australia/Lord_Howe", "2024-04-07T01:45:00", "2024-04-06 14:45:00", "2024-04-07"),  # repeated
        ("Australia/Lord_Howe", "2024-04-07T02:00:00", "2024-04-06 15:30:00", "2024-04-07"),
        ("Africa/Cairo", "2024-04-26T00:30:00", "2024-04-25 22:30:00", "2024-04-26"),  # skipped midnight: 01:30 there
        ("America/Santiago", "2024-04-06T23:30:00", "2024-04-07 02:30:00", "2024-04-06"),  # repeated before midnight
    ],
)
def test_skipped_and_repeated_hours(zone: str, wall: str, instant: str, day: str) -> None:
    check_file(
        "stg_procedures",
        stg_branches=f"branch_id | zone\nB1 | {zone}",
        raw_procedures=f"branch_id | performed_at\nB1 | {wall}",
        gives=f"performed_at | performed_on\n{instant} | {day}",
    )


def test_a_piercing_without_recorded_at_counts_as_recorded_when_performed() -> None:
    check_file(
        "stg_procedures",
        params={"timezone": "Pacific/Auckland"},
        stg_branches=BRANCHES,
        raw_procedures="""
        seq | procedure_id | branch_id | performed_at        | recorded_at
        1   | P1           | B-TOK     | 2031-01-15T08:30:00 |
        2   | P2           | B-TOK     | 2031-01-15T08:30:00 | 2031-01-16T08:45:00
        3   | P2           | B-TOK     | 2031-01-15T08:30:00 | 2031-01-16T16:00:00Z
        4   | P3           | B-UNKNOWN | 2031-01-15T12:30:00 | 2031-01-16T12:45:00
        """,
        gives="""
        seq | procedure_id | recorded_at         | recorded_on
        1   | P1           | 2031-01-14 23:30:00 | 2031-01-15
        2   | P2           | 2031-01-15 23:45:00 | 2031-01-16
        3   | P2           | 2031-01-16 16:00:00 | 2031-01-17
        4   | P3           | 2031-01-15 23:45:00 | 2031-01-16
        """,
    )


def test_a_piercing_is_completed_where_nothing_is_said_and_no_event_is_none() -> None:
    check_file(
        "stg_procedures",
        raw_procedures="""
        procedure_id | performed_at        | status    | immediate_event
        P1           | 2031-01-15T08:30:00 |           |
        P2           | 2031-01-15T08:30:00 | abandoned | none
        P3           | 2031-01-15T08:30:00 | void      | faint
        """,
        gives="""
        procedure_id | status    | immediate_event
        P1           | completed |
        P2           | abandoned |
        P3           | void      | faint
        """,
    )


def test_a_sale_follows_its_own_branch() -> None:
    check_file(
        "stg_sales",
        params={"timezone": "Pacific/Auckland"},
        stg_branches=BRANCHES,
        raw_sales="""
        sale_id | branch_id | sold_at              | recorded_at
        S1      | B-LON     | 2031-07-15T23:30:00Z |
        S2      | B-LON     | 2031-07-15T23:30:00  | 2031-07-16T00:15:00
        S3      | B-LON     | 2031-07-15T00:30:00  |
        S4      | B-UNKNOWN | 2031-07-15T23:30:00  | 2031-07-16T00:15:00
        S5      | B-UNKNOWN | 2031-07-15T13:30:00Z |
        """,
        # London is an hour ahead in its summer, the settings' zone twelve in its winter. Without recorded_at a line
        # counts as recorded when sold.
        gives="""
        sale_id | sold_on    | recorded_at         | recorded_on
        S1      | 2031-07-16 | 2031-07-15 23:30:00 | 2031-07-16
        S2      | 2031-07-15 | 2031-07-15 23:15:00 | 2031-07-16
        S3      | 2031-07-15 | 2031-07-14 23:30:00 | 2031-07-15
        S4      | 2031-07-15 | 2031-07-15 12:15:00 | 2031-07-16
        S5      | 2031-07-16 | 2031-07-15 13:30:00 | 2031-07-16
        """,
    )


def test_an_empty_line_type_is_sale() -> None:
    check_file(
        "stg_sales",
        raw_sales="""
        sale_id | sold_at             | line_type
        S1      | 2031-07-15T23:30:00 |
        S2      | 2031-07-15T23:30:00 | gift
        S3      | 2031-07-15T23:30:00 | void
        """,
        gives="sale_id | line_type\nS1 | sale\nS2 | gift\nS3 | void",
    )


def test_a_revisit_without_recorded_at_counts_as_recorded_at_its_status_else_booking_else_start() -> None:
    check_file(
        "stg_revisits",
        stg_branches=BRANCHES,
        raw_revisits="""
        revisit_id | branch_id | recorded_at         | status_at           | booked_at           | starts_at
        R1         | B-LON     | 2031-01-04T09:00:00 | 2031-01-03T09:00:00 | 2031-01-02T09:00:00 | 2031-02-01T09:00:00
        R2         | B-LON     |                     | 2031-01-03T09:00:00 | 2031-01-02T09:00:00 | 2031-02-01T09:00:00
        R3         | B-LON     |                     |                     | 2031-01-02T09:00:00 | 2031-02-01T09:00:00
        R4         | B-LON     |                     |                     |                     | 2031-02-01T09:00:00
        """,
        gives="""
        revisit_id | recorded_at         | recorded_on | has_recorded_at
        R1         | 2031-01-04 09:00:00 | 2031-01-04  | true
        R2         | 2031-01-03 09:00:00 | 2031-01-03  | false
        R3         | 2031-01-02 09:00:00 | 2031-01-02  | false
        R4         | 2031-02-01 09:00:00 | 2031-02-01  | false
        """,
    )


def test_a_revisit_starts_by_its_own_branchs_calendar_and_is_its_own_thread_where_it_names_none() -> None:
    check_file(
        "stg_revisits",
        params={"timezone": "Pacific/Auckland"},
        stg_branches=BRANCHES,
        raw_revisits="""
        revisit_id | thread_id | branch_id | starts_at            | status_at
        R1         | T1        | B-TOK     | 2031-01-15T23:30:00Z | 2031-01-16T00:30:00
        R2         |           | B-LON     | 2031-01-15T23:30:00Z |
        R3         |           | B-TOK     | 2031-01-15T08:30:00  |
        R4         |           | B-UNKNOWN | 2031-01-15T12:30:00  | 2031-01-16T00:30:00
        """,
        gives="""
        revisit_id | thread_id | starts_at           | starts_on  | recorded_at         | recorded_on
        R1         | T1        | 2031-01-15 23:30:00 | 2031-01-16 | 2031-01-15 15:30:00 | 2031-01-16
        R2         | R2        | 2031-01-15 23:30:00 | 2031-01-15 | 2031-01-15 23:30:00 | 2031-01-15
        R3         | R3        | 2031-01-14 23:30:00 | 2031-01-15 | 2031-01-14 23:30:00 | 2031-01-15
        R4         | R4        | 2031-01-14 23:30:00 | 2031-01-15 | 2031-01-15 11:30:00 | 2031-01-16
        """,
    )
