"""Due revisits: "every revisit that starts on A or earlier and is neither cancelled_early nor moved"."""

import pytest

from support.texttables import check_file


@pytest.mark.parametrize(
    ("status", "counts_as"),
    [
        ("attended", "attended"),
        ("no_show", "no_show"),
        ("cancelled_late", "cancelled_late"),
        ("unknown", "unknown"),
        ("booked", "unknown"),  # "a `booked` whose start has passed counts as unknown"
        ("cancelled_early", None),
        ("moved", None),
    ],
)
def test_what_a_status_counts_as(status: str, counts_as: str | None) -> None:
    check_file(
        "due_revisits",
        stg_revisits=f"revisit_id | status | starts_on | recorded_on\nR1 | {status} | 2031-01-10 | 2031-01-01",
        gives="revisit_id | status" + (f"\nR1 | {counts_as}" if counts_as else ""),
    )


def test_due_from_the_day_it_starts() -> None:
    check_file(
        "due_revisits",
        params={"as_of": "2031-01-10"},
        stg_revisits="""
        revisit_id | status   | starts_on  | recorded_on
        R1         | booked   | 2031-01-09 | 2031-01-01
        R2         | booked   | 2031-01-10 | 2031-01-01
        R3         | booked   | 2031-01-11 | 2031-01-01
        R4         | attended | 2031-01-11 | 2031-01-01
        """,
        gives="revisit_id | status\nR1 | unknown\nR2 | unknown",
    )


def test_the_newest_version_recorded_by_the_as_of_date_counts() -> None:
    # R1 was put off to a day after A, R2 was attended, as A knows; R3 is not known by A; of R4 an older version came in
    # late.
    check_file(
        "due_revisits",
        params={"as_of": "2031-01-10"},
        stg_revisits="""
        seq | revisit_id | status   | starts_on  | recorded_at         | recorded_on
        1   | R1         | booked   | 2031-01-08 | 2031-01-01 10:00:00 | 2031-01-01
        2   | R1         | booked   | 2031-01-20 | 2031-01-07 10:00:00 | 2031-01-07
        3   | R2         | booked   | 2031-01-08 | 2031-01-01 10:00:00 | 2031-01-01
        4   | R2         | no_show  | 2031-01-08 | 2031-01-10 10:00:00 | 2031-01-10
        5   | R2         | attended | 2031-01-08 | 2031-01-10 10:00:00 | 2031-01-10
        6   | R2         | moved    | 2031-01-08 | 2031-01-11 10:00:00 | 2031-01-11
        7   | R3         | attended | 2031-01-08 | 2031-01-11 10:00:00 | 2031-01-11
        8   | R4         | no_show  | 2031-01-08 | 2031-01-09 10:00:00 | 2031-01-09
        9   | R4         | booked   | 2031-01-08 | 2031-01-01 10:00:00 | 2031-01-01
        """,
        gives="revisit_id | status\nR2 | attended\nR4 | no_show",
    )


def test_it_stands_in_the_week_it_starts() -> None:
    check_file(
        "due_revisits",
        stg_revisits="""
        revisit_id | branch_id | visit_id | status   | starts_on  | recorded_on
        R1         | B1        | V1       | attended | 2031-01-05 | 2031-01-01
        R2         | B2        | V1       | attended | 2031-01-06 | 2031-01-01
        """,
        gives="""
        revisit_id | branch_id | visit_id | starts_on  | week
        R1         | B1        | V1       | 2031-01-05 | 2030-12-30
        R2         | B2        | V1       | 2031-01-06 | 2031-01-06
        """,
    )


def test_a_thread_is_kept_in_the_end_by_an_attended_one_as_the_as_of_date_knows() -> None:
    # T1: kept by bookings later than the missed one, at another branch. T2: attended after A. T3: attended as a later
    # night learns. T4: only a moved booking beside it.
    check_file(
        "due_revisits",
        params={"as_of": "2031-01-20"},
        stg_revisits="""
        revisit_id | thread_id | branch_id | status   | starts_on  | recorded_on
        R1         | T1        | B1        | no_show  | 2031-01-05 | 2031-01-05
        R2         | T1        | B2        | attended | 2031-01-20 | 2031-01-20
        R9         | T1        | B2        | attended | 2031-01-20 | 2031-01-20
        R3         | T2        | B1        | no_show  | 2031-01-05 | 2031-01-05
        R4         | T2        | B1        | attended | 2031-01-21 | 2031-01-20
        R5         | T3        | B1        | no_show  | 2031-01-05 | 2031-01-05
        R6         | T3        | B1        | attended | 2031-01-20 | 2031-01-21
        R7         | T4        | B1        | moved    | 2031-01-05 | 2031-01-05
        R8         | T4        | B1        | booked   | 2031-01-12 | 2031-01-05
        """,
        gives="""
        revisit_id | thread_id | is_kept_in_the_end
        R1         | T1        | true
        R2         | T1        | true
        R9         | T1        | true
        R3         | T2        | false
        R5         | T3        | false
        R8         | T4        | false
        """,
    )
