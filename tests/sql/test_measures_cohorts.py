"""What the watch takes: piercings with all they are told apart by, and what came to be known of them from which day."""

import pytest

from pipeline.contract.vocabulary import COMPLICATIONS, FOLLOWED
from support.texttables import check_file, run_file

PIERCED = """
procedure_id | performed_on | branch_id | site | site_group | age_band | article_id | material | practitioner_id |lot_no
P1 | 2031-02-14 | B1 | upper_lobe | lobe  | 18+ | K1 | niobium | W1 | L1
P2 | 2019-01-01 | B2 | other      | other |     |    |         |    |
"""
LATER = "P3 | 2031-02-15 | B1 | lobe | lobe | 18+ | K1 | niobium | W1 | L1\n"


def test_piercings_up_to_the_as_of_date_with_what_they_are_told_apart_by() -> None:
    check_file("cohort_piercings", params={"as_of": "2031-02-14"}, piercings=PIERCED + LATER, gives=PIERCED)


def test_events_of_followed_complications_from_the_day_they_were_first_recorded() -> None:
    # P2's was recorded, by its own calendar, on the day before; P3 was performed after the as-of date.
    check_file(
        "cohort_events",
        params={"as_of": "2031-02-14"},
        piercings="procedure_id | performed_on\nP1 | 2031-02-01\nP2 | 2031-02-10\nP3 | 2031-02-15",
        events="""
        procedure_id | complication    | recorded_on
        P1           | infection       | 2031-02-09
        P1           | minor_infection | 2031-02-09
        P1           | any             | 2031-02-05
        P2           | contact_allergy | 2031-02-09
        P3           | infection       | 2031-02-14
        """,
        gives="""
        procedure_id | complication    | recorded_on
        P1           | infection       | 2031-02-09
        P1           | any             | 2031-02-05
        P2           | contact_allergy | 2031-02-10
        """,
    )


@pytest.mark.parametrize("complication", [complication.name for complication in COMPLICATIONS])
def test_a_complication_is_watched_where_it_is_followed(complication: str) -> None:
    rows = run_file(
        "cohort_events",
        ("complication",),
        {
            "piercings": "procedure_id | performed_on\nP1 | 2031-02-01",
            "events": f"procedure_id | complication | recorded_on\nP1 | {complication} | 2031-02-09",
        },
    )
    assert rows == ([(complication,)] if complication in FOLLOWED else [])


@pytest.mark.parametrize(
    ("answered_on", "windows"),
    [
        ("2031-01-06", []),  # day 5
        ("2031-01-07", [30]),  # day 6 = ⌈30/5⌉
        ("2031-01-19", [30, 90]),  # day 18 = ⌈90/5⌉
        ("2031-02-14", [30, 90]),  # day 44 = 30 + 14
        ("2031-02-15", [90]),
        ("2031-04-15", [90]),  # day 104; the window of a year belongs to complications that are not followed
        ("2031-04-16", []),
    ],
)
def test_an_answer_vouches_for_the_windows_of_followed_complications(answered_on: str, windows: list[int]) -> None:
    check_file(
        "cohort_answers",
        params={"as_of": "2031-06-30"},
        piercings="procedure_id | visit_id | performed_on\nP1 | V1 | 2031-01-01",
        answers=f"visit_id | answered_on | recorded_on\nV1 | {answered_on} | {answered_on}",
        gives="\n".join(["procedure_id | window_days", *(f"P1 | {window}" for window in windows)]),
    )


def test_an_answer_is_known_from_the_first_record_of_any_that_vouches() -> None:
    # V1: the answer of day 2 vouches for nothing; that of day 20, typed in late, was known after that of day 25.
    check_file(
        "cohort_answers",
        params={"as_of": "2031-06-30"},
        piercings="""
        procedure_id | visit_id | performed_on
        P1           | V1       | 2031-01-01
        P2           | V1       | 2031-01-01
        P3           | V2       | 2031-01-01
        P4           | V3       | 2031-07-01
        """,
        answers="""
        visit_id | answered_on | recorded_on
        V1       | 2031-01-03  | 2031-01-03
        V1       | 2031-01-21  | 2031-03-01
        V1       | 2031-01-26  | 2031-01-27
        V3       | 2031-07-20  | 2031-07-20
        """,
        where="window_days = 30",
        gives="""
        procedure_id | window_days | answered_on
        P1           | 30          | 2031-01-27
        P2           | 30          | 2031-01-27
        """,
    )
