"""Answers to the branch's own asking, and the piercings they reach in time to vouch for a window."""

import pytest

from support.texttables import check_file

# asked_answers


def test_an_asked_follow_up_is_an_answer_if_it_tells_how_it_goes() -> None:
    # "a follow-up with outcome well or complication that the branch initiated"
    check_file(
        "asked_answers",
        follow_ups="""
        visit_id | contacted_on | is_asked | outcome
        V1       | 2031-01-10   | true     | well
        V2       | 2031-01-10   | true     | complication
        V3       | 2031-01-10   | true     | no_answer
        V4       | 2031-01-10   | true     | declined
        V5       | 2031-01-10   | false    | complication
                 | 2031-01-10   | true     | well
        """,
        gives="visit_id | answered_on\nV1 | 2031-01-10\nV2 | 2031-01-10",
    )


def test_an_attended_revisit_is_an_answer_unless_it_was_for_a_problem() -> None:
    # "an attended revisit whose purpose is not problem": an empty purpose is none either.
    check_file(
        "asked_answers",
        stg_revisits="""
        revisit_id | visit_id | status     | purpose      | starts_on  | recorded_on
        R1         | V1       | attended   | check        | 2031-01-10 | 2031-01-10
        R2         | V2       | attended   | first_change | 2031-01-10 | 2031-01-10
        R3         | V3       | attended   |              | 2031-01-10 | 2031-01-10
        R4         | V4       | attended   | problem      | 2031-01-10 | 2031-01-10
        R5         | V5       | no_show    | check        | 2031-01-10 | 2031-01-10
        R6         | V6       | booked     | check        | 2031-01-10 | 2031-01-10
        R7         | V7       | unknown    | check        | 2031-01-10 | 2031-01-10
        """,
        gives="visit_id | answered_on\nV1 | 2031-01-10\nV2 | 2031-01-10\nV3 | 2031-01-10",
    )


def test_a_revisit_counts_as_known_by_the_as_of_date() -> None:
    check_file(
        "asked_answers",
        params={"as_of": "2031-01-10"},
        stg_revisits="""
        seq | revisit_id | visit_id | status   | starts_on  | recorded_at         | recorded_on
        1   | R1         | V1       | attended | 2031-01-09 | 2031-01-09 10:00:00 | 2031-01-09
        2   | R1         | V1       | no_show  | 2031-01-09 | 2031-01-10 10:00:00 | 2031-01-10
        3   | R2         | V2       | booked   | 2031-01-09 | 2031-01-09 10:00:00 | 2031-01-09
        4   | R2         | V2       | attended | 2031-01-09 | 2031-01-11 10:00:00 | 2031-01-11
        5   | R3         | V3       | booked   | 2031-01-09 | 2031-01-10 10:00:00 | 2031-01-10
        6   | R3         | V3       | attended | 2031-01-09 | 2031-01-10 10:00:00 | 2031-01-10
        7   | R4         | V4       | attended | 2031-01-09 | 2031-01-09 10:00:00 | 2031-01-09
        8   | R4         | V4       | booked   | 2031-01-09 | 2031-01-01 10:00:00 | 2031-01-01
        """,
        gives="visit_id | answered_on\nV3 | 2031-01-09\nV4 | 2031-01-09",
    )


def test_an_answer_is_on_record_from_its_first_record_on_its_own_day_at_the_earliest() -> None:
    # R2 was attended on the 10th, booked before; F4's clock ran ahead.
    check_file(
        "asked_answers",
        follow_ups="""
        follow_up_id | visit_id | contacted_on | is_asked | outcome    | first_recorded_on
        F1           | V1       | 2031-01-10   | true     | well       | 2031-01-15
        F4           | V4       | 2031-01-10   | true     | well       | 2031-01-09
        """,
        stg_revisits="""
        seq | revisit_id | visit_id | status   | starts_on  | recorded_at         | recorded_on
        1   | R2         | V2       | booked   | 2031-01-10 | 2031-01-02 10:00:00 | 2031-01-02
        2   | R2         | V2       | attended | 2031-01-10 | 2031-01-11 10:00:00 | 2031-01-11
        3   | R2         | V2       | attended | 2031-01-10 | 2031-01-13 10:00:00 | 2031-01-13
        5   | R4         | V4       | attended | 2031-01-12 | 2031-01-08 10:00:00 | 2031-01-08
        """,
        gives="""
        table_name | id | visit_id | answered_on | recorded_on
        follow_ups | F1 | V1       | 2031-01-10  | 2031-01-15
        revisits   | R2 | V2       | 2031-01-10  | 2031-01-11
        follow_ups | F4 | V4       | 2031-01-10  | 2031-01-10
        revisits   | R4 | V4       | 2031-01-12  | 2031-01-12
        """,
    )


# answers


def test_answers_of_a_day_are_one_on_record_from_the_first() -> None:
    check_file(
        "answers",
        asked_answers="""
        table_name | id | visit_id | answered_on | recorded_on
        follow_ups | F1 | V1       | 2031-01-10  | 2031-01-20
        follow_ups | F2 | V1       | 2031-01-10  | 2031-01-12
        revisits   | R1 | V1       | 2031-01-10  | 2031-01-11
        follow_ups | F3 | V1       | 2031-01-11  | 2031-01-11
        follow_ups | F4 | V2       | 2031-01-10  | 2031-01-10
        """,
        gives="""
        visit_id | answered_on | recorded_on
        V1       | 2031-01-10  | 2031-01-11
        V1       | 2031-01-11  | 2031-01-11
        V2       | 2031-01-10  | 2031-01-10
        """,
    )


# reached: ⌈w/5⌉ to w + 14 days after the piercing's day, both inclusive


@pytest.mark.parametrize(
    ("answered_on", "windows"),
    [
        ("2031-01-01", []),  # day 0: "a contact on the first day would vouch for a year"
        ("2031-01-06", []),  # day 5
        ("2031-01-07", [30]),  # day 6 = ⌈30/5⌉
        ("2031-01-18", [30]),  # day 17
        ("2031-01-19", [30, 90]),  # day 18 = ⌈90/5⌉
        ("2031-02-14", [30, 90]),  # day 44 = 30 + 14
        ("2031-02-15", [90]),  # day 45
        ("2031-03-14", [90]),  # day 72
        ("2031-03-15", [90, 365]),  # day 73 = ⌈365/5⌉
        ("2031-04-15", [90, 365]),  # day 104 = 90 + 14
        ("2031-04-16", [365]),  # day 105
        ("2032-01-15", [365]),  # day 379 = 365 + 14
        ("2032-01-16", []),  # day 380
        ("2030-12-31", []),  # before the piercing
    ],
)
def test_days_on_which_an_answer_vouches_for_a_window(answered_on: str, windows: list[int]) -> None:
    check_file(
        "reached",
        piercings="procedure_id | visit_id | performed_on\nP1 | V1 | 2031-01-01",
        answers=f"visit_id | answered_on\nV1 | {answered_on}",
        gives="\n".join(["procedure_id | window_days", *(f"P1 | {window}" for window in windows)]),
    )


def test_an_answer_reaches_every_piercing_of_its_visit_once() -> None:
    check_file(
        "reached",
        piercings="""
        procedure_id | visit_id | performed_on
        P1           | V1       | 2031-01-01
        P2           | V1       | 2031-01-01
        P3           | V2       | 2031-01-01
        """,
        answers="""
        visit_id | answered_on
        V1       | 2031-01-08
        V1       | 2031-01-10
        """,
        gives="procedure_id | window_days\nP1 | 30\nP2 | 30",
    )
